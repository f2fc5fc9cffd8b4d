"""A language whose every message stands in brackets, so that what is in no catalogue shows on a page."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

from babel.messages.catalog import Catalog

from pipeline import settings_tables
from pipeline.language import catalogue, stored_text
from pipeline.language.extraction import extracted_catalogue

__all__ = ["PSEUDO", "bare_words", "page_texts", "pseudo_language", "template"]

ROOT = Path(__file__).parents[3]
PSEUDO = "en-XA"
READ_ATTRIBUTES = ("alt", "aria-label", "placeholder", "title", "data-label")


@cache
def template() -> Catalog:
    """All messages, as they are in the sources now."""
    return extracted_catalogue(ROOT)


@cache
def _pseudo_catalogue() -> Catalog:
    pseudo = Catalog(locale="en")
    for message in template():
        if message.id:
            forms = (message.id,) if isinstance(message.id, str) else message.id
            wrapped = tuple(f"⟦{form}⟧" if message.context != "decimal mark" else form for form in forms)
            string = wrapped[0] if isinstance(message.id, str) else wrapped
            pseudo.add(message.id, string, context=message.context, locations=message.locations)
    return pseudo


@contextmanager
def pseudo_language() -> Iterator[None]:
    """Inside it, pages may be in `PSEUDO`."""
    read, known = catalogue.read_catalogue, settings_tables.languages
    caches = (catalogue.translations, catalogue.stored_messages, catalogue.script_sentences, stored_text._patterns)
    catalogue.read_catalogue = lambda language: _pseudo_catalogue() if language == PSEUDO else read(language)
    settings_tables.languages = lambda: (*known(), PSEUDO)
    try:
        yield
    finally:
        catalogue.read_catalogue, settings_tables.languages = read, known
        for cached in caches:
            cached.cache_clear()


def bare_words(text: str, expected: set[str]) -> set[str]:
    """Words outside of all brackets, without those that are no sentence: names, files, units."""
    while (inner := re.sub(r"⟦[^⟦⟧]*⟧", " ", text)) != text:
        text = inner
    return set(re.findall(r"[A-Za-z]{3,}", text)) - expected


class _Texts(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.texts += [value for name, value in attrs if name in READ_ATTRIBUTES and value]
        if tag in ("style", "script", "code", "kbd"):
            self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag in self.inside:
            self.inside.remove(tag)

    def handle_data(self, data: str) -> None:
        if not self.inside:
            self.texts.append(data)


def page_texts(page: str) -> str:
    """What a page shows or reads out, one line for each text."""
    parser = _Texts()
    # A label's key is underlined within the word, and a sentence may have bold words: that parts no sentence.
    parser.feed(re.sub(r"</?(b|u|i|a|small|span|kbd)\b[^>]*>", "", page))
    return " ".join(parser.texts)
