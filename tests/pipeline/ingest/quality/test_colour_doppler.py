"""Flow over the echoes of simulated screens, after a codec that stores colours at a quarter of the resolution."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from pipeline.bench.input_files.blind_detector import BlindDetector
from pipeline.bench.input_files.simulated_screens import SimulatedScreen
from pipeline.exams.exam import ExamClip
from pipeline.ingest.clip import open_clip
from pipeline.ingest.quality.colour_doppler import ColourDopplerDetector
from pipeline.ingest.sector.sector import Sector
from pipeline.scan.clip_scan import scan_clip
from pipeline.settings import load_settings
from pipeline.settings_tables import IngestSettings
from tests.pipeline.ingest.dicom.dicom_files import write_uncompressed_dicom
from tests.pipeline.ingest.doppler_screens import (
    Rgb,
    encode_colour_video,
    grey_to_rgb,
    tinted,
    with_colour_bar,
    with_flow,
    with_marks,
)
from tests.pipeline.ingest.sector_screens import require_sector, simulated_screens
from tests.pipeline.ingest.video_files import read_all_frames

Draw = Callable[[SimulatedScreen, np.random.Generator], Rgb]
SEED = 8803


@pytest.fixture(scope="module")
def screens() -> list[tuple[SimulatedScreen, Sector]]:
    """Simulated screens, each with the sector that is found on it."""
    return [(screen, require_sector(list(screen.frames))) for screen in simulated_screens(3, SEED, 3)]


def plain(screen: SimulatedScreen, _: np.random.Generator) -> Rgb:
    return grey_to_rgb(screen.frames[0])


def tint(screen: SimulatedScreen, _: np.random.Generator, name: str) -> Rgb:
    return tinted(screen.frames[0], name)


def marks(screen: SimulatedScreen, rng: np.random.Generator, background: Draw = plain) -> Rgb:
    return with_marks(with_colour_bar(background(screen, rng)), screen.sector_mask)


def flow(
    screen: SimulatedScreen, rng: np.random.Generator, share: float, background: Draw = plain, *, power: bool = False
) -> Rgb:
    return with_flow(background(screen, rng), screen.sector_mask, rng, share=share, power=power)


WITH_FLOW: dict[str, Draw] = {
    "little": partial(flow, share=0.03),
    "much": partial(flow, share=0.3),
    "power": partial(flow, share=0.05, power=True),
    "on sepia": partial(flow, share=0.05, background=partial(tint, name="sepia")),
    "on blue": partial(flow, share=0.05, background=partial(tint, name="blue")),
}
WITHOUT_FLOW: dict[str, Draw] = {
    "greys": plain,
    "marks": marks,
    "sepia": partial(tint, name="sepia"),
    "blue": partial(tint, name="blue"),
    "glow": partial(tint, name="glow"),
    "marks on sepia": partial(marks, background=partial(tint, name="sepia")),
}


@pytest.mark.parametrize("quality", ["18", "30"])
def test_flow_is_distinguished_from_tints_and_marks(
    tmp_path: Path, settings: IngestSettings, screens: list[tuple[SimulatedScreen, Sector]], quality: str
) -> None:
    drawings = WITH_FLOW | WITHOUT_FLOW
    for number, (screen, sector) in enumerate(screens):
        rng = np.random.default_rng([SEED, number])
        pictures = [draw(screen, rng) for draw in drawings.values()]
        path = encode_colour_video(tmp_path / f"{number}.mp4", pictures, crf=quality, g="1", preset="veryfast")
        detector = ColourDopplerDetector(sector)
        with open_clip(path, settings) as clip:
            found = {name for name, frame in zip(drawings, clip, strict=True) if covers(detector, frame)}
        assert found == set(WITH_FLOW)


def covers(detector: ColourDopplerDetector, frame: Any) -> bool:
    return frame.chroma is not None and detector.covers_echoes(frame.chroma, frame.grey)


def test_flow_is_seen_in_every_colour_format(
    tmp_path: Path, settings: IngestSettings, screens: list[tuple[SimulatedScreen, Sector]]
) -> None:
    screen, sector = screens[0]
    rgb = flow(screen, np.random.default_rng(1), 0.1)
    grey = grey_to_rgb(screen.frames[0])
    ycc = np.asarray(Image.fromarray(rgb).convert("YCbCr"))
    paths = [
        encode_colour_video(tmp_path / "a.mkv", [rgb], "ffv1", "yuv444p10le"),
        encode_colour_video(tmp_path / "b.mkv", [rgb], "ffv1", "yuv410p"),
        encode_colour_video(tmp_path / "c.mov", [rgb], "rawvideo", "rgb24"),
        encode_colour_video(tmp_path / "d.avi", [rgb], "rawvideo", "nv12"),
        write_uncompressed_dicom(tmp_path / "rgb.dcm", rgb[None]),
        write_uncompressed_dicom(tmp_path / "ybr.dcm", ycc[None], PhotometricInterpretation="YBR_FULL"),
        palette_file(tmp_path / "palette.dcm", rgb),
    ]
    Image.fromarray(rgb).save(tmp_path / "a.png")
    Image.fromarray(rgb).quantize(200).save(tmp_path / "a.gif")
    Image.fromarray(rgb).save(tmp_path / "a.jpg", quality=90)
    paths += [tmp_path / f"a.{suffix}" for suffix in ("png", "gif", "jpg")]
    detector = ColourDopplerDetector(sector)
    for path in paths:
        (frame,) = read_all_frames(path, settings)
        assert frame.chroma is not None, path.name
        assert frame.chroma.shape == (-(-rgb.shape[0] // 4), -(-rgb.shape[1] // 4), 2)
        # The samples are Cb and Cr of the same pixels in every format.
        assert abs(frame.chroma - ycc[::4, ::4, 1:].astype(float)).mean() < 4, path.name
        assert covers(detector, frame), path.name
    Image.fromarray(grey).convert("L").save(tmp_path / "grey.png")
    (still,) = read_all_frames(tmp_path / "grey.png", settings)
    assert still.chroma is None


def palette_file(path: Path, rgb: Rgb) -> Path:
    indexed = Image.fromarray(rgb).quantize(256)
    table = np.zeros((256, 3), np.uint8)
    colours = np.array(indexed.getpalette(), np.uint8).reshape(-1, 3)
    table[: len(colours)] = colours
    elements: dict[str, Any] = {"PhotometricInterpretation": "PALETTE COLOR"}
    for number, channel in enumerate(("Red", "Green", "Blue")):
        elements[f"{channel}PaletteColorLookupTableDescriptor"] = [256, 0, 8]
        elements[f"{channel}PaletteColorLookupTableData"] = table[:, number].tobytes()
    return write_uncompressed_dicom(path, np.asarray(indexed, np.uint8)[None], **elements)


@pytest.mark.parametrize(("coloured", "status"), [(4, "done"), (20, "refused")])
def test_frames_with_flow_are_skipped_and_counted(
    tmp_path: Path, screens: list[tuple[SimulatedScreen, Sector]], coloured: int, status: str
) -> None:
    screen, _ = screens[0]
    rng = np.random.default_rng(2)
    pictures: list[NDArray[np.uint8]] = []
    for index in range(20):
        picture = grey_to_rgb(screen.frames[index % 3])
        is_coloured = index < coloured
        pictures.append(with_flow(picture, screen.sector_mask, rng, share=0.1) if is_coloured else picture)
    path = encode_colour_video(tmp_path / "a.mp4", pictures)
    scan = scan_clip(ExamClip(path, path.name, None, None, None), "", BlindDetector(), load_settings(), lambda _: None)
    assert scan.status == status
    if status == "done":
        assert scan.quality.skipped == (("colour Doppler", coloured),)
        assert list(scan.used_frames) == list(range(coloured, 20))
        assert "turn off colour Doppler" in str(scan.quality.hint)
    else:
        assert (
            "only 0 of 20 frames could be used (20 colour Doppler); for the next scan: turn off colour Doppler"
            in str(scan.reason)
        )
