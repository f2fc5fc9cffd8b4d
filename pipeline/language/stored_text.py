"""What results store in English, in the language of the pages.

Results say in sentences why an exam is flagged or a clip was refused, so that a result does not depend on who reads it.
Here such a sentence is compared with the messages that it may have been made of, which the catalogue has with their
placeholders; the values found in their places are put into the translation, translated themselves. What fits no
message, like a file's name or a sentence of an earlier version, stays as it is.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from string import Formatter

from pipeline.language.catalogue import SOURCE_LANGUAGE, STORED, stored_messages
from pipeline.language.style import current_language, number_text
from pipeline.language.translation import pgettext

__all__ = ["stored_pattern", "stored_text"]

CACHED_TEXTS = 20_000  # an index has thousands of rows, whose sentences are much alike
NUMBER = r"[+-]?\d[\d,]*(?:\.\d+)?"
# What values of these names look like, so that short messages do not match longer texts.
VALUES = dict.fromkeys(("number", "first", "last", "low", "high", "day"), NUMBER) | {
    "month": "[A-Z][a-z]+",
    "year": r"\d{4}",
}
PLACE = re.compile(r"(?P<clip>.+?), frames (?P<first>\d+) to (?P<last>\d+)(?P<joint> and |; |$)")


def stored_text(text: str) -> str:
    """The text in the language in use; as it is in English."""
    language = current_language()
    if language == SOURCE_LANGUAGE or not text:
        return text
    found = _translated(text, language, number_text(0.5, ".1f"))
    return text if found is None else found


@lru_cache(CACHED_TEXTS)
def _translated(text: str, language: str, half: str) -> str | None:
    """None if the text fits no message. half : the number 0.5 as it is written, on which the translation depends"""
    messages = stored_messages(language)
    if text in messages:
        return messages[text]
    if re.fullmatch(NUMBER, text):
        return text.translate(str.maketrans(".,", ",.")) if half == "0,5" else text
    places = _translated_places(text)
    if places is not None:
        return places
    for message, pattern in _patterns(language):
        found = pattern.fullmatch(text)
        if found is not None:
            return messages[message].format(**{name: stored_text(value) for name, value in found.groupdict().items()})
    for separator in ("; ", ", ", " and "):
        parts = text.split(separator)
        translated = [_translated(part, language, half) for part in parts] if len(parts) > 1 else [None]
        if None not in translated:
            joint = pgettext("list", " and ") if separator == " and " else separator
            return joint.join(map(str, translated))
    return None


def _translated_places(text: str) -> str | None:
    """A list of frames of clips, whose names may hold anything; None if the text is none."""
    found = list(PLACE.finditer(text))
    if "".join(one[0] for one in found) != text:
        return None
    joints = {" and ": pgettext("list", " and ")}
    places = (pgettext(STORED, "{clip}, frames {first} to {last}", **one.groupdict()) for one in found)
    return "".join(f"{place}{joints.get(one['joint'], one['joint'])}" for place, one in zip(places, found, strict=True))


@cache
def _patterns(language: str) -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Messages with placeholders, those with most fixed text first."""
    messages = [message for message in stored_messages(language) if "{" in message]
    messages.sort(key=lambda message: -len(re.sub(r"\{\w+\}", "", message)))
    return tuple((message, stored_pattern(message)) for message in messages)


def stored_pattern(message: str) -> re.Pattern[str]:
    """What matches the texts that a message gives, with its values as groups. A value may stand in several places."""
    parts: list[str] = []
    seen: set[str] = set()
    for fixed, name, _, _ in Formatter().parse(message):
        parts.append(re.escape(fixed))
        if name:
            value = VALUES.get(name, ".*?")
            parts.append(f"(?P={name})" if name in seen else f"(?P<{name}>{value})")
            seen.add(name)
    return re.compile("".join(parts), re.DOTALL)
