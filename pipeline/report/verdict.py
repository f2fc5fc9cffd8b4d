"""What stands largest on a sheet: the count of shelled eggs, how far it can be trusted, and what stayed uncertain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.estimate.results import Count, ExamFinding
from pipeline.formatting import percent
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, ngettext
from pipeline.report.follicle_text import follicles_only_text
from pipeline.report.range_bar import RangeBar
from pipeline.report.sign_off import SignOff, signed_range_text
from pipeline.report.text import interval_text, scan_text, shelled_count_text, shelled_text, windows_text
from pipeline.scan.clip_scan import ClipScan

__all__ = ["NOT_SIGNED", "Signing", "Verdict", "exam_verdict", "headline", "shelled_bar", "uncertain_text"]


@dataclass(frozen=True)
class Verdict:
    """The count of shelled eggs. figure : a number if ``is_number``, else a few words such as "none seen"

    label, range : what the figure counts, and its 90 % range; both empty if she was not scanned
    explanation : how far the figure can be trusted;  bar : the range drawn, None if there is none
    uncertain : what was seen and not counted, empty if there is nothing
    program : the program's own count, where people signed another one or the same; empty if nobody signed
    """

    figure: str
    label: str
    range: str
    explanation: str
    is_number: bool = False
    bar: RangeBar | None = None
    uncertain: str = ""
    program: str = ""


@dataclass(frozen=True)
class Signing:
    """Who signed the exam, None if nobody did;  program_count : what the program found on its own"""

    sign_off: SignOff | None = None
    program_count: Count | None = None


NOT_SIGNED = Signing()


def headline(finding: ExamFinding, sign_off: SignOff | None) -> str:
    """The count in a few words, for titles."""
    if sign_off is not None:
        return gettext("{count}, signed", count=shelled_count_text(sign_off.shelled))
    if _is_follicles_only(finding):
        return gettext("follicles only; no shelled egg seen")
    return shelled_count_text(finding.shelled)


def _is_follicles_only(finding: ExamFinding) -> bool:
    return not finding.shelled.estimate and finding.follicles.estimate > 0


def exam_verdict(finding: ExamFinding, clips: Sequence[ClipScan], is_scanned: bool, signing: Signing) -> Verdict:
    """What stands largest on the sheet: what was signed, else what the program found."""
    sign_off = signing.sign_off
    if sign_off is not None:
        return _signed_verdict(sign_off, signing.program_count if is_scanned else None)
    if not is_scanned:
        explanation = gettext("No recording of this exam could be used. Nothing is known about eggs.")
        return Verdict(gettext("not scanned"), "", "", explanation)
    shelled, uncertain = finding.shelled, uncertain_text(len(finding.uncounted))
    bar = shelled_bar(shelled)
    if _is_follicles_only(finding):
        windows = stored_text(windows_text(clips))
        explanation = follicles_only_text(finding.stage_probability, windows, scan_text(clips))
        figure, label = gettext("follicles only"), gettext("No shelled egg seen")
        return Verdict(figure, label, interval_text(shelled), explanation, bar=bar, uncertain=uncertain)
    if not shelled.estimate:
        explanation = gettext("“None seen” does not mean none: judge it by how well she was scanned.")
        figure, label = gettext("none seen"), gettext("No shelled egg was seen")
        return Verdict(figure, label, interval_text(shelled), explanation, bar=bar, uncertain=uncertain)
    return Verdict(
        figure=str(shelled.estimate),
        label=ngettext("shelled egg", "shelled eggs", shelled.estimate),
        range=interval_text(shelled),
        explanation=gettext(
            "At least {number} if every detection is right. {probability} sure to be within one egg of the number that "
            "the sweeps crossed. Eggs out of reach of the scanned windows are not counted.",
            number=shelled.at_least,
            probability=percent(finding.confidence),
        ),
        is_number=True,
        bar=bar,
        uncertain=uncertain,
    )


def _signed_verdict(sign_off: SignOff, program_count: Count | None) -> Verdict:
    """The count as it was signed. What people confirmed has no range, and "if every detection is right" is answered."""
    shelled = sign_off.shelled
    basis = (
        gettext("Every object was answered.")
        if sign_off.is_confirmed
        else gettext("At least {number} were seen.", number=shelled.at_least)
    )
    program = (
        ""
        if program_count is None
        else gettext("The program found on its own: {count}.", count=shelled_text(program_count))
    )
    is_number = shelled.estimate > 0
    figure = str(shelled.estimate) if is_number else gettext("none seen")
    label = (
        ngettext("shelled egg", "shelled eggs", shelled.estimate) if is_number else gettext("No shelled egg was seen")
    )
    return Verdict(
        figure=figure,
        label=label,
        range=signed_range_text(sign_off),
        explanation=gettext(
            "Signed by {name}, {role}. {basis} Eggs out of reach of the scanned windows are not counted.",
            name=sign_off.name,
            role=sign_off.role,
            basis=basis,
        ),
        is_number=is_number,
        bar=None if sign_off.is_confirmed else shelled_bar(shelled),
        program=program,
    )


def shelled_bar(shelled: Count, top: float | None = None) -> RangeBar:
    """The range on a scale from 0 to ``top``, by default a little more than the range."""
    low, high = shelled.interval90
    scale = max(10.0, float(high)) if top is None else top
    text = gettext("{count}, on a scale to {end}", count=shelled_text(shelled), end=f"{scale:.0f}")
    return RangeBar.of(low, shelled.estimate, high, scale, text)


def uncertain_text(number: int) -> str:
    """How many objects were not counted; "" if there are none."""
    if not number:
        return ""
    return ngettext(
        "{number} uncertain object not counted: see the picture.",
        "{number} uncertain objects not counted: see the pictures.",
        number,
    )
