"""The signs of a shell as text."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.report.shell_sign_text import shell_sign_text, shell_text

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


def test_signs_of_each_stage(clutch: ExampleExam) -> None:
    calcified, *_, thin, follicle = clutch.finding.eggs
    assert shell_sign_text(calcified) == "wall over 19 dB, 1.2 mm; shadow over 21 dB; inside dark, even"
    assert shell_sign_text(thin) == "wall 10 dB, 0.8 mm; shadow 5 dB; inside dark, even"
    assert shell_sign_text(follicle) == "brighter behind by 4 dB; inside grey with a brighter middle"


def test_only_shelled_eggs_have_a_shell_in_words(clutch: ExampleExam) -> None:
    calcified, *_, thin, follicle = clutch.finding.eggs
    assert [shell_text(egg) for egg in (calcified, thin, follicle, replace(thin, signs=None))] == [
        "strong shell, no yolk to be seen",
        "thin shell",
        "",
        "",
    ]


def test_what_could_not_be_measured_is_left_out(clutch: ExampleExam) -> None:
    egg = clutch.finding.eggs[0]
    assert egg.signs is not None
    assert shell_sign_text(replace(egg, signs=None)) == ""
    bare = replace(egg.signs, rim_db=None, shadow_db=None)
    assert shell_sign_text(replace(egg, signs=bare)) == "inside dark, even"
    assert "no shadow" in shell_sign_text(replace(egg, signs=replace(egg.signs, shadow_db=0.5, shadow_at_least=False)))
