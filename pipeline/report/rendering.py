"""Pages from templates: every value escaped, missing values are errors, nothing loaded from outside.

Templates translate their sentences as modules do, by ``gettext`` and ``ngettext``. There both escape the values, and
what is to stand out in a sentence is a value made by ``bold`` or ``link``.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from pipeline.formatting import sentence_case
from pipeline.language import translation
from pipeline.language.catalogue import script_sentences
from pipeline.language.stored_text import stored_text
from pipeline.language.style import current_language, number_text

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

__all__ = ["page_environment", "render"]


def render(template: str, **values: Any) -> bytes:
    """The page as UTF-8. Every value is escaped. Raises UndefinedError for a value that the template lacks."""
    page = page_environment("pipeline.report").get_template(template).render(**values)
    # A file name that is not valid Unicode is shown with its invalid bytes as escapes.
    return (page.rstrip() + "\n").encode("utf-8", "backslashreplace")


@cache
def page_environment(package: str) -> Environment:
    """The environment of the templates in the folder ``templates`` of a package."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {
        "bold": _bold,
        "code": _code,
        "current_language": current_language,
        "gettext": _gettext,
        "kbd": _kbd,
        "keyed": _keyed,
        "link": _link,
        "ngettext": _ngettext,
        "number_text": number_text,
        "pgettext": _pgettext,
        "script_sentences": _script_sentences,
        "sentence_case": sentence_case,
        "stored_text": stored_text,
    }
    return environment


def _gettext(message: str, /, **values: object) -> Markup:
    return _filled(translation.gettext(message), values)


def _ngettext(singular: str, plural: str, number: int, /, **values: object) -> Markup:
    keep = {name: f"{{{name}}}" for name in values}  # they are filled in below, escaped
    return _filled(translation.ngettext(singular, plural, number, **keep), values)


def _pgettext(context: str, message: str, /, **values: object) -> Markup:
    return _filled(translation.pgettext(context, message), values)


def _filled(text: str, values: dict[str, object]) -> Markup:
    from markupsafe import escape

    return escape(text).format(**values) if values else escape(text)


def _bold(text: object) -> Markup:
    from markupsafe import Markup

    return Markup("<b>{}</b>").format(text)


def _code(text: str) -> Markup:
    from markupsafe import Markup

    return Markup("<code>{}</code>").format(text)


def _kbd(text: object) -> Markup:
    from markupsafe import Markup

    return Markup("<kbd>{}</kbd>").format(text)


def _keyed(label: str) -> Markup:
    """A label whose key is in brackets: underlined in a word, else by itself, as in "Si[g]n" and "undo [z]"."""
    from markupsafe import Markup, escape

    before, opening, rest = str(label).partition("[")
    if not opening:
        return escape(label)
    key, _, after = rest.partition("]")
    is_apart = before.endswith(" ") and not after
    return escape(before) + (_kbd(key) if is_apart else Markup("<u>{}</u>").format(key)) + escape(after)


def _script_sentences(folder: str) -> dict[str, object]:
    """What the scripts of a page need to speak its language. folder : part of their path"""
    return {"decimal_mark": number_text(0.5, ".1f")[1], **script_sentences(current_language(), folder)}


def _link(text: object, address: str) -> Markup:
    from markupsafe import Markup

    return Markup('<a href="{}">{}</a>').format(address, text)
