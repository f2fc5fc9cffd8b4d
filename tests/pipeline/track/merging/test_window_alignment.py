"""Two windows whose sweeps began at different places: what they share differs by one offset."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.settings import load_settings
from pipeline.track.merging.merge import merge_tracks
from pipeline.track.tracks import ClipTracks
from tests.pipeline.track.merging.test_merge import clip, crossing, groups

SETTINGS = load_settings().track
WIDTH_MM, SCALE = 118.0, 0.22
# Lateral positions, mm. All eggs are at one depth, so only these and the time distinguish them.
LATERALS = (-30.0, -19.0, -4.0, 7.0, 21.0, 30.0)


def window(name: str, laterals: list[float], times: list[int], depth_mm: float) -> ClipTracks:
    tracks = [
        crossing(k + 1, time, time + 40, 300 + lateral / SCALE, depth_mm / SCALE, size=50.0)
        for k, (lateral, time) in enumerate(zip(laterals, times, strict=True))
    ]
    one = clip(*tracks, file=f"{name}-1.mp4", window=name, mm_per_px=SCALE, frames=460)
    return replace(one, sector_centre_x_px=300.0, imaging_depth_px=90.0 / SCALE)


def merged_groups(across_mm: float, right_times: list[int]) -> list[list[tuple[str, int]]]:
    """The groups of six eggs seen from the left, and from the right with a lateral shift and at other times."""
    times = [10 + 70 * k for k in range(6)]
    left = window("left", list(LATERALS), times, 50.0)
    right = window("right", [x - across_mm for x in LATERALS], right_times, SETTINGS.body_width_share * WIDTH_MM - 50.0)
    return groups(merge_tracks([left, right], WIDTH_MM, SETTINGS))


PAIRED = [[("left-1.mp4", k), ("right-1.mp4", k)] for k in range(1, 7)]


@pytest.mark.parametrize("across_mm", [0.0, 12.0, -18.0])
def test_eggs_are_joined_although_all_are_shifted_across_the_picture(across_mm: float) -> None:
    assert merged_groups(across_mm, [60, 350, 200, 20, 270, 130]) == PAIRED


def test_eggs_are_joined_although_the_second_sweep_began_later() -> None:
    times = [10 + 70 * k for k in range(6)]
    assert merged_groups(0.0, [max(time - 30, 0) for time in times]) == PAIRED
