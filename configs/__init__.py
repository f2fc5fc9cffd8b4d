"""The numbers that a centre may have a reason to change: TOML files with units and sources, and their reader."""

from __future__ import annotations

from configs.reading import ConfigError, config_path, read_toml

__all__ = ["ConfigError", "config_path", "read_toml"]
