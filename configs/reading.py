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
from typing import Any, BinaryIO, Literal, Protocol, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from models.errors import ClutchlightError
from models.printable import printable, shortened

__all__ = ["ConfigError", "config_path", "read_toml", "require_ordered_ranges"]

ModelT = TypeVar("ModelT", bound=BaseModel)
KeyPath = tuple[str | int, ...]

# Common practice, no source: a settings file or side file has a page or two, so anything larger is another file under a
# wrong name. The bounds also keep the time short, since parsing and finding line numbers take more than linear time.
MAXIMUM_BYTES = 1 << 16
MAXIMUM_LINES = 2000
MAXIMUM_LINE_LENGTH = 1000  # characters; Python converts no number of more than 4300 digits
MAXIMUM_DEPTH = 8  # of tables and arrays within each other
MAXIMUM_STATEMENT_LINES = 100  # after a longer statement, messages give no line numbers
MAXIMUM_PROBLEMS = 20  # that a message lists
MAXIMUM_INTEGER = 2**63 - 1  # TOML 1.0.0, "Integer": 64 bits
MINIMUM_SIMILARITY = 0.5  # of difflib, 0 to 1: less similar keys are not suggested for an unknown one
TYPING_ERROR_SIMILARITY = 0.8  # from here on the most similar key is the only suggestion


class TomlFile(Protocol):
    """A `Path`, or what can be opened in the same way."""

    def open(self, mode: Literal["rb"], /) -> BinaryIO: ...


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


def read_toml(path: TomlFile, model: type[ModelT], *, defaults: Mapping[str, Any] | None = None) -> ModelT:
    """The file's content as ``model``. Keys that the file does not have are taken from ``defaults``.

    Types are not converted: "5" is not a number and 1 is not a truth value. But an integer may stand for a float, and
    an ISO string for a date. The model must forbid extra keys, or typing errors are not noticed.

    Raises ConfigError, which lists all problems of the file.
    """
    text = _read_text(path)
    content = _parse(path, text)
    reason = _refusal(content)
    if reason is not None:
        raise ConfigError(f"{printable(path)}: {reason}")
    merged = _merge(defaults or {}, content)
    try:
        return model.model_validate_json(json.dumps(merged, default=_iso), strict=True)
    except ValidationError as error:
        lines = _key_lines(text)
        problems = sorted(error.errors(), key=lambda problem: _line_of(lines, problem["loc"]) or 0)
        listed = sorted(
            (_line_of(lines, problem["loc"]) or 0, _describe(path, problem, lines, model))
            for problem in problems[:MAXIMUM_PROBLEMS]
        )
        further = len(problems) - len(listed)
        more = [f"{printable(path)}: {further} more problems; correct these first."] if further else []
        raise ConfigError("\n".join([*(text for _, text in listed), *more])) from None


def _read_text(path: TomlFile) -> str:
    name = printable(path)
    try:
        with path.open("rb") as file:
            raw = file.read(MAXIMUM_BYTES + 1)
    except OSError as error:
        raise ConfigError(f"{name}: cannot be read: {error.strerror or error}.") from None
    if len(raw) > MAXIMUM_BYTES:
        raise ConfigError(f"{name}: larger than {MAXIMUM_BYTES} bytes, so it is not a settings file.")
    try:
        # Editors on Windows add a byte order mark, which TOML does not allow.
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise ConfigError(f"{name}, line {line}: not UTF-8 text; save the file as UTF-8.") from None
    text = text.replace("\r\n", "\n")
    lines = text.split("\n")
    if len(lines) > MAXIMUM_LINES:
        raise ConfigError(f"{name}: more than {MAXIMUM_LINES} lines, so it is not a settings file.")
    long = next((number for number, line in enumerate(lines, start=1) if len(line) > MAXIMUM_LINE_LENGTH), None)
    if long is not None:
        raise ConfigError(f"{name}, line {long}: longer than {MAXIMUM_LINE_LENGTH} characters; shorten it.")
    return text


def _parse(path: TomlFile, text: str) -> dict[str, Any]:
    name = printable(path)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ConfigError(f"{name}: not valid TOML: nested too deeply.") from None
    except tomllib.TOMLDecodeError as error:
        place = re.search(r" \(at line (\d+), column (\d+)\)$", str(error))  # keys may look like this further ahead
        line = int(place[1]) if place else text.rstrip("\n").count("\n") + 1
        what = shortened(str(error).rpartition(" (at ")[0])
        written = text.split("\n")[line - 1]
        key = written.split("=")[0].strip() if "=" in written else ""
        named = f", key '{shortened(key)}'" if key and not key.startswith("#") else ""
        column = f" (column {place[2]})" if place else " (the file ends too early)"
        raise ConfigError(f"{name}, line {line}{named}: not valid TOML: {what}{column}.") from None


def _refusal(value: Any, depth: int = 0) -> str | None:
    """Why a value of TOML is refused, whatever it is for, as the end of a sentence; None if it is not."""
    if isinstance(value, int):
        fits = -MAXIMUM_INTEGER - 1 <= value <= MAXIMUM_INTEGER
        return None if fits else "a whole number has more than 64 bits, which TOML does not allow; correct it."
    inner = list(value.values()) if isinstance(value, dict) else value if isinstance(value, list) else []
    if inner and depth >= MAXIMUM_DEPTH:
        return f"nested too deeply: more than {MAXIMUM_DEPTH} tables or arrays within each other."
    return next((reason for each in inner if (reason := _refusal(each, depth + 1))), None)


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
    That takes quadratic time, so it ends at a statement of more than ``MAXIMUM_STATEMENT_LINES``.
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
            if number - first_line >= MAXIMUM_STATEMENT_LINES:
                break
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


def _describe(path: TomlFile, problem: ErrorDetails, lines: Mapping[KeyPath, int], model: type[BaseModel]) -> str:
    location = problem["loc"]
    line = _line_of(lines, location)
    parts = (f"[{part + 1}]" if isinstance(part, int) else f".{shortened(part)}" for part in location)
    key = "".join(parts).removeprefix(".")
    place = f"{printable(path)}" + (f", line {line}" if line else "") + (f", key '{key}'" if key else "")
    if problem["type"] == "extra_forbidden":
        valid = _fields(model, location[:-1])
        unused = [name for name in valid if (*location[:-1], name) not in lines]
        return f"{place}: unknown key{_suggestion(shortened(str(location[-1])), valid, unused)}"
    if problem["type"] == "missing":
        return f"{place}: missing; add it."
    what = problem["msg"].removeprefix("Value error, ").replace("Input should be", "expected")
    given = problem["input"]
    return f"{place}: {printable(what)}" + ("" if isinstance(given, dict | list) else f", got {_shown(given)}") + "."


def _shown(value: object) -> str:
    return f"'{shortened(value)}'" if isinstance(value, str) else shortened(repr(value))


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
