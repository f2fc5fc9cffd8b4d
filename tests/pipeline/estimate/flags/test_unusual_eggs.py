"""Fused eggs and pieces of shell, in outlines and pictures made for these tests, because no phantom has any."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.stages import Stage
from pipeline.detect.beam_coordinates import BeamCoordinates
from pipeline.detect.shell_signs import measure_signs
from pipeline.estimate.crossing_outlines import crossing_outlines
from pipeline.estimate.egg_signs import describe_signs
from pipeline.estimate.flags import evaluate_flags
from pipeline.estimate.results import EggFinding, EggSigns, Sighting
from pipeline.track.tracks import ClipTracks, Track
from tests.pipeline.detect.rendered_egg import MM_PER_PX, rendered_egg
from tests.pipeline.estimate.flags.example_inputs import SETTINGS, UNREMARKABLE


def track(number: int, x: float, frames: range) -> Track:
    count = len(frames)
    ellipses = np.tile([x, 200.0, 60.0, 40.0, 0.0], (count, 1))
    return Track(number, np.array(frames), ellipses, ellipses[:, 1], np.full((count, 3), 1 / 3), np.full(count, 0.9))


def egg(number: int, *tracks: int, stage="calcified") -> EggFinding:
    sightings = tuple(Sighting("left-1.mp4", one, 0, 0, 0) for one in tracks)
    return EggFinding(number, stage, 0.97, 0.98, "oval", 34.0, 20.0, 30.0, sightings)


def crossing(*tracks: Track, eggs: tuple[EggFinding, ...] = (egg(1, 1), egg(2, 2))) -> tuple[tuple[int, int], ...]:
    clip = ClipTracks("left-1.mp4", "left", 0.2, 100, tracks)
    return crossing_outlines(eggs, [clip], SETTINGS.flags)


def test_outlines_that_cross_in_many_frames_are_found() -> None:
    # Centres 90 px apart along long semi-axes of 60 px: two lobes of one body.
    assert crossing(track(1, 200, range(20)), track(2, 290, range(10, 30))) == ((1, 2),)


@pytest.mark.parametrize(
    "tracks",
    [
        (track(1, 200, range(20)), track(2, 320, range(10, 30))),  # they touch
        (track(1, 200, range(20)), track(2, 310, range(10, 30))),  # they overlap a little
        (track(1, 200, range(20)), track(2, 290, range(16, 30))),  # only in four frames
        (track(1, 200, range(20)), track(2, 290, range(20, 40))),  # one after the other
    ],
)
def test_eggs_side_by_side_or_one_after_the_other_do_not_cross(tracks: tuple[Track, Track]) -> None:
    assert crossing(*tracks) == ()


def test_two_tracks_of_one_egg_and_follicles_do_not_cross() -> None:
    both = track(1, 200, range(20)), track(2, 290, range(20))
    assert crossing(*both, eggs=(egg(1, 1, 2),)) == ()
    assert crossing(*both, eggs=(egg(1, 1), egg(2, 2, stage="follicle"))) == ()


def test_fused_eggs_are_flagged_by_their_numbers() -> None:
    (flag,) = (
        one
        for one in evaluate_flags(replace(UNREMARKABLE, crossing_outlines=((3, 5), (6, 7))), SETTINGS)
        if one.code == "crossing-outlines"
    )
    assert "number 3 and number 5; number 6 and number 7. They may be fused" in flag.reason
    assert flag.severity == "check"


WALL = {"rim_db": 15.0, "rim_mm": 0.5}
WHOLE = WALL | {"echo_db": -15.0, "shell_mm": 0.2, "mineral": 1.0, "absorption": 4.0}
PIECE = WALL | {"echo_db": 15.0, "loss_db": 3.0}  # solid, with a shadow


def flag_codes(material: dict[str, float], semi_axes: tuple[float, float, float], stage="calcified") -> list[str]:
    """Flags of one object in a rendered picture, measured as in a scan."""
    picture = rendered_egg(material, semi_axes=semi_axes)
    (signs,) = measure_signs(picture.picture, BeamCoordinates(picture.sector), picture.ellipse[None], [0])
    assert signs is not None
    found = replace(egg(1, 1, stage=stage), signs=describe_signs(signs, MM_PER_PX, SETTINGS.shell_signs))
    return [flag.code for flag in evaluate_flags(replace(UNREMARKABLE, eggs=(found,)), SETTINGS)]


@pytest.mark.parametrize(
    ("stage", "rim_db", "is_flagged"),
    [
        ("thin-shelled", None, True),
        ("thin-shelled", 1.0, True),
        ("thin-shelled", 6.0, False),
        ("calcified", 1.0, False),
    ],
)
def test_a_thin_shelled_egg_without_a_wall_is_flagged(stage: Stage, rim_db: float | None, is_flagged: bool) -> None:
    signs = EggSigns(rim_db, False, None, 1.0, False, -9.0, "dark, even", "thin shell", 60.0, 5, {})
    found = replace(egg(4, stage=stage), signs=signs)
    flags = evaluate_flags(replace(UNREMARKABLE, eggs=(found,)), SETTINGS)
    assert [flag.reason for flag in flags if flag.code == "no-wall"] == (
        ["Called thin-shelled, although no wall of a shell could be measured: number 4."] if is_flagged else []
    )


def test_a_piece_that_is_bright_throughout_is_flagged_and_an_egg_that_is_dark_inside_is_not() -> None:
    assert "bright-fragments" in flag_codes(PIECE, (4.0, 4.0, 2.5))
    assert "bright-fragments" not in flag_codes(WHOLE, (9.0, 9.0, 7.0))
    assert "bright-fragments" not in flag_codes(PIECE, (4.0, 4.0, 2.5), stage="thin-shelled")
