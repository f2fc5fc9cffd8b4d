from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.settings import load_settings
from pipeline.track.merging.merge import merge_tracks
from pipeline.track.merging.plane_revisit import plane_return_ratios
from pipeline.track.tracks import Track
from tests.pipeline.track.merging.test_merge import clip as of_clip
from tests.pipeline.track.merging.test_merge import crossing


def track(identity: int, frames: NDArray[np.int64], sizes: NDArray[np.float64]) -> Track:
    ellipses = np.column_stack([np.full((len(frames), 2), 100.0 * identity), sizes, sizes, np.zeros(len(frames))])
    stages = np.tile([0.02, 0.08, 0.9], (len(frames), 1))
    return Track(identity, frames, ellipses, ellipses[:, 1].copy(), stages, np.full(len(frames), 0.9))


def clip(after: float, *, gap: int = 12, stayed: int = 1) -> list[Track]:
    """One object lost at frame 20 and another found after a gap, beside some that stay and change by a factor."""
    frames = np.arange(60)
    there = np.where(frames <= 20, 40.0, 40.0 * after)
    lost, found = np.arange(5, 21), np.arange(20 + gap, 50)
    tracks = [track(1, lost, np.full(len(lost), 30.0)), track(2, found, np.full(len(found), 30.0))]
    return tracks + [track(3 + k, frames, there) for k in range(stayed)]


ASKED = np.zeros((3, 3), bool)
ASKED[0, 1] = True


def ratio(tracks: list[Track]) -> float:
    asked = np.zeros((len(tracks), len(tracks)), bool)
    asked[0, 1] = True
    return float(plane_return_ratios(tracks, asked)[0, 1])


def test_sections_that_are_what_they_were_speak_for_the_same_plane() -> None:
    assert ratio(clip(1.0)) > 1
    assert ratio(clip(1.02)) > 1
    assert ratio(clip(0.75)) < -1
    assert ratio(clip(1.3)) < -1


def test_the_more_objects_tell_the_surer_it_is_up_to_a_bound() -> None:
    one, three, many = (ratio(clip(1.0, stayed=number)) for number in (1, 3, 20))
    assert one < three <= many == pytest.approx(4.0)


def test_a_short_gap_tells_little() -> None:
    assert ratio(clip(1.0, gap=1)) < 0.5 * ratio(clip(1.0, gap=15))


def test_where_nothing_stayed_nothing_is_said() -> None:
    assert ratio(clip(1.0, stayed=0)) == 0.0
    passing = [*clip(1.0, stayed=0), track(3, np.arange(10, 25), np.full(15, 40.0))]
    assert ratio(passing) == 0.0


def test_only_pairs_that_are_asked_for_are_looked_at() -> None:
    ratios = plane_return_ratios(clip(1.0), ASKED)
    assert ratios[0, 1] > 0
    ratios[0, 1] = 0.0
    assert not ratios.any()


def test_the_wildest_change_is_a_number() -> None:
    assert ratio(clip(50.0)) == pytest.approx(-4.0)


@pytest.mark.parametrize(("after", "eggs"), [(1.0, 3), (0.7, 4)], ids=["came back", "went on"])
def test_an_egg_that_left_the_picture_is_met_again_where_the_hand_came_back(after: float, eggs: int) -> None:
    """It shrank to its pole and grew again at its place 30 frames later, as the next egg of a row might."""
    once, again = crossing(1, 60, 100, 300, 200), crossing(2, 130, 170, 302, 201)
    stayed = []
    for identity, (x, y) in ((3, (150.0, 300.0)), (4, (450.0, 120.0))):
        whole = track(identity, np.arange(40, 190), np.where(np.arange(40, 190) <= 115, 55.0, 55.0 * after))
        ellipses = whole.ellipses.copy()
        ellipses[:, :2] = x, y
        stayed.append(replace(whole, ellipses=ellipses))
    grouping = merge_tracks([of_clip(once, again, *stayed, frames=200)], None, load_settings().track)
    assert len(grouping.eggs) == eggs
