"""The signs of a shell in the units and words of the sheet."""

from __future__ import annotations

import math
from dataclasses import asdict

from pipeline.detect.shell_signs import ShellSigns
from pipeline.estimate.results import EggSigns
from pipeline.settings_tables import ShellSignSettings

__all__ = ["describe_signs"]

# Share of the wall that is white, or of the shadow that is black, from which on the screen cannot show the true
# brightness; common practice, no source.
_WHITE_SHARE, _BLACK_SHARE = 0.25, 0.5
_WHITE_LEVEL = 255.0  # grey level


def describe_signs(signs: ShellSigns, mm_per_px: float | None, settings: ShellSignSettings) -> EggSigns:
    """Grey levels become dB, assuming that the screen shows the settings' dynamic range; px become mm with a scale.

    mm_per_px : None if unknown
    """
    per_db = _WHITE_LEVEL / settings.shown_range_db
    return EggSigns(
        rim_db=_none_if_nan(signs.rim / per_db),
        rim_at_least=signs.rim_saturated_share >= _WHITE_SHARE,
        rim_mm=None if mm_per_px is None else _none_if_nan(signs.rim_px * mm_per_px),
        shadow_db=_none_if_nan(signs.shadow / per_db),
        shadow_at_least=signs.shadow_black_share >= _BLACK_SHARE,
        interior_db=_none_if_nan(signs.interior / per_db),
        interior=_interior_text(signs, per_db, settings),
        shell=_shell_text(signs, per_db, settings),
        shown_range_db=settings.shown_range_db,
        frames=signs.frames,
        grey={name: _none_if_nan(value) for name, value in asdict(signs).items() if name != "frames"},
    )


def _interior_text(signs: ShellSigns, per_db: float, settings: ShellSignSettings) -> str:
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


def _shell_text(signs: ShellSigns, per_db: float, settings: ShellSignSettings) -> str:
    """For example "strong shell, yolk visible: newly shelled".

    A full shell shows a bright line and a shadow. The yolk is bright within dark albumen when an egg has just been
    shelled, and cannot be told apart later (phases 1 to 3 of Hayes and Kalb, Cuora amboinensis, sicb.org). So a strong
    shell around a visible yolk is a new one.
    """
    if math.isnan(signs.rim):
        return ""
    rim, shadow, middle = (value / per_db for value in (signs.rim, signs.shadow, signs.middle))
    is_bright, has_shadow = rim >= settings.strong_rim_db, shadow >= settings.strong_shadow_db
    wall = "no wall to be seen" if rim < settings.visible_rim_db else "bright wall" if is_bright else "faint wall"
    shell = wall
    if not math.isnan(shadow):
        shell = f"{wall}, {'clear shadow' if has_shadow else 'little shadow'}"
        if is_bright and has_shadow:
            shell = "strong shell"
        elif wall == "faint wall" and not has_shadow:
            shell = "thin shell"
    if math.isnan(middle):
        return shell
    if middle < settings.core_contrast_db:
        return f"{shell}, no yolk to be seen"
    return f"{shell}, yolk visible{': newly shelled' if shell == 'strong shell' else ''}"


def _none_if_nan(value: float) -> float | None:
    return None if math.isnan(value) else value
