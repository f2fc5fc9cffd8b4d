"""Every number a user may want to change, as TOML with a comment and a unit each, and its reader."""

from __future__ import annotations

from configs.reading import ConfigError, config_path, read_toml

__all__ = ["ConfigError", "config_path", "read_toml"]
