"""Which frames of a clip are returned before and after its sector is found."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.ingest.dicom.regions import RegionCalibration
from pipeline.ingest.frame import Frame
from pipeline.ingest.quality.usable_frames import UsableFrames
from pipeline.settings import load_settings
from pipeline.settings_tables import IngestSettings

HEIGHT, WIDTH = 240, 320
BOX = (60, 40, 260, 220)


@pytest.fixture(scope="module")
def settings() -> IngestSettings:
    return load_settings().ingest


def screen(name: str, rng: np.random.Generator | None) -> NDArray[np.uint8]:
    """A dark screen with a name on it, and tissue in a box if ``rng`` is given."""
    grey = np.zeros((HEIGHT, WIDTH), np.uint8)
    cv2.putText(grey, name, (20, 25), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 230, 1)
    if rng is not None:
        x0, y0, x1, y1 = BOX
        tissue = cv2.GaussianBlur(rng.rayleigh(60.0, (y1 - y0, x1 - x0)).astype(np.float32), (0, 0), 1.2) + 20
        grey[y0:y1, x0:x1] = np.clip(tissue, 0, 255)
    return grey


def frames(pictures: Iterable[NDArray[np.uint8]]) -> list[Frame]:
    return [Frame(index, index / 25, picture) for index, picture in enumerate(pictures)]


def usable_frames(
    clip: list[Frame], settings: IngestSettings, progress: Callable[[int], None] = lambda frames: None
) -> UsableFrames:
    return UsableFrames(clip, RegionCalibration(), settings, progress)


def test_a_clip_that_begins_in_air_is_used_from_its_first_echoes(settings: IngestSettings) -> None:
    """It is longer in air than the look-ahead. The name on the screen must not count as part of the picture."""
    rng = np.random.default_rng(5)
    dark = settings.sector_lookahead_frames * 2
    clip = frames([screen("AF-0412", None)] * dark + [screen("AF-0412", rng) for _ in range(30)])
    reported: list[int] = []
    found = usable_frames(clip, settings, reported.append)
    assert found.sector is not None
    assert found.opening_frame is clip[dark]
    np.testing.assert_allclose(found.sector.box, BOX, atol=3)
    assert not found.sector.mask[:30].any()
    used = [frame.index for frame, _ in found]
    assert used == list(range(dark, dark + 30))
    assert found.frames_read == sum(reported) == len(clip)
    assert sum(number for _, number in found.quality.skipped) == dark


@pytest.mark.parametrize("moving", [False, True])
def test_a_clip_without_a_sector_returns_no_frame(settings: IngestSettings, moving: bool) -> None:
    """Not even if the text on its screen changes from frame to frame, as a clock does."""
    clip = frames(screen(f"AF-0412 {index if moving else 0:02d}", None) for index in range(60))
    found = usable_frames(clip, settings)
    assert (found.sector, found.opening_frame) == (None, None)
    assert list(found) == []
    assert found.frames_read == 60
    reason = found.rejection_reason(0)
    assert reason.startswith("no part of the screen shows echoes in any of 60 frames (60 ")
    assert "more gel" in reason


def test_the_colours_of_a_menu_are_not_flow(settings: IngestSettings) -> None:
    chroma = np.full((HEIGHT // 4, WIDTH // 4, 2), 200, np.uint8)
    menu = [replace(frame, chroma=chroma) for frame in frames([screen("AF-0412", None)] * 5)]
    assert [cause for cause, _ in usable_frames(menu, settings).quality.skipped] == ["too dark"]


def test_an_empty_clip(settings: IngestSettings) -> None:
    found = usable_frames([], settings)
    assert list(found) == []
    assert found.sector is None
    assert found.quality.skipped == ()


@pytest.mark.parametrize("is_film", [True, False])
def test_only_a_film_can_be_static(settings: IngestSettings, *, is_film: bool) -> None:
    """The same still twice in a folder is a copy, and nothing has to be recorded differently."""
    picture = screen("AF-0412", np.random.default_rng(5))
    found = usable_frames(
        [replace(frame, time_s=frame.time_s if is_film else None) for frame in frames([picture] * 10)], settings
    )
    assert len(list(found)) == 10
    assert found.quality.is_static is is_film
    assert found.quality.skipped == ()


def test_a_single_frame_and_a_moving_clip_are_not_static(settings: IngestSettings) -> None:
    rng = np.random.default_rng(5)
    for clip in ([screen("", rng)], [screen("", rng)] * 9 + [screen("", rng)]):
        found = usable_frames(frames(clip), settings)
        assert len(list(found)) == len(clip)
        assert not found.quality.is_static


def test_a_clip_with_too_few_usable_frames_gets_advice_for_the_next_scan(settings: IngestSettings) -> None:
    rng = np.random.default_rng(5)
    moving = [screen("AF-0412", rng) for _ in range(2)]
    found = usable_frames(frames([*moving, *[screen("AF-0412", None)] * 38]), settings)
    assert len(list(found)) == 2
    assert found.rejection_reason(2) == (
        "only 2 of 40 frames could be used (38 too dark); for the next scan: use more gain, and more gel."
    )
