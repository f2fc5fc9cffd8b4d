"""An egg's signs in the units and words of the sheet."""

from __future__ import annotations

import math
from dataclasses import asdict

from pipeline.detect.shell_signs import ShellSigns
from pipeline.estimate.results import EggSigns
from pipeline.settings import ShellSignSettings

__all__ = ["describe_signs"]

# Common practice, no source: a quarter of the wall white, or half of the shadow black, and the screen hides the rest.
_WHITE_SHARE, _BLACK_SHARE = 0.25, 0.5


def describe_signs(signs: ShellSigns, mm_per_px: float | None, settings: ShellSignSettings) -> EggSigns:
    """In dB, if the screen runs from black to white over the settings' range, and mm where the scale is known."""
    per_db = 255.0 / settings.shown_range_db
    return EggSigns(
        rim_db=_known(signs.rim / per_db),
        rim_at_least=signs.rim_saturated_share >= _WHITE_SHARE,
        rim_mm=None if mm_per_px is None else _known(signs.rim_px * mm_per_px),
        shadow_db=_known(signs.shadow / per_db),
        shadow_at_least=signs.shadow_black_share >= _BLACK_SHARE,
        interior_db=_known(signs.interior / per_db),
        interior=_interior(signs, per_db, settings),
        shown_range_db=settings.shown_range_db,
        frames=signs.frames,
        grey={name: _known(value) for name, value in asdict(signs).items() if name != "frames"},
    )


def _interior(signs: ShellSigns, per_db: float, settings: ShellSignSettings) -> str:
    level, middle, unevenness = (value / per_db for value in (signs.interior, signs.middle, signs.unevenness))
    tone = "grey"
    if level <= settings.dark_interior_db:
        tone = "dark"
    elif level >= settings.bright_interior_db:
        tone = "bright"
    if middle >= settings.core_contrast_db:
        return f"{tone} with a brighter middle"
    if middle <= -settings.core_contrast_db:
        return f"{tone} with a darker middle"
    return f"{tone}, {'uneven' if unevenness >= settings.uneven_interior_sd_db else 'even'}"


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
