"""The catalogue of reasons why a person should look; from which values on they hold stands in ``settings.toml``.

Remarks, never verdicts: each says what was seen and what a person might do, and none says what is wrong with her.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from pipeline.estimate.results import Flag, Severity

__all__ = ["FLAG_DEFINITIONS", "SEVERITIES", "FlagDefinition", "by_urgency"]

SEVERITIES: tuple[Severity, ...] = ("vet today", "check", "note")


@dataclass(frozen=True)
class FlagDefinition:
    """severity : how soon;  reason_template : a sentence with named places for what was found

    advice_template : what a person might do, a sentence or empty where the first says it all; it may have the same places
    """

    severity: Severity
    reason_template: str
    advice_template: str = ""


FLAG_DEFINITIONS: Mapping[str, FlagDefinition] = {
    # How she was scanned.
    "nothing-usable": FlagDefinition(
        "vet today", "No clip could be used, so nothing is known of her.", "Scan her again, or look at the clips."
    ),
    # The reason says what would help.
    "clip-refused": FlagDefinition("check", "{file} could not be used: {reason}"),
    "clip-cut-short": FlagDefinition("check", "{file} was read in part: {reason}", "Copy it again from the scanner."),
    "same-recording": FlagDefinition(
        "check",
        "{file} is the same recording as {others}.",
        "See which one lies in the wrong place or is a copy too many.",
    ),
    "one-window-only": FlagDefinition(
        "check",
        "Only the {window} window was scanned; eggs on the other side may be missing from the count.",
        "Scan the other side.",
    ),
    "window-unknown": FlagDefinition(
        "check",
        "The window is not told for {files}; eggs seen twice are hard to tell from different ones.",
        'Tell it in exam.toml, or begin the file\'s name with "left" or "right".',
    ),
    "poor-scan": FlagDefinition(
        "check",
        "Only {used} frames could be used, of {frames} recorded, so eggs may have been missed.",
        "Scan her again, slower and longer.",
    ),
    "poor-clip": FlagDefinition(
        "check",
        "{file}: {lost} of {frames} frames could not be used ({causes}).",
        "For the next scan: {hint}.",
    ),
    "stood-still": FlagDefinition(
        "check",
        "{file}: the picture stands still from beginning to end, so it shows no more of her than one still.",
        "For the next scan: record while the picture moves.",
    ),
    "narrow-contact": FlagDefinition(
        "check",
        "{file}: only {share} of the probe's face had contact, in the middle.",
        "For the next scan: a smaller probe, or more gel.",
    ),
    "side-lost": FlagDefinition(
        "note",
        "{file}: most of the {side} side of the picture was lost to poor contact or shadow.",
        "For the next scan: more gel, slower.",
    ),
    "no-scale": FlagDefinition(
        "note",
        "The scale is not known for {files}, so nothing there is measured in mm.",
        "Tell mm_per_px or depth_mm in exam.toml.",
    ),
    # The network.
    "uncalibrated-network": FlagDefinition(
        "check",
        "The network in use has no calibration of its own; the one used was learned for another network, so counts, "
        "stages, sizes and their probabilities may be wrong.",
        "Learn a calibration with clutchlight calibrate and run the batch again.",
    ),
    # The numbers.
    "unreliable-count": FlagDefinition(
        "vet today",
        "The number of shelled eggs, {estimate}, is within one of the truth with a probability of only {confidence}.",
        "Count on the pictures, scan her again, or take a radiograph.",
    ),
    "low-confidence": FlagDefinition(
        "check",
        "The number of shelled eggs, {estimate}, is within one of the truth with a probability of {confidence}.",
        "Count on the pictures.",
    ),
    "count-or-stage": FlagDefinition(
        "check",
        "Number and stage together, {estimate} within one and {stage}, are right with a probability of only {both}.",
        "Count on the pictures, and see whether something of another stage lies among them.",
    ),
    "wide-interval": FlagDefinition(
        "check",
        "What was scanned may hold anything from {low} to {high} shelled eggs.",
        "A radiograph tells the number.",
    ),
    "windows-disagree": FlagDefinition(
        "check",
        "The windows differ: {left} shelled eggs were seen from the left, {right} from the right.",
        "See whether one side was scanned less well, or whether they lie on one side.",
    ),
    "doubtful-objects": FlagDefinition(
        "check",
        "Something was followed that may be an egg or a follicle, too unsure to be counted: {places}.",
        "Look at it there.",
    ),
    "stage-unsure": FlagDefinition(
        "check",
        "The stage, {stage}, is right with a probability of only {probability}.",
        "Look at the rims and shadows, and for follicles that were overlooked.",
    ),
    "none-seen-poor-scan": FlagDefinition(
        "check", "None were seen, but the scan shows too little to rely on it.", "Scan her again."
    ),
    "none-seen": FlagDefinition("note", "None seen is not none: eggs and follicles can lie out of the probe's reach."),
    "overlooked": FlagDefinition(
        "note",
        "{more} more are counted than listed: sweeps overlook some eggs, and these about that many.",
        "{advice}",
    ),
    "listed-twice": FlagDefinition(
        "note",
        "{fewer} fewer are counted than listed: some of those listed may be one egg, or none.",
        "Compare their pictures.",
    ),
    "swept-once": FlagDefinition(
        "note",
        "No egg could be met twice, so how many were overlooked is told by phantoms alone.",
        "{advice}",
    ),
    "usual-clutch": FlagDefinition(
        "note", "The count takes into account that {species} lays {lowest} to {highest} eggs ({sources})."
    ),
    "mixed-stages": FlagDefinition("note", "Her eggs are at different stages: {stages}."),
    # Single eggs, and the species.
    "large-egg": FlagDefinition(
        "check",
        "Larger than known of the species: {eggs}; {known} ({sources}).",
        "See on the picture whether it is one egg. Larger than usual does not mean that it cannot pass.",
    ),
    "small-eggs": FlagDefinition(
        "note",
        "All {number} shelled eggs look smaller than known of the species: {largest} at most; {known} ({sources}).",
        "See whether they are eggs, and whether the scale is right.",
    ),
    "odd-shape": FlagDefinition(
        "check",
        "Oval, where eggs of the species are round: {eggs} ({sources}).",
        "See on the picture whether it is one egg, and whole.",
    ),
    "odd-outline": FlagDefinition(
        "check",
        "Longer for its width than eggs are: {eggs}. It may be misshapen, or two that are fused or lie end to end.",
        "Look at it in the clip.",
    ),
    "crossing-outlines": FlagDefinition(
        "check",
        "Outlines that run into each other, as those of separate eggs cannot: {eggs}. They may be fused, or one egg "
        "that was drawn twice.",
        "Look at them in the clip.",
    ),
    "bright-fragments": FlagDefinition(
        "check",
        "Bright all through, where a calcified egg is dark inside: {eggs}. It may be a piece of shell, a stone or "
        "gas, or an egg that is broken.",
        "Look at it in the clip; a radiograph tells pieces of shell from gas.",
    ),
    "much-smaller": FlagDefinition(
        "check",
        "Much smaller than her other eggs: {eggs}. It may be a small egg, the end of one, or a piece of shell.",
        "Look at it in the clip.",
    ),
    "unusual-clutch": FlagDefinition(
        "note",
        "{eggs} are {more} than known of the species: {known}.",
        "{advice}",
    ),
    "unknown-species": FlagDefinition(
        "note", "{species}, so nothing is known of the usual clutch.", "Tell the scientific name in exam.toml."
    ),
    # What became of an earlier exam.
    "shells-retained": FlagDefinition(
        "check",
        "Shells were first seen {days} days ago, on {date}; of the species at most {longest} days from ovulation to "
        "laying are known ({sources}).",
        "A vet may want to see her. Longer than known is not too long by itself.",
    ),
    "count-rose": FlagDefinition(
        "check",
        "More shelled eggs than can be: {now} now, {then} on {date}{passed}, and no time for new ones.",
        "Compare the pictures of both exams: one of the counts is off, or the animals were mixed up.",
    ),
    "eggs-missing": FlagDefinition(
        "check",
        "Fewer shelled eggs than on {date}: {now} now, {then} then{passed}.",
        "Look for eggs that she laid unseen, and see whether this scan reached as far as that one.",
    ),
    "follicles-regressing": FlagDefinition(
        "check",
        "Fewer follicles than on {date}, {now} now, {then} then, and no more eggs.",
        "They may have been taken up again, or lie out of reach; a vet may want to follow them.",
    ),
    "stage-went-back": FlagDefinition(
        "check",
        "Calcified on {date}, thin-shelled now, which shells do not become.",
        "See which of the two is right, or whether this is a new clutch.",
    ),
}


def by_urgency(flags: Iterable[Flag]) -> tuple[Flag, ...]:
    """The flags of one exam, most urgent first; equally urgent ones in the catalogue's order."""
    codes = list(FLAG_DEFINITIONS)
    return tuple(sorted(flags, key=lambda flag: (SEVERITIES.index(flag.severity), codes.index(flag.code), flag.reason)))
