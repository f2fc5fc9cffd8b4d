"""Sentences of the pages in the language in use. Values have names, so that a language may order them as it likes."""

from __future__ import annotations

from pipeline.language.catalogue import translations
from pipeline.language.style import current_language, number_text

__all__ = ["gettext", "mark", "ngettext", "pgettext", "stored"]


def gettext(message: str, /, **values: object) -> str:
    """The sentence, with its values.

    >>> gettext("Signed by {name}.", name="Orla Finch")
    'Signed by Orla Finch.'
    """
    return _filled(translations(current_language()).gettext(message), values)


def ngettext(singular: str, plural: str, number: int, /, **values: object) -> str:
    """The sentence in the form that goes with a number, which is its value ``number``.

    >>> ngettext("{number} egg", "{number} eggs", 1), ngettext("{number} egg", "{number} eggs", 1200)
    ('1 egg', '1,200 eggs')
    """
    text = translations(current_language()).ngettext(singular, plural, number)
    return _filled(text, {"number": number_text(number), **values})


def pgettext(context: str, message: str, /, **values: object) -> str:
    """The same for words that need to say where they stand, as those that another language tells apart."""
    return _filled(translations(current_language()).pgettext(context, message), values)


def mark(message: str) -> str:
    """The message itself, which is put into a catalogue here and translated where it is shown, by `gettext`."""
    return message


def stored(message: str) -> str:
    """The message itself, which results store, and which `stored_text` translates where it is shown."""
    return message


def _filled(text: str, values: dict[str, object]) -> str:
    return text.format(**values) if values else text
