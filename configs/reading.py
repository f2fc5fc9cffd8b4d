"""TOML files to validated values, with every mistake named by file, line and key."""

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

# A settings or side file is a page or two; anything larger is some other file under a wrong name.
MAXIMUM_BYTES = 1 << 20


class ConfigError(ClutchlightError):
    """A TOML file that is missing, not TOML, or has wrong keys or values; one line of text per problem."""


def config_path(name: str) -> Path:
    """Where a file shipped in ``configs`` lies, for example ``config_path("settings.toml")``.

    Raises ConfigError if the installation lacks it.
    """
    path = Path(str(resources.files("configs").joinpath(name)))
    if not path.is_file():
        raise ConfigError(f"{path}: this file belongs to the program and is missing; install it again.")
    return path


def require_ordered_ranges(model: ModelT) -> ModelT:
    """The same model, if each of its pairs gives the lower value first; for use as a validator after all others.

    Raises ValueError with the pair's name.
    """
    for name, value in model:
        if isinstance(value, tuple) and value[0] > value[1]:
            raise ValueError(f"{name} must give the lower value first, got [{value[0]}, {value[1]}]")
    return model


def read_toml(path: Path, model: type[ModelT], *, defaults: Mapping[str, Any] | None = None) -> ModelT:
    """The file's content as ``model``; keys that it does not give are taken from ``defaults``.

    Types are not converted: "5" is no number and 1 is no truth value; a whole number may stand for a
    float, an ISO string for a date. The model should forbid extra keys, else typing errors pass unseen.

    Raises ConfigError, which lists all problems of the file at once.
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
        raise ConfigError(f"{path}: larger than {MAXIMUM_BYTES} bytes, which no settings file is.")
    try:
        # Editors on Windows put a byte order mark in front, which TOML does not know.
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
    raise TypeError(f"TOML has no values of type {type(value).__name__}")


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

    tomllib tells no lines. But a statement of a valid file is valid by itself, and no beginning of it that
    ends at a line's end is; so lines are gathered until they parse, and their keys lie where they began.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    statement, began = "", 1
    for number, line in enumerate(text.split("\n"), start=1):
        statement, began = (f"{statement}\n{line}", began) if statement else (line, number)
        try:
            content = tomllib.loads(statement)
        except tomllib.TOMLDecodeError:
            continue
        if statement.lstrip().startswith("["):
            table = _enter(content, counts)
            for end in range(1, len(table) + 1):
                lines.setdefault(table[:end], began)
        else:
            for path in _paths(content):
                lines.setdefault(table + path, began)
        statement = ""
    return lines


def _enter(header: dict[str, Any], counts: dict[KeyPath, int]) -> KeyPath:
    """The path of the table that ``[a.b]`` or ``[[a.b]]`` opens, given as parsed; counts arrays' tables."""
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
        return f"{place}: unknown key{_suggestion(str(location[-1]), _fields(model, location[:-1]))}"
    if problem["type"] == "missing":
        return f"{place}: missing; add it."
    what = problem["msg"].removeprefix("Value error, ").replace("Input should be", "expected")
    given = problem["input"]
    return f"{place}: {what}" + ("" if isinstance(given, dict | list) else f", got {given!r}") + "."


def _suggestion(key: str, valid: list[str]) -> str:
    near = difflib.get_close_matches(key, valid, n=1, cutoff=0.5)
    return f"; did you mean '{near[0]}'?" if near else f"; valid here: {', '.join(sorted(valid)) or 'none'}."


def _fields(model: type[BaseModel], location: KeyPath) -> list[str]:
    """Keys that the table at ``location`` may have."""
    for part in location:
        if isinstance(part, int):
            continue
        inner = _model_within(model.model_fields[part].annotation) if part in model.model_fields else None
        if inner is None:
            return []
        model = inner
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_within(annotation: Any) -> type[BaseModel] | None:
    """The model in ``M``, ``tuple[M, ...]``, ``dict[str, M]`` or ``M | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := _model_within(part))), None)
