"""Catalogues of translated sentences, read from their ``.po`` files. Nothing has to be compiled when they change."""

from __future__ import annotations

import io
from collections.abc import Mapping
from functools import cache
from gettext import GNUTranslations, NullTranslations, c2py
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

__all__ = [
    "SOURCE_LANGUAGE",
    "STORED",
    "languages",
    "read_catalogue",
    "script_sentences",
    "stored_messages",
    "translations",
]

SOURCE_LANGUAGE = "en"
STORED = "stored"
"""The context of what results say in English, and pages in their own language."""
PLURAL_NUMBERS = 200  # from there on, the plural depends on the last two digits, in all languages that CLDR knows

_FOLDER = files("pipeline.language") / "catalogues"


@cache
def languages() -> tuple[str, ...]:
    """The languages that pages can be in, as BCP 47 tags."""
    names = sorted(path.name.removesuffix(".po") for path in _FOLDER.iterdir() if path.name.endswith(".po"))
    return SOURCE_LANGUAGE, *names


@cache
def read_catalogue(language: str) -> Catalog:
    """The catalogue of a language other than English."""
    from babel.messages.pofile import read_po

    return read_po(io.BytesIO((_FOLDER / f"{language}.po").read_bytes()), locale=language)


@cache
def translations(language: str) -> NullTranslations:
    """The sentences of a language, by those of the source."""
    if language == SOURCE_LANGUAGE:
        return NullTranslations()
    from babel.messages.mofile import write_mo

    compiled = io.BytesIO()
    write_mo(compiled, read_catalogue(language))
    compiled.seek(0)
    return GNUTranslations(compiled)


@cache
def stored_messages(language: str) -> Mapping[str, str]:
    """What results may say, with its translation."""
    if language == SOURCE_LANGUAGE:
        return {}
    messages = read_catalogue(language)
    found = [(str(one.id), str(one.string)) for one in messages if one.context == STORED and one.string]
    return dict(found)


@cache
def script_sentences(language: str, folder: str) -> dict[str, object]:
    """The sentences of the pages' scripts, to be handed over as JSON.

    folder : part of the path of those that are meant
    plural : which form each number takes, a digit for each from 0 on;  sentences : by those of the source, all forms
    """
    if language == SOURCE_LANGUAGE:
        return {}
    catalogue = read_catalogue(language)
    sentences: dict[str, str | list[str]] = {}
    for message in catalogue:
        if any(folder in path for path, _ in message.locations) and message.id:
            key = message.id if isinstance(message.id, str) else message.id[0]
            key = f"{message.context}\4{key}" if message.context else key
            sentences[key] = message.string if isinstance(message.string, str) else list(message.string or ())
    form_of = c2py(catalogue.plural_expr)
    return {"plural": "".join(str(int(form_of(n))) for n in range(PLURAL_NUMBERS)), "sentences": sentences}
