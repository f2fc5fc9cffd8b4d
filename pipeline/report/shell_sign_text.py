"""The signs of a shell on an egg's picture (wall, shadow, inside) as text that a vet can check on the picture."""

from __future__ import annotations

from pipeline.estimate.results import EggFinding, EggSigns
from pipeline.formatting import number_text
from pipeline.language.stored_text import stored_text
from pipeline.language.translation import gettext, mark

__all__ = ["SHELL_SIGN_LEGEND", "shell_sign_text", "shell_text"]

SHELL_SIGN_LEGEND = mark(
    "To check on the picture: “wall” is how much brighter the edge nearest the probe is than the tissue around it, and "
    "how thick; “shadow” is how much darker it is behind the egg than next to it, at the same depth; “inside” is "
    "compared with the tissue around the egg. In decibels (dB), if the screen shows {range} dB from black to white."
)
MIN_VISIBLE_DB = 2.0  # a smaller difference is lost in speckle; common practice, no source


def shell_sign_text(egg: EggFinding) -> str:
    """For example "wall 18 dB, 1.1 mm; shadow over 23 dB; inside dark, even". Empty if the picture was unreadable.

    A follicle has no wall: its edge is bright because its inside is.
    """
    signs = egg.signs
    if signs is None:
        return ""
    wall = "" if egg.stage == "follicle" else _wall_text(signs)
    parts = [wall, _shadow_text(signs), gettext("inside {appearance}", appearance=stored_text(signs.interior))]
    return "; ".join(part for part in parts if part)


def shell_text(egg: EggFinding) -> str:
    """What was seen of the shell, for example "strong shell, yolk visible: newly shelled". Empty if not measured."""
    return stored_text(egg.signs.shell) if egg.signs is not None and egg.stage != "follicle" else ""


def _wall_text(signs: EggSigns) -> str:
    if signs.rim_db is None:
        return ""
    if signs.rim_db < MIN_VISIBLE_DB:
        return gettext("no bright wall")
    thickness = "" if signs.rim_mm is None else f", {number_text(signs.rim_mm, '.1f')} mm"
    decibels = f"{signs.rim_db:.0f}"
    wall = (
        gettext("wall over {decibels} dB", decibels=decibels)
        if signs.rim_at_least
        else gettext("wall {decibels} dB", decibels=decibels)
    )
    return f"{wall}{thickness}"


def _shadow_text(signs: EggSigns) -> str:
    if signs.shadow_db is None:
        return ""
    if signs.shadow_db <= -MIN_VISIBLE_DB:
        return gettext("brighter behind by {decibels} dB", decibels=f"{-signs.shadow_db:.0f}")
    if signs.shadow_db < MIN_VISIBLE_DB:
        return gettext("no shadow")
    decibels = f"{signs.shadow_db:.0f}"
    if signs.shadow_at_least:
        return gettext("shadow over {decibels} dB", decibels=decibels)
    return gettext("shadow {decibels} dB", decibels=decibels)
