"""Whether a folder of phantoms is the frozen benchmark: the same to the bit, alike, or another one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from models.errors import ClutchlightError
from pipeline.bench.frozen.clip_contents import ClipContents
from pipeline.formatting import plural

__all__ = ["BenchmarkError", "ContentsCheck", "check_contents"]

# Rounding by another processor or encoder changes less; another physics, animal or machine changes more (judgement).
MAXIMUM_BRIGHTNESS_DIFFERENCE = 1.0  # greys of any tile
MAXIMUM_OUTLINE_DIFFERENCE = 0.02  # of the outlines of a clip that are not ignored
_TOLERATED_OUTLINES = 2  # in any clip, however few it has


class BenchmarkError(ClutchlightError):
    """A folder that does not hold the benchmark that it should."""


@dataclass(frozen=True)
class ContentsCheck:
    """How a folder compares with what was frozen. frozen : whether anything was; else nothing was compared

    same_truth, same_pictures, same_recordings : clips of which these are the same to the bit
    other_crossed : clips that cross another number of objects
    brightness_difference : the largest, in greys
    """

    benchmark: str
    frozen: bool
    clips: int
    same_truth: int = 0
    same_pictures: int = 0
    same_recordings: int = 0
    other_crossed: int = 0
    brightness_difference: float = 0.0

    def document(self) -> dict[str, Any]:
        return asdict(self)

    def line(self) -> str:
        """One sentence."""
        clips = plural(self.clips, "clip")
        if not self.frozen:
            return f"{self.benchmark}: {clips}, compared with nothing, since it is not frozen yet (bench freeze)"
        if self.same_truth == self.same_pictures == self.same_recordings == self.clips:
            return f"{self.benchmark}: {clips}, the same to the bit as frozen"
        return (
            f"{self.benchmark}: {clips} as frozen; the same to the bit are the ground truth of {self.same_truth}, the "
            f"pictures before compression of {self.same_pictures} and the recordings of {self.same_recordings}; "
            f"brightness differs by at most {self.brightness_difference:.1f} greys, and {self.other_crossed} cross "
            "another number of objects"
        )


def check_contents(
    benchmark: str, found: Sequence[ClipContents], frozen: Sequence[ClipContents] | None
) -> ContentsCheck:
    """Compare what a folder holds with what was frozen, None if nothing was.

    Raises BenchmarkError if a clip is another one.
    """
    if frozen is None:
        return ContentsCheck(benchmark, frozen=False, clips=len(found))
    by_name = {each.clip: each for each in frozen}
    if [each.clip for each in found] != list(by_name):
        raise BenchmarkError(f"This is not {benchmark}: it has other clips. Make it again in another folder.")
    pairs = [(each, by_name[each.clip]) for each in found]
    for own, wanted in pairs:
        problem = _difference(own, wanted)
        if problem is not None:
            raise BenchmarkError(
                f"This is not {benchmark}: {own.clip} has {problem}. The program that made it draws other "
                "phantoms: use the version for which the benchmark was frozen."
            )
    return ContentsCheck(
        benchmark,
        frozen=True,
        clips=len(found),
        same_truth=sum(own.truth == wanted.truth for own, wanted in pairs),
        same_pictures=sum(own.pictures == wanted.pictures for own, wanted in pairs),
        same_recordings=sum(own.recording == wanted.recording for own, wanted in pairs),
        other_crossed=sum(own.crossed != wanted.crossed for own, wanted in pairs),
        brightness_difference=max((_brightness_difference(own, wanted) for own, wanted in pairs), default=0.0),
    )


def _difference(own: ClipContents, wanted: ClipContents) -> str | None:
    """What makes it another clip."""
    if own.plan != wanted.plan or own.frames != wanted.frames:
        return "another animal or another path of the probe"
    if abs(own.counted - wanted.counted) > max(_TOLERATED_OUTLINES, MAXIMUM_OUTLINE_DIFFERENCE * wanted.counted):
        return f"{own.counted} outlines instead of {wanted.counted}"
    difference = _brightness_difference(own, wanted)
    if difference > MAXIMUM_BRIGHTNESS_DIFFERENCE:
        return f"a brightness that is {difference:.1f} greys off"
    return None


def _brightness_difference(own: ClipContents, wanted: ClipContents) -> float:
    return float(np.abs(np.subtract(own.brightness, wanted.brightness)).max())
