"""The environment of the peers: one whose libraries would replace ours, above all OpenCV.

It lies over the installation that makes it: what it does not hold itself, this program included, comes from there. Its
programs are run as others are, with files as what goes in and comes out.
"""

from __future__ import annotations

import os
import subprocess
import sysconfig
import venv
from collections.abc import Callable, Sequence
from pathlib import Path

from configs.reading import config_path
from models.errors import ClutchlightError

__all__ = ["PeersEnvironmentError", "environment_python", "make_environment", "run_in_environment"]

_OPENCV = "opencv-"
_ERROR_LINES = 12  # of a failed program, that are shown

Run = Callable[[Sequence[str]], None]


class PeersEnvironmentError(ClutchlightError):
    """An environment that is missing or cannot be made, or a program that fails in it."""


def make_environment(folder: Path, run: Run | None = None) -> Path:
    """Make the environment, or complete one, from the pins in ``configs/peers.txt``. Returns its interpreter.

    run : runs a command; by default as a process of its own

    Raises PeersEnvironmentError if an installation fails.
    """
    run = run or _run
    venv.create(folder, with_pip=True)
    python = environment_python(folder)
    _site_packages(folder).joinpath("parent.pth").write_text(_parent_lines(), encoding="utf-8")
    lines = (line.partition("#")[0].strip() for line in config_path("peers.txt").read_text("utf-8").splitlines())
    pins = [line for line in lines if line]
    opencv = [pin for pin in pins if pin.startswith(_OPENCV)]
    install = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    run([*install, *(pin for pin in pins if pin not in opencv)])
    # All variants of OpenCV write into one folder, so the one that counts must come last, and whole.
    run([*install, "--no-deps", "--force-reinstall", *opencv])
    return python


def environment_python(folder: Path) -> Path:
    """Its interpreter. Raises PeersEnvironmentError if there is none."""
    # Not resolved: the link is what makes it this environment's.
    python = folder.absolute() / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not python.exists():
        raise PeersEnvironmentError(f"{folder} holds no environment. Run: clutchlight bench peers-environment {folder}")
    return python


def run_in_environment(python: Path, arguments: Sequence[str]) -> str:
    """What ``python ARGUMENTS`` prints. Raises PeersEnvironmentError with what it says if it fails."""
    done = subprocess.run([str(python), *arguments], capture_output=True, text=True, check=False)
    if done.returncode:
        said = "\n".join(done.stderr.strip().splitlines()[-_ERROR_LINES:])
        raise PeersEnvironmentError(f"In the environment of {python}, {' '.join(arguments)} fails:\n{said}")
    return done.stdout


def _run(command: Sequence[str]) -> None:
    run_in_environment(Path(command[0]), command[1:])


def _site_packages(folder: Path) -> Path:
    paths = {"base": str(folder), "platbase": str(folder)}
    return Path(sysconfig.get_path("purelib", scheme="venv", vars=paths))


def _parent_lines() -> str:
    """A ``.pth`` file: this program, and the libraries of the running interpreter, after those of the environment."""
    program = Path(__file__).parents[3]
    libraries = [sysconfig.get_path(name) for name in ("purelib", "platlib")]
    lines = [f"import site; site.addsitedir({folder!r})" for folder in dict.fromkeys(libraries)]
    return "\n".join([str(program), *lines]) + "\n"
