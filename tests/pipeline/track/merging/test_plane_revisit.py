from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.settings import load_settings
from pipeline.track.merging.merge import merge_tracks
from pipeline.track.merging.plane_revisit import plane_revisit_ratios
from pipeline.track.tracks import Track
from tests.pipeline.track.merging.test_merge import clip, crossing


def track(identity: int, frames: NDArray[np.int64], sizes: NDArray[np.float64]) -> Track:
    ellipses = np.column_stack([np.full((len(frames), 2), 100.0 * identity), sizes, sizes, np.zeros(len(frames))])
    stages = np.tile([0.02, 0.08, 0.9], (len(frames), 1))
    return Track(identity, frames, ellipses, ellipses[:, 1].copy(), stages, np.full(len(frames), 0.9))


def tracks_with_gap(after: float, *, gap: int = 12, stayed: int = 1) -> list[Track]:
    """One object lost at frame 20 and another found after a gap, with others that stay and change by a factor."""
    frames = np.arange(60)
    sizes = np.where(frames <= 20, 40.0, 40.0 * after)
    lost, found = np.arange(5, 21), np.arange(20 + gap, 50)
    tracks = [track(1, lost, np.full(len(lost), 30.0)), track(2, found, np.full(len(found), 30.0))]
    return tracks + [track(3 + k, frames, sizes) for k in range(stayed)]


SELECTED = np.zeros((3, 3), bool)
SELECTED[0, 1] = True


def ratio(tracks: list[Track]) -> float:
    selected = np.zeros((len(tracks), len(tracks)), bool)
    selected[0, 1] = True
    return float(plane_revisit_ratios(tracks, selected)[0, 1])


def test_unchanged_sections_are_evidence_for_the_same_plane() -> None:
    assert ratio(tracks_with_gap(1.0)) > 1
    assert ratio(tracks_with_gap(1.02)) > 1
    assert ratio(tracks_with_gap(0.75)) < -1
    assert ratio(tracks_with_gap(1.3)) < -1


def test_more_objects_are_more_evidence_up_to_a_limit() -> None:
    one, three, many = (ratio(tracks_with_gap(1.0, stayed=number)) for number in (1, 3, 20))
    assert one < three <= many == pytest.approx(4.0)


def test_a_short_gap_is_little_evidence() -> None:
    assert ratio(tracks_with_gap(1.0, gap=1)) < 0.5 * ratio(tracks_with_gap(1.0, gap=15))


def test_where_nothing_stayed_there_is_no_evidence() -> None:
    assert ratio(tracks_with_gap(1.0, stayed=0)) == 0.0
    passing = [*tracks_with_gap(1.0, stayed=0), track(3, np.arange(10, 25), np.full(15, 40.0))]
    assert ratio(passing) == 0.0


def test_only_selected_pairs_are_computed() -> None:
    ratios = plane_revisit_ratios(tracks_with_gap(1.0), SELECTED)
    assert ratios[0, 1] > 0
    ratios[0, 1] = 0.0
    assert not ratios.any()


def test_an_extreme_change_is_limited() -> None:
    assert ratio(tracks_with_gap(50.0)) == pytest.approx(-4.0)


@pytest.mark.parametrize(("after", "eggs"), [(1.0, 3), (0.7, 4)], ids=["came back", "went on"])
def test_an_egg_that_left_the_picture_is_the_same_where_the_probe_came_back(after: float, eggs: int) -> None:
    """It shrank to its pole and grew again at the same place 30 frames later, as the next egg in a row could."""
    once, again = crossing(1, 60, 100, 300, 200), crossing(2, 130, 170, 302, 201)
    stayed = []
    for identity, (x, y) in ((3, (150.0, 300.0)), (4, (450.0, 120.0))):
        whole = track(identity, np.arange(40, 190), np.where(np.arange(40, 190) <= 115, 55.0, 55.0 * after))
        ellipses = whole.ellipses.copy()
        ellipses[:, :2] = x, y
        stayed.append(replace(whole, ellipses=ellipses))
    grouping = merge_tracks([clip(once, again, *stayed, frames=200)], None, load_settings().track)
    assert len(grouping.eggs) == eggs
