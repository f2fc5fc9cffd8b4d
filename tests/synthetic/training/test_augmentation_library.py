"""The import of albumentations opens no connection."""

from __future__ import annotations

import subprocess
import sys

PROGRAM = """
import socket

tried = []


def refuse(*arguments, **options):
    tried.append(arguments)
    raise OSError("no network in this test")


socket.getaddrinfo = socket.create_connection = socket.socket.connect = refuse
from synthetic.training.augmentation_library import import_albumentations

assert import_albumentations().Compose
assert not tried, tried
"""


def test_importing_albumentations_tries_no_connection() -> None:
    # In a new interpreter, since the library asks for updates on its first import only.
    run = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
