"""Imported first by the server process from which workers are forked: libraries loaded after it use one thread."""

from __future__ import annotations

import os

from pipeline.worker.library_threads import VARIABLE

os.environ[VARIABLE] = "1"
