"""Where sentences name frames of a clip, so that a page can make links of them."""

from __future__ import annotations

import re
from collections.abc import Iterable

from pipeline.formatting import FRAMES
from pipeline.language.catalogue import STORED
from pipeline.language.translation import pgettext

__all__ = ["frames_pattern"]


def frames_pattern(clips: Iterable[str]) -> re.Pattern[str]:
    """What matches `pipeline.formatting.frames_text` of these clips, with the groups ``clip`` and ``first``."""
    names = "|".join(map(re.escape, sorted(clips, key=len, reverse=True)))
    wanted = {"clip": f"(?P<clip>{names})", "first": r"(?P<first>\d+)", "last": r"\d+"}
    parts = re.split(r"\{(\w+)\}", pgettext(STORED, FRAMES))
    return re.compile("".join(wanted[part] if place % 2 else re.escape(part) for place, part in enumerate(parts)))
