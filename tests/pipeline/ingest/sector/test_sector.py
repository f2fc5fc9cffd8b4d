"""Screens are drawn from known sectors, with what scanners show around them, and the sectors must be found again."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.ingest.sector.fan import Fan
from pipeline.ingest.sector.sector import Sector, find_sector
from tests.pipeline.ingest.sector_screens import mask_iou, require_sector, simulated_screens

Grey = NDArray[np.uint8]
Mask = NDArray[np.bool_]

FAN = Fan((320.0, -60.0), 100.0, 460.0, -0.6, 0.6)


def speckle(shape: tuple[int, int], rng: np.random.Generator) -> NDArray[np.float64]:
    """Brightness of log-compressed speckle with a grain of about 3 x 5 px, over tissue of varying strength."""
    field = [cv2.GaussianBlur(rng.normal(size=shape), (0, 0), 2.0, sigmaY=1.2) for _ in range(2)]
    tissue = cv2.GaussianBlur(rng.normal(size=shape), (0, 0), 40.0)
    decibel = 20 * np.log10(np.hypot(*field) / np.std(field[0]) + 1e-3) + 6 * tissue / tissue.std()
    return np.asarray(np.clip(90 + 4 * decibel, 0, 255))


def decorated(grey: Grey, mask: Mask) -> Grey:
    """Burnt-in text, a ruler, a grey bar and a logo around the sector, but nothing inside it."""
    screen = np.zeros_like(grey)
    height, width = grey.shape
    small = height / 480
    for line in range(3):
        place = int(6 * small), int((20 + 18 * line) * small)
        cv2.putText(screen, f"FR {20 + line} Hz", place, cv2.FONT_HERSHEY_SIMPLEX, 0.5 * small, 220, 1)
    for tick in range(10, height - 10, max(8, height // 24)):
        cv2.line(screen, (width - 14, tick), (width - 6, tick), 180, 1)
    bar = np.linspace(255, 0, height // 3).astype(np.uint8)
    screen[height // 2 : height // 2 + len(bar), 4 : 4 + width // 60] = bar[:, None]
    cv2.circle(screen, (width - width // 14, height // 12), height // 30, 200, -1)
    cv2.putText(
        screen,
        "ALDER FEN 2026-05-14",
        (width // 3, height - 8),
        cv2.FONT_HERSHEY_SIMPLEX,
        0.5 * small,
        230,
        1,
    )
    around = cv2.dilate(mask.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    return np.where(around, grey, screen).astype(np.uint8)


def screen(mask: Mask, seed: int = 1, frames: int = 3) -> list[Grey]:
    rng = np.random.default_rng(seed)
    pictures = []
    for _ in range(frames):
        echoes = np.where(mask, speckle(mask.shape, rng), 0).astype(np.uint8)
        noisy = decorated(echoes, mask).astype(float) + rng.normal(0, 0.7, mask.shape)
        pictures.append(np.clip(noisy, 0, 255).astype(np.uint8))
    return pictures


def rectangle(shape: tuple[int, int], x0: int, y0: int, x1: int, y1: int) -> Mask:
    mask = np.zeros(shape, dtype=np.bool_)
    mask[y0:y1, x0:x1] = True
    return mask


def assert_is_fan(sector: Sector, fan: Fan, atol_px: float) -> None:
    assert sector.kind == "fan"
    assert sector.apex_xy is not None
    assert sector.inner_radius_px is not None
    assert sector.outer_radius_px is not None
    # Along the axis, an error of the apex is also an error of the radii, so the borders are compared.
    borders = [sector.apex_xy[1] + sector.inner_radius_px, sector.apex_xy[1] + sector.outer_radius_px]
    true = [fan.apex_xy[1] + fan.inner_radius_px, fan.apex_xy[1] + fan.outer_radius_px]
    np.testing.assert_allclose(borders, true, atol=atol_px)
    np.testing.assert_allclose(sector.apex_xy, fan.apex_xy, atol=5 * atol_px)


@pytest.mark.parametrize(
    "fan",
    [
        FAN,
        Fan((300.0, 5.0), 45.0, 420.0, -0.75, 0.75),
        Fan((330.0, -200.0), 240.0, 640.0, -0.35, 0.35),
        Fan((320.0, 20.0), 8.0, 430.0, -0.7, 0.7),
    ],
    ids=["convex", "micro-convex", "shallow", "phased"],
)
def test_fans_are_found_without_the_text_around_them(fan: Fan) -> None:
    mask = fan.mask(480, 640)
    sector = require_sector(screen(mask))
    assert_is_fan(sector, fan, atol_px=6.0)
    assert mask_iou(sector.mask, mask) > 0.96


def test_one_still_frame_is_enough() -> None:
    mask = FAN.mask(480, 640)
    assert mask_iou(require_sector(screen(mask, frames=1)).mask, mask) > 0.96


@pytest.mark.parametrize("size", [(240, 320), (768, 1024), (1080, 1920)])
def test_fans_are_found_on_screens_of_all_sizes(size: tuple[int, int]) -> None:
    factor = size[0] / 480
    fan = FAN.scaled(factor, factor)
    fan = Fan((size[1] / 2, fan.apex_xy[1]), fan.inner_radius_px, fan.outer_radius_px, fan.left_rad, fan.right_rad)
    mask = fan.mask(*size)
    sector = require_sector(screen(mask, frames=1))
    assert_is_fan(sector, fan, atol_px=6.0 * max(factor, 1))
    assert mask_iou(sector.mask, mask) > 0.95


def test_shadows_and_attenuation_do_not_cut_into_the_fan() -> None:
    mask = FAN.mask(480, 640)
    y, x = np.mgrid[:480, :640]
    angle = np.arctan2(x - FAN.apex_xy[0], y - FAN.apex_xy[1])
    shadow = ((abs(angle - 0.1) < 0.12) | (abs(angle + 0.35) < 0.08)) & (y > 200)
    pictures = [
        np.where(shadow & mask, 0, np.where(mask, frame * np.clip(1.6 - y / 300, 0.15, 1), frame)).astype(np.uint8)
        for frame in screen(mask)
    ]
    sector = require_sector(pictures)
    assert sector.kind == "fan"
    assert mask_iou(sector.mask, mask) > 0.93


def test_a_cropped_fan_keeps_its_geometry() -> None:
    fan = Fan((320.0, -60.0), 100.0, 520.0, -0.7, 0.7)
    pictures = [frame[60:460, 130:510] for frame in screen(fan.mask(480, 640))]
    sector = require_sector(pictures)
    assert sector.kind == "fan"
    assert sector.apex_xy is not None
    np.testing.assert_allclose(sector.apex_xy, (190.0, -120.0), atol=20.0)
    assert mask_iou(sector.mask, fan.mask(480, 640)[60:460, 130:510]) > 0.95


@pytest.mark.parametrize("frames", [1, 3])
def test_sectors_of_simulated_screens(frames: int) -> None:
    """Shadows, gaps, rulers, bars, text and dark depths as `synthetic` draws them, from a seed not used for tuning."""
    found = [
        mask_iou(require_sector(list(simulated.frames)).mask, simulated.sector_mask)
        for simulated in simulated_screens(6, 9105, frames)
    ]
    assert np.mean(found) >= 0.98, found
    assert min(found) > 0.95, found


def test_a_probe_at_the_bottom_is_found_upside_down() -> None:
    mask = FAN.mask(480, 640)
    sector = require_sector([frame[::-1].copy() for frame in screen(mask)])
    assert sector.upside_down
    assert mask_iou(sector.mask, mask[::-1]) > 0.96
    assert sector.apex_xy is not None
    # The face is at y = 439 under the middle, and depth grows upward.
    np.testing.assert_allclose(sector.depth_px(np.array([[320.0, 339.0]])), [100.0], atol=6.0)


def test_a_shadow_along_one_side_is_part_of_the_fan() -> None:
    mask = FAN.mask(480, 640)
    y, x = np.mgrid[:480, :640]
    shadow = (np.arctan2(x - FAN.apex_xy[0], y - FAN.apex_xy[1]) < -0.42) & (y > 130)
    pictures = [np.where(shadow & mask, 0, frame).astype(np.uint8) for frame in screen(mask)]
    sector = require_sector(pictures)
    assert sector.kind == "fan"
    assert mask_iou(sector.mask, mask) > 0.93


@pytest.mark.parametrize("frames", [1, 3])
def test_a_fan_mostly_in_shadow_is_found_from_its_lit_strips(frames: int) -> None:
    """Bones lie just below the skin. Only the skin, a gap between the bones and a strip along one side are lit."""
    mask = FAN.mask(480, 640)
    y, x = np.mgrid[:480, :640]
    radius, angle = np.hypot(x - 320, y + 60), np.arctan2(x - 320, y + 60)
    shown = (radius < 140) | (abs(angle - 0.1) < 0.2) | (angle < -0.5)
    pictures = [np.where(mask & ~shown, 0, frame).astype(np.uint8) for frame in screen(mask, frames=frames)]
    sector = require_sector(pictures)
    assert sector.kind == "fan"
    assert mask_iou(sector.mask, mask) > 0.9


@pytest.mark.parametrize("steering", [-0.35, 0.2])
def test_steered_beams(steering: float) -> None:
    y, x = np.mgrid[:480, :640]
    along = x - steering * y
    mask = (along >= 200 - 100 * steering) & (along < 440 - 100 * steering) & (y >= 40) & (y < 400)
    sector = require_sector(screen(mask))
    assert sector.kind == "rectangle"
    assert sector.steering == pytest.approx(steering, abs=0.03)
    assert mask_iou(sector.mask, mask) > 0.96
    np.testing.assert_allclose(
        sector.depth_px(np.array([[300.0, 240.0]])), [200 * np.hypot(1, steering)], atol=6.0
    )  # along the beam


def test_a_static_bar_that_touches_the_echoes_is_left_out() -> None:
    mask = rectangle((480, 640), 120, 60, 520, 440)
    pictures = screen(mask)
    for picture in pictures:
        picture[60:440, 520:560] = np.linspace(255, 20, 380).astype(np.uint8)[:, None]  # a wide grey bar
    np.testing.assert_allclose(require_sector(pictures).box, (120, 60, 520, 440), atol=6)


@pytest.mark.parametrize("box", [(120, 60, 520, 440), (200, 40, 440, 420), (60, 90, 600, 330)])
def test_rectangles(box: tuple[int, int, int, int]) -> None:
    mask = rectangle((480, 640), *box)
    sector = require_sector(screen(mask))
    assert sector.kind == "rectangle"
    np.testing.assert_allclose(sector.box, box, atol=4)
    assert mask_iou(sector.mask, mask) > 0.97


@pytest.mark.parametrize("page", [255, 60])
def test_a_rectangle_on_a_bright_page(page: int) -> None:
    mask = rectangle((480, 640), 160, 80, 500, 420)
    pictures = [np.where(mask, frame, page).astype(np.uint8) for frame in screen(mask)]
    np.testing.assert_allclose(require_sector(pictures).box, (160, 80, 500, 420), atol=6)


def test_a_picture_full_of_echoes_is_a_rectangle() -> None:
    sector = require_sector([speckle((300, 400), np.random.default_rng(3)).astype(np.uint8)])
    assert sector.kind == "rectangle"
    assert sector.mask.mean() > 0.99


@pytest.mark.parametrize("level", [0, 3, 255])
def test_flat_pictures_have_no_sector(level: int) -> None:
    assert find_sector([np.full((480, 640), level, np.uint8)]) is None


def test_text_alone_is_not_a_sector() -> None:
    dark = np.zeros((480, 640), dtype=np.bool_)
    assert find_sector([decorated(dark.astype(np.uint8), dark)]) is None


def test_the_smallest_picture() -> None:
    rng = np.random.default_rng(4)
    assert require_sector([rng.integers(0, 255, (64, 64), dtype=np.uint8)]).mask.shape == (64, 64)


@settings(max_examples=12, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
@given(
    x=st.floats(260, 380),
    face=st.floats(15, 70),
    inner=st.floats(20, 250),
    depth=st.floats(250, 380),
    half=st.floats(0.25, 0.75),
    seed=st.integers(0, 2**31),
)
def test_any_fan_is_found(x: float, face: float, inner: float, depth: float, half: float, seed: int) -> None:
    fan = Fan((x, face - inner), inner, inner + depth, -half, half)
    mask = fan.mask(480, 640)
    # No text is drawn, because wide fans would cover it.
    rng = np.random.default_rng(seed)
    sector = require_sector([np.where(mask, speckle((480, 640), rng), 0).astype(np.uint8)])
    assert sector.kind == "fan"
    assert mask_iou(sector.mask, mask) > 0.93


@given(st.floats(-3, 3), st.floats(0, 400))
def test_depth_in_a_fan_is_measured_along_the_beam(angle: float, depth: float) -> None:
    sector = Sector("fan", np.ones((4, 4), dtype=np.bool_), (0, 0, 4, 4), (50.0, -20.0), 60.0, 500.0)
    point = [50.0 + (60 + depth) * np.sin(angle), -20.0 + (60 + depth) * np.cos(angle)]
    np.testing.assert_allclose(sector.depth_px(np.array([point])), [depth], atol=1e-9)


def test_depth_in_a_rectangle_and_above_the_face() -> None:
    linear = Sector("rectangle", np.ones((4, 4), dtype=np.bool_), (10, 20, 100, 220))
    np.testing.assert_array_equal(linear.depth_px(np.array([[50.0, 20.0], [60.0, 120.0], [5.0, 3.0]])), [0, 100, 0])
    assert linear.depth_range_px == 200
    assert linear.depth_px(np.empty((0, 2))).shape == (0,)
    fan = Sector("fan", np.ones((4, 4), dtype=np.bool_), (0, 0, 4, 4), (50.0, -20.0), 60.0, 500.0)
    assert fan.depth_px(np.array([[50.0, 0.0]])) == [0.0]
    assert fan.depth_range_px == 440
