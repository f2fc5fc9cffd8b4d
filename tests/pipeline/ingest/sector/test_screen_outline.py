"""Screens whose plain grey shows where the sector is, although almost nothing of it is bright."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.ingest.sector.echo_map import find_echoes
from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.screen_outline import find_outline_fan, find_screen_outline
from tests.pipeline.ingest.sector_screens import mask_iou, require_sector

Grey = NDArray[np.uint8]
Mask = NDArray[np.bool_]

FAN = Fan((320.0, -60.0), 100.0, 460.0, -0.6, 0.6)


def speckle(shape: tuple[int, int], seed: int) -> NDArray[np.float32]:
    grain = cv2.GaussianBlur(np.random.default_rng(seed).random(shape, np.float32), (0, 0), 1.2)
    return np.asarray(90 + 400 * (grain - grain.mean()), np.float32)


def shadowed(mask: Mask, *, screen: float, shadow: float, noise: float = 0.0, seed: int = 3) -> Grey:
    """One still on a plain screen: the skin and one beam of the sector are bright, and the rest lies in shadow."""
    y, x = np.mgrid[: mask.shape[0], : mask.shape[1]]
    bright = (np.hypot(x - 320, y + 60) < 130) | (abs(np.arctan2(x - 320, y + 60) - 0.15) < 0.12)
    dark = shadow + noise * np.random.default_rng(seed).normal(size=mask.shape)
    picture = np.where(mask, np.where(bright, speckle(mask.shape, seed), dark), screen)
    return np.clip(picture, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("screen", "shadow", "noise"), [(18, 0, 0), (9, 18, 0), (0, 0, 4)], ids=["darker", "brighter", "noisy"]
)
@pytest.mark.parametrize("upside_down", [False, True])
def test_a_still_mostly_in_shadow(screen: float, shadow: float, noise: float, *, upside_down: bool) -> None:
    mask = FAN.mask(480, 640)
    picture = shadowed(mask, screen=screen, shadow=shadow, noise=noise)
    if upside_down:
        picture, mask = picture[::-1].copy(), mask[::-1]
    sector = require_sector([picture])
    assert (sector.kind, sector.upside_down) == ("fan", upside_down)
    assert mask_iou(sector.mask, mask) > 0.98


def test_an_outline_with_a_gap_from_a_plain_shadow_is_not_a_fan() -> None:
    """The search among echoes then finds how far the fan reaches."""
    mask = FAN.mask(480, 640)
    y, x = np.mgrid[:480, :640]
    gap = (abs(np.arctan2(x - 320, y + 60) - 0.15) < 0.1) & (np.hypot(x - 320, y + 60) > 130)
    frames = np.where(mask & ~gap, speckle((480, 640), 5), 0)[::2, ::2][None].astype(np.float32)
    outline = find_screen_outline(frames)
    assert outline is not None
    assert find_outline_fan(outline, find_echoes(frames)) is None


def test_a_tilted_outline_is_a_part_of_a_fan() -> None:
    """One side is completely dark, and the rest is exactly a narrower fan."""
    fan = Fan((320.0, -60.0), 100.0, 460.0, -0.6, 0.5)
    frames = np.where(fan.mask(480, 640), speckle((480, 640), 5), 0)[::2, ::2][None].astype(np.float32)
    outline = find_screen_outline(frames)
    assert outline is not None
    assert find_outline_fan(outline, find_echoes(frames)) is None


def test_a_fan_that_does_not_hold_the_echoes_is_rejected() -> None:
    """A logo or a grey bar may have the outline of a fan while the echoes are elsewhere."""
    frames = shadowed(FAN.mask(480, 640), screen=18, shadow=0)[::2, ::2][None].astype(np.float32)
    outline, evidence = find_screen_outline(frames), find_echoes(frames)
    assert outline is not None
    assert find_outline_fan(outline, evidence) is not None
    evidence.echo[:20, :] = 1
    evidence.echo[200:] = 1
    assert find_outline_fan(outline, evidence) is None


@pytest.mark.parametrize("steering", [0.0, 0.2])
def test_a_rectangle_is_not_a_fan(steering: float) -> None:
    y, x = np.mgrid[:240, :320]
    along = x - steering * y
    frame = np.where((along > 70) & (along < 240) & (y > 20) & (y < 210), speckle((240, 320), 5), 12)
    frames = frame[None].astype(np.float32)
    outline = find_screen_outline(frames)
    assert outline is not None
    assert find_outline_fan(outline, find_echoes(frames)) is None


def test_a_picture_full_of_echoes_with_notches_is_not_a_fan() -> None:
    """Names were blacked out in its corners, which a wide fan would cut off."""
    frames = speckle((240, 320), 8)[None]
    frames[:, 190:, 250:] = frames[:, :40, 280:] = 0
    outline = find_screen_outline(frames)
    assert outline is not None
    assert find_outline_fan(outline, find_echoes(frames)) is None


def test_a_rim_full_of_echoes_shows_no_screen() -> None:
    assert find_screen_outline(speckle((240, 320), 4)[None]) is None


def test_a_plain_screen_has_no_outline() -> None:
    assert find_screen_outline(np.full((1, 240, 320), 7, np.float32)) is None


@pytest.mark.parametrize("page", [40, 60, 255])
@pytest.mark.parametrize("frames", [1, 3])
def test_text_in_a_window_on_a_page_is_left_out(page: int, frames: int) -> None:
    """A program's window around the scanner's screen: the names on that screen are not echoes."""
    mask = FAN.mask(480, 640)
    text = np.zeros((480, 640), np.uint8)
    for line in range(4):
        cv2.putText(text, "ALDER FEN 2026", (40, 60 + 20 * line), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 230, 1)
    cv2.putText(text, "AF-0007", (500, 430), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 230, 1)
    text[mask] = 0
    inner = np.s_[60:540, 80:720]
    pictures = np.full((frames, 600, 800), page, np.uint8)
    for seed, picture in enumerate(pictures):
        picture[inner] = np.where(mask, np.clip(speckle((480, 640), seed), 0, 255), text)
    on_page = np.zeros((2, 600, 800), np.bool_)
    on_page[:, *inner] = mask, text > 0
    sector = require_sector(list(pictures))
    assert not (sector.mask & on_page[1]).any()
    assert mask_iou(sector.mask, on_page[0]) > 0.97
    assert sector.apex_xy is not None
    np.testing.assert_allclose(sector.apex_xy, (400, 0), atol=8)


def test_a_rectangle_on_a_dark_screen_is_not_a_window() -> None:
    """As a window, its own shadows would count as the screen."""
    frame = np.full((240, 320), 20, np.float32)
    frame[20:200, 60:260] = speckle((180, 200), 6)
    outline = find_screen_outline(frame[None])
    assert outline is not None
    assert outline.inner_screen_box() is None
    frame[frame == 20] = 40
    outline = find_screen_outline(frame[None])
    assert outline is not None
    np.testing.assert_allclose(outline.inner_screen_box(), (60, 20, 260, 200), atol=1)
