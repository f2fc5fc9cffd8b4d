"""All sentences of the pages, collected from the sources into a catalogue without translations.

In modules these are the messages of `pipeline.language.translation`, and what results and errors say in English: texts
of flags, of clips that were refused, of requests that were not carried out. Such a text may be a formatted string; its
values then have the names that they have in the source. In templates and scripts they are the messages of the functions
of the same names.
"""

from __future__ import annotations

import ast
import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.language.catalogue import STORED

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

__all__ = ["extracted_catalogue", "written"]

# Calls with English texts, in the order of their arguments; `stored` is for texts that are not given to one of these.
ERRORS = frozenset(
    {
        "AnswerRejected",
        "CaseError",
        "ClipError",
        "ExamProblem",
        "FlagDefinition",
        "FrameUnavailableError",
        "_CellError",
        "_error_page",
        "error_response",
        "stored",
    }
)
FUNCTIONS = ("gettext", "ngettext", "pgettext", "mark")
HEADER = """\
# Sentences of the pages of Clutchlight.
# Collected from the sources by: python .ci/catalogues.py
#"""

Found = tuple[str | tuple[str, str], str | None, int]
"""A message, or singular and plural; its context, and its line."""


def extracted_catalogue(root: Path) -> Catalog:
    """root : the folder that holds ``pipeline``"""
    from babel.messages.catalog import Catalog

    catalogue = Catalog(
        project="Clutchlight", header_comment=HEADER, charset="utf-8", fuzzy=False, copyright_holder=None, version=None
    )
    readers = {".py": _of_module, ".j2": _of_template, ".js": _of_script}
    for path in sorted((root / "pipeline").rglob("*")):
        reader = readers.get(path.suffix)
        if reader is not None:
            for message, context, line in reader(path.read_text(encoding="utf-8")):
                name = path.relative_to(root).as_posix()
                catalogue.add(message, locations=[(name, line)], context=context)
    for one in catalogue:
        one.flags.clear()  # "90 % range" is no format
    return catalogue


def written(catalogue: Catalog) -> bytes:
    """As a ``.po`` file, with the files of each message but not the lines, which change with every edit."""
    from babel.messages.pofile import write_po

    for message in catalogue:
        message.flags.discard("python-format")
        message.flags.discard("python-brace-format")
    file = io.BytesIO()
    write_po(file, catalogue, width=120, include_lineno=False, ignore_obsolete=True, sort_output=False)
    lines = file.getvalue().split(b"\n")
    # Dates would make every file new, and the versions of tools say nothing.
    dropped = tuple(
        f'"{name}'.encode()
        for name in (
            "Generated-By",
            "Language-Team",
            "Last-Translator",
            "PO-Revision-Date",
            "POT-Creation-Date",
            "Project-Id-Version",
            "Report-Msgid-Bugs-To",
        )
    )
    return b"\n".join(line for line in lines if not line.startswith(dropped))


def _of_module(source: str) -> Iterator[Found]:
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        function = node.func
        name = (
            function.id
            if isinstance(function, ast.Name)
            else function.attr
            if isinstance(function, ast.Attribute)
            else ""
        )
        if name in ERRORS:
            # Of a clip, the reason is stored without its name.
            texts = [(_text(argument) or "").removeprefix("{name}: ") for argument in node.args]
            yield from ((text, STORED, node.lineno) for text in texts if _is_message(text, name))
        elif name in FUNCTIONS:
            yield from _message(name, [_text(argument) for argument in node.args], node.lineno)


def _of_template(source: str) -> Iterator[Found]:
    from jinja2 import Environment
    from jinja2.ext import extract_from_ast

    tree = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).parse(source)
    for line, name, texts in extract_from_ast(tree, FUNCTIONS, babel_style=False):
        yield from _message(name, _texts(texts), line)


def _of_script(source: str) -> Iterator[Found]:
    from babel.messages.extract import extract_javascript

    found = extract_javascript(
        io.BytesIO(source.encode()), dict.fromkeys(FUNCTIONS), (), {"encoding": "utf-8", "parse_template_string": True}
    )
    for line, name, texts, _ in found:
        yield from _message(str(name), _texts(texts), line)


def _texts(found: object) -> list[str | None]:
    """The texts of one call, of which some may be none."""
    texts = found if isinstance(found, list | tuple) else (found,)
    return [text if isinstance(text, str) else None for text in texts]


def _message(function: str, texts: list[str | None], line: int) -> Iterator[Found]:
    """The message of one call. Messages that a call gets by a name are marked where they are written."""
    first, second = [*texts, None, None][:2]
    if function == "ngettext" and first and second:
        yield (first, second), None, line
    elif function == "pgettext" and first and second:
        yield second, first, line
    elif function in ("gettext", "mark") and first:
        yield first, None, line


def _text(node: ast.expr) -> str | None:
    """A string of the source, with the values of a formatted one as ``{name}``; None if it is no string."""
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else None
    if not isinstance(node, ast.JoinedStr):
        return None
    parts, names = [], set[str]()
    for place, part in enumerate(node.values):
        if isinstance(part, ast.Constant):
            parts.append(str(part.value))
        elif isinstance(part, ast.FormattedValue):
            name = _name(part.value).lower() or f"value{place}"
            while name in names:
                name += "_"
            names.add(name)
            parts.append(f"{{{name}}}")
    return "".join(parts)


def _name(node: ast.expr) -> str:
    if isinstance(node, ast.Name):
        return node.id
    return node.attr if isinstance(node, ast.Attribute) else ""


def _is_message(text: str, function: str) -> bool:
    """Not the name of a column, and more than values."""
    return function == "stored" or (" " in text and bool(re.search(r"[a-z]", re.sub(r"\{\w+\}", "", text))))
