"""The catalogue of flags: reasons why a person should look at an exam. Their thresholds are in ``settings.toml``.

Flags are remarks, not verdicts: each says what was seen and what a person could do, and none says what is wrong with
the animal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from string import Formatter
from typing import get_args

from pipeline.estimate.results import Flag, PassedEggs, Severity

__all__ = [
    "FLAG_DEFINITIONS",
    "NONE_PASSED_TEXT",
    "SEVERITIES",
    "FlagDefinition",
    "by_urgency",
    "clutch_advice",
    "next_sweep_advice",
    "passed_text",
    "species_text",
    "within_one_text",
]

SEVERITIES: tuple[Severity, ...] = get_args(Severity)
"""Most urgent first."""


@dataclass(frozen=True)
class FlagDefinition:
    """severity : how urgent it is;  reason_template : a sentence with placeholders for what was found

    advice_template : what a person could do, with the same kind of placeholders; empty where the reason says it all
    rescan_template : what to scan again and why, for whoever scans; empty where a new scan would not help
    """

    severity: Severity
    reason_template: str
    advice_template: str = ""
    rescan_template: str = ""

    @property
    def placeholders(self) -> set[str]:
        """Names of the values that the texts need."""
        templates = (self.reason_template, self.advice_template, self.rescan_template)
        return {name for template in templates for _, name, _, _ in Formatter().parse(template) if name}


FLAG_DEFINITIONS: Mapping[str, FlagDefinition] = {
    # How she was scanned.
    "nothing-usable": FlagDefinition(
        "vet today",
        "No clip could be used, so nothing is known about her.",
        "Scan her again, or check the clips.",
        "Scan both sides again: no clip could be used.",
    ),
    # The reason says what would help.
    "clip-refused": FlagDefinition("check", "{file} could not be used: {reason}"),
    "clip-cut-short": FlagDefinition(
        "check", "Only part of {file} could be read: {reason}", "Copy it again from the scanner."
    ),
    "same-recording": FlagDefinition(
        "check",
        "{file} is the same recording as {others}.",
        "Check which one is in the wrong folder or is an extra copy.",
    ),
    # Raised by the batch, when the exam was estimated long before.
    "recordings-moved": FlagDefinition(
        "note",
        "Her recordings are no longer in {folder}; results and pictures are kept as they were.",
        "To read them again, put them back there.",
    ),
    "one-window-only": FlagDefinition(
        "check",
        "Only the {window} window was scanned; eggs on the other side may be missing from the count.",
        "Scan the other side.",
        "Scan the {other} side: only the {window} one was scanned.",
    ),
    "window-unknown": FlagDefinition(
        "check",
        "The window is unknown for {files}, so an egg seen twice is hard to distinguish from two eggs.",
        'Set it in exam.toml, or start the file name with "left" or "right".',
    ),
    "poor-scan": FlagDefinition(
        "check",
        "Only {used} of {frames} recorded frames could be used, so eggs may have been missed.",
        "Scan her again, more slowly and for longer.",
        "Scan her again, more slowly and for longer: only {used} of {frames} frames could be used.",
    ),
    "poor-clip": FlagDefinition(
        "check",
        "{file}: {lost} of {frames} frames could not be used ({causes}).",
        "For the next scan: {hint}.",
        "Scan {side} again: {lost} of {frames} frames could not be used ({causes}). To do: {hint}.",
    ),
    "stood-still": FlagDefinition(
        "check",
        "{file}: the picture stands still from beginning to end, so it shows no more of her than a single picture.",
        "For the next scan: record while the picture moves.",
        "Scan {side} again, and record while the picture moves: it stood still.",
    ),
    "narrow-contact": FlagDefinition(
        "check",
        "{file}: only {share} of the probe's face had contact, in the middle.",
        "For the next scan: use a smaller probe, or more gel.",
        "Scan {side} again, with a smaller probe or more gel: only {share} of the beams had contact.",
    ),
    "side-lost": FlagDefinition(
        "note",
        "{file}: most of the {lost} side of the picture was lost to poor contact or shadow.",
        "For the next scan: use more gel, and sweep more slowly.",
        "Scan {side} again, with more gel and more slowly: half the beams had no contact.",
    ),
    "hand-unclear": FlagDefinition(
        "check",
        "{files}: it is not clear whether or where the hand turned back, so an egg may be listed twice.",
        "Compare eggs of similar size in these clips.",
    ),
    "no-scale": FlagDefinition(
        "note",
        "The scale is unknown for {files}, so nothing there is measured in mm.",
        "Set mm_per_px or depth_mm in exam.toml.",
    ),
    # Count and stage.
    "unreliable-count": FlagDefinition(
        "vet today",
        "Only {confidence} sure of the count of shelled eggs ({estimate}).",
        "Count on the pictures, scan her again, or take a radiograph.",
    ),
    "low-confidence": FlagDefinition(
        "check", "Only {confidence} sure of the count of shelled eggs ({estimate}).", "Count on the pictures."
    ),
    "count-or-stage": FlagDefinition(
        "check",
        "Only {both} sure of both count ({estimate}) and stage ({stage}).",
        "Count on the pictures, and check whether something of another stage is among the eggs.",
    ),
    "wide-interval": FlagDefinition(
        "check",
        "The scanned area may hold anything from {low} to {high} shelled eggs.",
        "A radiograph shows the number.",
    ),
    "windows-disagree": FlagDefinition(
        "check",
        "The windows disagree on the shelled eggs: {left} seen from the left, {right} from the right.",
        "Check whether one side was scanned less well, or whether the eggs lie on one side.",
    ),
    "doubtful-objects": FlagDefinition(
        "check", "Possible egg or follicle, not counted: {places}.", "Look at these frames."
    ),
    "stage-unsure": FlagDefinition(
        "check",
        "Only {probability} sure of the stage ({stage}).",
        "Check the rims and shadows, and look for follicles that were missed.",
    ),
    "none-seen-poor-scan": FlagDefinition(
        "check", "None were seen, but the scan shows too little to rely on that.", "Scan her again."
    ),
    "none-seen": FlagDefinition(
        "note", "None seen does not mean none: eggs and follicles can lie out of the probe's reach."
    ),
    "overlooked": FlagDefinition(
        "note",
        "The count is {more} above the number of listed eggs: sweeps miss some eggs, here probably about that many.",
        "{advice}",
    ),
    "listed-twice": FlagDefinition(
        "note",
        "The count is {fewer} below the number of listed eggs: some of those may be the same egg, or no egg at all.",
        "Compare their pictures.",
    ),
    "swept-once": FlagDefinition(
        "note",
        "Each area was swept once, so missed eggs could not be estimated from this scan; the miss rate of simulated "
        "scans is used.",
        "{advice}",
    ),
    "wide-follicle-interval": FlagDefinition(
        "note",
        "Follicles hard to count: {low} to {high}.",
        "Take their number as few, several or many; shelled eggs are counted apart from them.",
    ),
    "usual-clutch": FlagDefinition(
        "note", "The count takes into account that {species} lays {lowest} to {highest} eggs."
    ),
    "mixed-stages": FlagDefinition("note", "Her eggs are at different stages: {stages}."),
    # Single eggs, and the species.
    "large-egg": FlagDefinition(
        "check",
        "Larger than known for the species: {eggs}; known range: {known}.",
        "Check on the picture whether it is one egg. Larger than usual does not mean that it cannot pass.",
    ),
    "small-eggs": FlagDefinition(
        "note",
        "All {number} shelled eggs look smaller than known for the species: at most {largest}; known range: {known}.",
        "Check whether they are eggs, and whether the scale is right.",
    ),
    "odd-shape": FlagDefinition(
        "check",
        "Oval, although the species lays round eggs: {eggs}.",
        "Check on the picture whether it is one egg, and whether it is intact.",
    ),
    "odd-outline": FlagDefinition(
        "check",
        "Unusually long for its width: {eggs}. It may be misshapen, or two eggs that are fused or lie end to end.",
        "Look at it in the clip.",
    ),
    "crossing-outlines": FlagDefinition(
        "check",
        "Outlines overlap more than those of separate eggs can: {eggs}. They may be fused, or one egg that was drawn "
        "twice.",
        "Look at them in the clip.",
    ),
    "bright-fragments": FlagDefinition(
        "check",
        "Bright throughout, although calcified eggs are dark inside: {eggs}. It may be a piece of shell, a stone or "
        "gas, or a broken egg.",
        "Look at it in the clip; a radiograph can distinguish pieces of shell from gas.",
    ),
    "no-wall": FlagDefinition(
        "check",
        "Called thin-shelled, although no wall of a shell could be measured: {eggs}.",
        "Check on the picture whether it is an egg or a follicle.",
    ),
    "much-smaller": FlagDefinition(
        "check",
        "Much smaller than her other eggs: {eggs}. It may be a small egg, the end of one, or a piece of shell.",
        "Look at it in the clip.",
    ),
    "unusual-clutch": FlagDefinition("note", "{eggs}: {more} than the usual clutch of {known}.", "{advice}"),
    # The network.
    "uncalibrated-network": FlagDefinition(
        "check",
        "The network in use has no calibration of its own; the one used was learned for another network, so counts, "
        "stages, sizes and their probabilities may be wrong.",
        "Learn a calibration with clutchlight calibrate and run the batch again.",
    ),
    # Her species.
    "unknown-species": FlagDefinition(
        "note", "{species}, so no usual clutch is known.", "Enter the scientific name in exam.toml."
    ),
    # Change since an earlier exam.
    "shells-retained": FlagDefinition(
        "check",
        "Shells were first seen {days} days ago, on {date}; the longest time from ovulation to laying known for the "
        "species is {longest} days.",
        "A vet may want to see her. Longer than known is not by itself too long.",
    ),
    "count-rose": FlagDefinition(
        "check",
        "More shelled eggs than possible: {now} now, {then} on {date}{passed}; there was no time for new ones.",
        "Compare the pictures of both exams: one of the counts is wrong, or the animals were mixed up.",
    ),
    "eggs-missing": FlagDefinition(
        "check",
        "Fewer shelled eggs than on {date}: {now} now, {then} then{passed}.",
        "Look for eggs that she laid unseen, and check whether this scan reached as far as that one.",
    ),
    "follicles-regressing": FlagDefinition(
        "check",
        "Fewer follicles than on {date}: {now} now, {then} then, and no additional eggs.",
        "They may have been reabsorbed, or lie out of reach; a vet may want to monitor them.",
    ),
    "stage-went-back": FlagDefinition(
        "check",
        "Calcified on {date} but thin-shelled now: shells do not become thin again.",
        "Check which of the two is right, or whether this is a new clutch.",
    ),
}


def by_urgency(flags: Iterable[Flag]) -> tuple[Flag, ...]:
    """The flags of one exam, most urgent first; equally urgent ones in the order of the catalogue."""
    codes = list(FLAG_DEFINITIONS)
    return tuple(sorted(flags, key=lambda flag: (SEVERITIES.index(flag.severity), codes.index(flag.code), flag.reason)))


# Parts of the sentences that depend on what was found.

NONE_PASSED_TEXT = ", and none is known to have left her"


def within_one_text(count: int) -> str:
    """13 ± 1"""
    return f"{count} ± 1" if count else "0 or 1"


def next_sweep_advice(*, probe_turned: bool, both_windows: bool) -> str:
    """How to see eggs a second time, among the ways that were not used yet.

    probe_turned : whether a sweep went there and back;  both_windows : whether left and right were swept
    """
    if probe_turned:
        return "Sweep once more, slowly." if both_windows else "Sweep from the other side, too."
    return "Sweep there and back, slowly." if both_windows else "Sweep there and back, or from both sides."


def clutch_advice(*, larger: bool) -> str:
    """For a clutch larger, or smaller, than usual."""
    return (
        "Check whether eggs were counted twice." if larger else "She may have laid some already, or some were missed."
    )


def species_text(species: str | None) -> str:
    """Why nothing is known about the species. species : None if unknown"""
    return "The species is unknown" if species is None else f"There is no profile of {species}"


def passed_text(passed: PassedEggs, *, if_none: str = "") -> str:
    """, and 3 are known to have left her since"""
    if not passed.number:
        return if_none
    return f", and {passed.number} {'is' if passed.number == 1 else 'are'} known to have left her since"
