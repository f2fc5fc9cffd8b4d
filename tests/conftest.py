"""Settings for all tests."""

from __future__ import annotations

from hypothesis import settings

# The same examples in every run, and no deadline: a busy machine is no error of the code.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
