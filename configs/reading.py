"""Reads TOML files into validated values, and names every mistake by file, line and key."""

from __future__ import annotations

import datetime as dt
import difflib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from models.errors import ClutchlightError

__all__ = ["ConfigError", "config_path", "read_toml", "require_ordered_ranges"]

ModelT = TypeVar("ModelT", bound=BaseModel)
KeyPath = tuple[str | int, ...]

# Common practice, no source: a settings file or side file has a page or two, so anything larger is another file under a
# wrong name.
MAXIMUM_BYTES = 1 << 20
MINIMUM_SIMILARITY = 0.5  # of difflib, 0 to 1: less similar keys are not suggested for an unknown one
TYPING_ERROR_SIMILARITY = 0.8  # from here on the most similar key is the only suggestion


class ConfigError(ClutchlightError):
    """A TOML file that is missing, not TOML, or has wrong keys or values; one line of text per problem."""


def config_path(name: str) -> Path:
    """The path of a file that is shipped in ``configs``, for example ``config_path("settings.toml")``.

    Raises ConfigError if the installation lacks it.
    """
    path = Path(str(resources.files("configs").joinpath(name)))
    if not path.is_file():
        raise ConfigError(f"{path}: this file is part of the program and is missing; install the program again.")
    return path


def require_ordered_ranges(model: ModelT) -> ModelT:
    """The model itself, if each of its pairs has the lower value first. To be used as the last validator.

    Raises ValueError with the name of the pair.
    """
    for name, value in model:
        if isinstance(value, tuple) and value[0] > value[1]:
            raise ValueError(f"{name} must give the lower value first, got [{value[0]}, {value[1]}]")
    return model


def read_toml(path: Path, model: type[ModelT], *, defaults: Mapping[str, Any] | None = None) -> ModelT:
    """The file's content as ``model``. Keys that the file does not have are taken from ``defaults``.

    Types are not converted: "5" is not a number and 1 is not a truth value. But an integer may stand for a float, and
    an ISO string for a date. The model must forbid extra keys, or typing errors are not noticed.

    Raises ConfigError, which lists all problems of the file.
    """
    text = _read_text(path)
    content = _parse(path, text)
    merged = _merge(defaults or {}, content)
    try:
        return model.model_validate_json(json.dumps(merged, default=_iso), strict=True)
    except ValidationError as error:
        lines = _key_lines(text)
        problems = sorted(
            (_line_of(lines, problem["loc"]) or 0, _describe(path, problem, lines, model)) for problem in error.errors()
        )
        raise ConfigError("\n".join(text for _, text in problems)) from None


def _read_text(path: Path) -> str:
    try:
        raw = path.read_bytes() if path.stat().st_size <= MAXIMUM_BYTES else None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}.") from None
    if raw is None:
        raise ConfigError(f"{path}: larger than {MAXIMUM_BYTES} bytes, so it is not a settings file.")
    try:
        # Editors on Windows add a byte order mark, which TOML does not allow.
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise ConfigError(f"{path}, line {line}: not UTF-8 text; save the file as UTF-8.") from None
    return text.replace("\r\n", "\n")


