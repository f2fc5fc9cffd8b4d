"""Stored sentences in another language: all flags, with values that are translated themselves, and nothing else."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.estimate.flags.catalogue import (
    FLAG_DEFINITIONS,
    NONE_PASSED_TEXT,
    clutch_advice,
    next_sweep_advice,
    passed_text,
    species_text,
)
from pipeline.estimate.flags.raised_flag import RaisedFlag
from pipeline.estimate.results import PassedEggs
from pipeline.ingest.quality.clip_quality import HINTS, ClipQuality
from pipeline.language.stored_text import stored_text
from pipeline.language.style import page_style, stored_style

CODES = sorted(FLAG_DEFINITIONS)


@pytest.mark.parametrize("code", CODES)
def test_every_flag_is_translated_with_its_values(code: str) -> None:
    values = {name: f"<{name}>" for name in FLAG_DEFINITIONS[code].placeholders}
    numbers = {name: 7 for name in values if name in ("number", "low", "high", "first", "last")}
    flag = RaisedFlag.of(code, **{**values, **numbers}).flag
    for text in (flag.reason, flag.advice, flag.rescan):
        if text and not text.startswith("<"):
            with page_style("de"):
                translated = stored_text(text)
            assert translated != text
            assert all(str(value) in translated for value in {**values, **numbers}.values() if str(value) in text)


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("Only 82 % sure of the stage (calcified).", "Das Stadium (verkalkt) ist nur zu 82 % sicher."),
        (
            "Possible egg or follicle, not counted: left-1.mp4, frames 4 to 9 and right and left.mp4, frames 30 to 41; "
            "left-2.mp4, frames 7 to 8.",
            "Vielleicht ein Ei oder Follikel, nicht gezählt: left-1.mp4, Bilder 4 bis 9 und right and left.mp4, "
            "Bilder 30 bis 41; left-2.mp4, Bilder 7 bis 8.",
        ),
        (
            "number 3 (41 mm long), number 5 and number 8",
            "Nummer 3 (41 mm long), Nummer 5 und Nummer 8",
        ),
        (
            "Fewer shelled eggs than on 3 May 2026: 2 now, 5 then, and 1 is known to have left her since.",
            "Weniger beschalte Eier als am 3. Mai 2026: jetzt 2, damals 5, und 1 ging seither bekanntermaßen ab.",
        ),
        (
            "5 shelled eggs: more than the usual clutch of 2 to 4.",
            "5 beschalte Eier: mehr als das übliche Gelege von 2 bis 4.",
        ),
        ("dark, uneven", "dunkel, ungleichmäßig"),
        ("strong shell, yolk visible: newly shelled", "kräftige Schale, Dotter sichtbar: frisch beschalt"),
        ("12 too dark, 3 no contact", "12 zu dunkel, 3 ohne Kontakt"),
        ("left window only", "nur ein Fenster: links"),
        ("Number 3: flagged, thin-shelled", "Nummer 3: auffällig, dünnschalig"),
        ("left and right.mp4", "left and right.mp4"),
        ("A sentence of an earlier version.", "A sentence of an earlier version."),
        ("0.5", "0,5"),
        ("", ""),
    ],
)
def test_sentences_with_their_values(english: str, german: str) -> None:
    with page_style("de"):
        assert stored_text(english) == german
    assert stored_text(english) == english


def test_parts_of_flags_are_translated() -> None:
    parts = [
        *HINTS.values(),
        *(next_sweep_advice(probe_turned=one, both_windows=other) for one in (True, False) for other in (True, False)),
        *(clutch_advice(larger=larger) for larger in (True, False)),
        species_text(None),
        species_text("Emys orbicularis"),
        NONE_PASSED_TEXT,
        passed_text(PassedEggs(1)),
        passed_text(PassedEggs(3)),
        str(ClipQuality((("no contact", 3),), (0.1, 0.9)).hint),
        ClipQuality((("colour Doppler", 3), ("frozen", 2), ("saturated", 1), ("too fast", 1))).causes_text,
    ]
    with page_style("de"):
        assert [text for text in parts if stored_text(text) == text] == []


def test_stored_style_is_english_whatever_the_page_is_in() -> None:
    with page_style("de"), stored_style():
        assert stored_text("calcified") == "calcified"


@given(st.text())
def test_any_text_can_be_asked_for(text: str) -> None:
    with page_style("de"):
        assert isinstance(stored_text(text), str)
