"""The path of a picture into the network and of its output back, with an engine that finds the brightest spot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from models.output_channels import CHANNEL_COUNT, CHANNELS, STRIDE
from pipeline.detect.detector import Detector, InputTransform
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.settings import load_settings

SETTINGS = load_settings(None).detect


class BrightSpot:
    """An engine that finds one round object, 20 px in radius, at the brightest spot of each picture."""

    name, weights_name, weights_sha256 = "spot", "spot", "0" * 64

    def __init__(self) -> None:
        self.seen: list[NDArray[np.float32]] = []

    def run(self, pictures: NDArray[np.float32]) -> NDArray[np.float32]:
        side = pictures.shape[-1] // STRIDE
        outputs = np.zeros((len(pictures), CHANNEL_COUNT, side, side), dtype=np.float32)
        outputs[:, CHANNELS["centre"]] = -9
        outputs[:, CHANNELS["uncertainty"]] = np.log([0.5, 0.02])[:, None, None]  # half a cell; 2 %
        outputs[:, CHANNELS["stage"].stop - 1] = 5
        outputs[:, CHANNELS["shape"].start : CHANNELS["shape"].start + 2] = np.log(20 / STRIDE)
        for output, picture in zip(outputs, pictures[:, 0], strict=True):
            self.seen.append(picture)
            y, x = (float(v) for v in np.argwhere(picture > 0.5).mean(axis=0))
            row, column = round((y - 1.5) / STRIDE), round((x - 1.5) / STRIDE)
            output[0, row, column] = 4
            cells = np.stack(np.meshgrid(np.arange(side), np.arange(side)))
            centre = np.array([(x - 1.5) / STRIDE, (y - 1.5) / STRIDE])
            output[CHANNELS["offset"]] = centre[:, None, None] - cells
        return outputs


def sector(width: int, height: int, box: tuple[int, int, int, int]) -> Sector:
    mask = np.zeros((height, width), dtype=bool)
    mask[box[1] : box[3], box[0] : box[2]] = True
    return Sector("rectangle", mask, box)


@pytest.mark.parametrize(
    ("width", "height", "box"),
    [(640, 480, (40, 20, 600, 460)), (640, 480, (200, 50, 420, 470)), (200, 150, (0, 0, 200, 150))],
    ids=["wide", "tall", "small"],
)
def test_detections_are_where_the_object_is_in_the_frame(
    width: int, height: int, box: tuple[int, int, int, int]
) -> None:
    x, y = (box[0] + box[2]) // 2 + 12, (box[1] + box[3]) // 2 - 9
    grey = np.zeros((height, width), dtype=np.uint8)
    grey[y - 3 : y + 4, x - 3 : x + 4] = 255
    detector = Detector(BrightSpot(), SETTINGS)
    (found,) = detector.detect([Frame(7, None, grey)], sector(width, height, box))
    assert found.frame == 7
    assert len(found.scores) == 1
    np.testing.assert_allclose(found.ellipses[0, :2], [x, y], atol=0.75)
    scale = max(box[2] - box[0], box[3] - box[1]) / 256
    np.testing.assert_allclose(found.ellipses[0, 2:4], 20 * scale, rtol=1e-6)
    np.testing.assert_allclose(found.outline_uncertainties, [[0.5 * STRIDE * scale, 0.02]], rtol=1e-6)
    np.testing.assert_allclose(found.depths_px, found.ellipses[:, 1] - box[1])
    assert found.stage_probabilities[0].argmax() == 2


def test_a_picture_that_is_upside_down_is_flipped_for_the_network() -> None:
    grey = np.zeros((300, 400), dtype=np.uint8)
    grey[140:147, 197:204] = 255  # y = 143
    grey[199] = 90  # the lowest row of the sector, where the probe is
    engine = BrightSpot()
    box = (100, 60, 300, 200)
    turned = replace(sector(400, 300, box), upside_down=True)
    (found,) = Detector(engine, SETTINGS).detect([Frame(0, None, grey)], turned)
    rows = engine.seen[0].max(axis=1)
    assert rows[: np.argmax(rows > 0.5)].max() == pytest.approx(90 / 255, abs=0.01)
    np.testing.assert_allclose(found.ellipses[0, :2], [200, 143], atol=0.75)


def test_outlines_are_mirrored_where_the_picture_is_upside_down() -> None:
    transform = InputTransform(replace(sector(256, 256, (0, 0, 256, 256)), upside_down=True))
    in_frame = transform.ellipses_to_frame(np.array([[10.0, 20.0, 9.0, 5.0, 30.0], [10.0, 20.0, 9.0, 5.0, -90.0]]))
    np.testing.assert_allclose(in_frame, [[10.0, 235.0, 9.0, 5.0, -30.0], [10.0, 235.0, 9.0, 5.0, -90.0]])


def test_nothing_outside_the_sector_reaches_the_network() -> None:
    grey = np.full((300, 400), 255, dtype=np.uint8)
    grey[100:200, 100:300] = 60
    grey[150, 200] = 255
    engine = BrightSpot()
    Detector(engine, SETTINGS).detect([Frame(0, None, grey)], sector(400, 300, (100, 100, 300, 200)))
    seen = engine.seen[0]
    assert seen[:64].max() == seen[192:].max() == 0.0
    assert np.median(seen[64:192]) == pytest.approx(60 / 255, abs=1e-3)


def test_no_frames_give_no_detections() -> None:
    assert Detector(BrightSpot(), SETTINGS).detect([], sector(64, 64, (0, 0, 64, 64))) == []