def _parse(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError(f"{path}: not valid TOML: nested too deeply.") from None
    except tomllib.TOMLDecodeError as error:
        place = re.search(r" \(at line (\d+), column (\d+)\)", str(error))
        line = int(place[1]) if place else text.rstrip("\n").count("\n") + 1
        what = str(error).split(" (at ")[0]
        written = text.split("\n")[line - 1]
        key = written.split("=")[0].strip() if "=" in written else ""
        named = f", key '{key}'" if key and not key.startswith("#") else ""
        column = f" (column {place[2]})" if place else " (the file ends too early)"
        raise ConfigError(f"{path}, line {line}{named}: not valid TOML: {what}{column}.") from None


def _iso(value: object) -> str:
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    raise TypeError(f"TOML has no type {type(value).__name__}")


def _merge(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(below)
    for key, value in above.items():
        under = merged.get(key)
        if isinstance(under, Mapping) and isinstance(value, Mapping):
            merged[key] = _merge(under, value)
        else:
            merged[key] = value
    return merged


def _key_lines(text: str) -> dict[KeyPath, int]:
    """Line, from 1, of every key and table of a valid TOML text.

    tomllib gives no line numbers. But each statement of a valid file is valid by itself, and no part of it that stops
    at an earlier line end is. So lines are collected until they parse, and their keys get the number of the first line.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    statement, first_line = "", 1
    for number, line in enumerate(text.split("\n"), start=1):
        statement, first_line = (f"{statement}\n{line}", first_line) if statement else (line, number)
        try:
            content = tomllib.loads(statement)
        except tomllib.TOMLDecodeError:
            continue
        if statement.lstrip().startswith("["):
            table = _enter(content, counts)
            for end in range(1, len(table) + 1):
                lines.setdefault(table[:end], first_line)
        else:
            for path in _paths(content):
                lines.setdefault(table + path, first_line)
        statement = ""
    return lines


def _enter(header: dict[str, Any], counts: dict[KeyPath, int]) -> KeyPath:
    """The path of the table that ``[a.b]`` or ``[[a.b]]`` opens.

    header : as parsed;  counts : of the tables of each array so far, counted on here
    """
    path: KeyPath = ()
    node: Any = header
    while node:
        key, node = next(iter(node.items()))
        path = (*path, key)
        if isinstance(node, list):
            counts[path] = counts.get(path, 0) + 1
            node = node[0]
        if path in counts:
            path = (*path, counts[path] - 1)
    return path


def _paths(content: Any) -> Iterator[KeyPath]:
    if isinstance(content, dict):
        items: list[tuple[str | int, Any]] = list(content.items())
    else:
        items = list(enumerate(content)) if isinstance(content, list) else []
    for key, value in items:
        yield (key,)
        yield from ((key, *rest) for rest in _paths(value))


def _line_of(lines: Mapping[KeyPath, int], location: KeyPath) -> int | None:
    for end in range(len(location), 0, -1):
        if location[:end] in lines:
            return lines[location[:end]]
    return None


def _describe(path: Path, problem: ErrorDetails, lines: Mapping[KeyPath, int], model: type[BaseModel]) -> str:
    location = problem["loc"]
    line = _line_of(lines, location)
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(".")
    place = f"{path}" + (f", line {line}" if line else "") + (f", key '{key}'" if key else "")
    if problem["type"] == "extra_forbidden":
        valid = _fields(model, location[:-1])
        unused = [name for name in valid if (*location[:-1], name) not in lines]
        return f"{place}: unknown key{_suggestion(str(location[-1]), valid, unused)}"
    if problem["type"] == "missing":
        return f"{place}: missing; add it."
    what = problem["msg"].removeprefix("Value error, ").replace("Input should be", "expected")
    given = problem["input"]
    return f"{place}: {what}" + ("" if isinstance(given, dict | list) else f", got {given!r}") + "."


def _suggestion(key: str, valid: list[str], unused: list[str]) -> str:
    """valid, unused : all keys of the table, and those that the file does not have already"""
    similar = difflib.get_close_matches(key, unused, n=3, cutoff=MINIMUM_SIMILARITY)
    if similar and difflib.SequenceMatcher(None, key, similar[0]).ratio() >= TYPING_ERROR_SIMILARITY:
        return f"; did you mean '{similar[0]}'?"
    quoted = [f"'{name}'" for name in similar]
    choice = " or ".join(filter(None, [", ".join(quoted[:-1]), *quoted[-1:]]))
    return f"{f'; did you mean {choice}?' if choice else '.'} Valid keys here: {', '.join(sorted(valid)) or 'none'}."


def _fields(model: type[BaseModel], location: KeyPath) -> list[str]:
    """The keys that the table at ``location`` may have."""
    for part in location:
        if isinstance(part, int):
            continue
        inner = _model_within(model.model_fields[part].annotation) if part in model.model_fields else None
        if inner is None:
            return []
        model = inner
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_within(annotation: Any) -> type[BaseModel] | None:
    """The model ``M`` of the annotations ``M``, ``tuple[M, ...]``, ``dict[str, M]`` and ``M | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_within(part))), None)
