"""The pictures of the eggs: outline, line style and scale bar are where they should be."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest

from models.ellipse import outline
from pipeline.estimate.results import EggFinding
from pipeline.report.egg_pictures import OUTLINE_GAP_PX, dash_segments, egg_picture
from pipeline.report.sightings import EggPicture, best_picture
from pipeline.scan.clip_scan import ClipScan, ScanPicture

if TYPE_CHECKING:
    from tests.pipeline.report.example_exams import ExampleExam


Ellipse = tuple[float, float, float, float, float]


def decoded(jpeg: bytes | None) -> np.ndarray:
    assert jpeg is not None
    picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_UNCHANGED)
    assert picture is not None
    assert picture.shape == (360, 480)
    return np.asarray(picture, np.uint8)


def picture_of(egg: EggFinding, example: ExampleExam) -> EggPicture:
    found = best_picture(egg, example.scans)
    assert found is not None
    return found


def on_black_frame(found: EggPicture, ellipse: Ellipse, size: tuple[int, int] = (480, 640)) -> EggPicture:
    """The same egg on a black frame, so that everything bright was drawn by the code under test."""
    jpeg = bytes(cv2.imencode(".jpg", np.zeros(size, np.uint8))[1])
    return replace(found, picture=ScanPicture(found.picture.frame, ellipse, jpeg))


@pytest.mark.parametrize("ellipse", [(300.0, 200.0, 60.0, 40.0, 30.0), (610.0, 20.0, 50.0, 30.0, -70.0)])
def test_the_outline_is_just_outside_the_egg(clutch: ExampleExam, ellipse: Ellipse) -> None:
    """Also for an egg at the edge of the frame, where the picture reaches beyond the frame."""
    egg = clutch.finding.eggs[0]
    found = picture_of(egg, clutch)
    drawn = decoded(egg_picture(egg, on_black_frame(found, ellipse))).astype(int)
    zoomed = np.array([ellipse])
    points = outline(zoomed, corners=200)[0]
    extents = points.max(axis=0) - points.min(axis=0)
    zoom = 480 / (2.3 * max(extents[0], extents[1] * 4 / 3))
    middle = np.array([239.5, 179.5])
    line = outline(
        np.array([[*middle, ellipse[2] * zoom + OUTLINE_GAP_PX, ellipse[3] * zoom + OUTLINE_GAP_PX, ellipse[4]]])
    )[0]
    brightness = [drawn[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2].max() for x, y in line]
    assert min(brightness) > 150
    inside = outline(np.array([[*middle, ellipse[2] * zoom - 2, ellipse[3] * zoom - 2, ellipse[4]]]))[0]
    assert max(drawn[round(y), round(x)] for x, y in inside) < 110


def test_line_styles_differ_by_stage(clutch: ExampleExam) -> None:
    """The fraction of the outline that is drawn: all, most, or about a quarter."""
    shares = []
    for stage in ("calcified", "thin-shelled", "follicle"):
        egg = replace(clutch.finding.eggs[0], stage=stage)
        found = on_black_frame(picture_of(egg, clutch), (300.0, 200.0, 60.0, 40.0, 0.0))
        drawn = decoded(egg_picture(egg, found)).astype(int)
        zoom = 480 / (2.3 * 120)
        line = outline(
            np.array([[239.5, 179.5, 60 * zoom + OUTLINE_GAP_PX, 40 * zoom + OUTLINE_GAP_PX, 0.0]]), corners=720
        )[0]
        shares.append(np.mean([drawn[round(y), round(x)] > 128 for x, y in line]))
    calcified, thin, follicle = shares
    assert calcified > 0.97
    assert 0.45 < thin < 0.85
    assert 0.1 < follicle < 0.5


def test_a_scale_bar_only_where_a_scale_is_known(clutch: ExampleExam, without_scale: ExampleExam) -> None:
    corner = (slice(322, 360), slice(370, 480))
    egg = clutch.finding.eggs[0]
    known = on_black_frame(picture_of(egg, clutch), (300.0, 200.0, 60.0, 40.0, 0.0))
    assert decoded(egg_picture(egg, known))[corner].max() > 200
    egg = without_scale.finding.eggs[0]
    unknown = on_black_frame(picture_of(egg, without_scale), (300.0, 200.0, 60.0, 40.0, 0.0))
    assert decoded(egg_picture(egg, unknown))[corner].max() < 60


def test_the_scale_bar_has_the_length_on_its_label(clutch: ExampleExam) -> None:
    egg = clutch.finding.eggs[0]
    found = on_black_frame(picture_of(egg, clutch), (300.0, 200.0, 60.0, 40.0, 0.0))
    drawn = decoded(egg_picture(egg, found))
    bar = np.flatnonzero(drawn[346] > 128)
    assert found.scan.mm_per_px is not None
    px_per_mm = 480 / (2.3 * 120) / found.scan.mm_per_px
    lengths = [n for n in (50, 20, 10, 5, 2, 1) if n * px_per_mm <= 144]
    assert bar[-1] - bar[0] == pytest.approx(lengths[0] * px_per_mm, abs=2.5)


def test_same_input_same_bytes(clutch: ExampleExam) -> None:
    egg = clutch.finding.eggs[0]
    found = picture_of(egg, clutch)
    assert egg_picture(egg, found) == egg_picture(egg, found)


def test_a_damaged_picture_gives_none(clutch: ExampleExam) -> None:
    egg = clutch.finding.eggs[0]
    found = picture_of(egg, clutch)
    broken = replace(found, picture=replace(found.picture, jpeg=b"not a picture"))
    assert egg_picture(egg, broken) is None


def file_of_picture(egg: EggFinding, scans: tuple[ClipScan, ...]) -> str | None:
    found = best_picture(egg, scans)
    return found.scan.file if found else None


def test_the_sighting_with_the_highest_score_is_shown(clutch: ExampleExam) -> None:
    egg = clutch.finding.eggs[0]
    left, right, refused = clutch.scans
    seen = (right.track == 1) & (right.frame == right.pictures[1].frame)
    surer = replace(right, score=np.where(seen, 0.999, right.score))
    assert file_of_picture(egg, (left, surer, refused)) == "right-1.mp4"
    unsure = replace(right, score=np.where(seen, 0.1, right.score))
    assert file_of_picture(egg, (left, unsure, refused)) == "left-1.mp4"
    assert file_of_picture(egg, (replace(left, pictures={}), replace(right, pictures={}))) is None


def test_dashes_close_without_a_seam() -> None:
    circle = outline(np.array([[0.0, 0.0, 50.0, 50.0, 0.0]]), corners=720)[0]
    pieces = dash_segments(circle, 10.0, 6.0)
    drawn = sum(np.hypot(*np.diff(piece, axis=0).T).sum() for piece in pieces)
    assert drawn == pytest.approx(2 * np.pi * 50 * 10 / 16, rel=0.01)
    gaps = [np.hypot(*(b[0] - a[-1])) for a, b in zip(pieces, [*pieces[1:], pieces[0]], strict=True)]
    assert max(gaps) - min(gaps) < 0.05
