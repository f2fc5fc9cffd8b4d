"""What can be checked on an egg's picture, in plain words."""

from __future__ import annotations

from pipeline.estimate.results import EggFinding, EggSigns

__all__ = ["SHELL_SIGN_LEGEND", "shell_sign_text"]

SHELL_SIGN_LEGEND = (
    "To check on the picture: wall: how much brighter than the tissue around the edge nearest the probe is, and how "
    "thick its line; shadow: how much darker it is behind than beside, at the same depth; inside: against the tissue "
    "around. In decibels (dB), if the screen shows {range:.0f} dB from black to white."
)
_NOTHING_DB = 2.0  # less than speckle alone makes out


def shell_sign_text(egg: EggFinding) -> str:
    """Wall 18 dB, 1.1 mm; shadow over 23 dB; inside dark, even. Empty where the picture could not be read."""
    signs = egg.signs
    if signs is None:
        return ""
    parts = [_wall(signs), _shadow(signs), f"inside {signs.interior}"]
    return "; ".join(part for part in parts if part)


def _wall(signs: EggSigns) -> str:
    if signs.rim_db is None:
        return ""
    if signs.rim_db < _NOTHING_DB:
        return "no bright wall"
    thick = "" if signs.rim_mm is None else f", {signs.rim_mm:.1f} mm"
    return f"wall {'over ' if signs.rim_at_least else ''}{signs.rim_db:.0f} dB{thick}"


def _shadow(signs: EggSigns) -> str:
    if signs.shadow_db is None:
        return ""
    if signs.shadow_db <= -_NOTHING_DB:
        return f"brighter behind by {-signs.shadow_db:.0f} dB"
    if signs.shadow_db < _NOTHING_DB:
        return "no shadow"
    return f"shadow {'over ' if signs.shadow_at_least else ''}{signs.shadow_db:.0f} dB"
