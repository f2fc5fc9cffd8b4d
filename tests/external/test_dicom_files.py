"""Every ultrasound file that pydicom and pydicom-data ship, against pydicom's own reading of it."""

from __future__ import annotations

import warnings
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray
from pydicom.pixels import pixel_array
from pydicom.pixels.processing import apply_color_lut

from pipeline.ingest.clip import open_clip
from pipeline.ingest.frame import ClipError
from pipeline.ingest.quality.usable_frames import UsableFrames
from pipeline.settings import load_settings
from pipeline.settings_tables import IngestSettings

ULTRASOUND = [f"1.2.840.10008.5.1.4.1.1.{tail}" for tail in ("6.1", "3.1", "6", "3")]


def shipped_files() -> list[Path]:
    """All ultrasound files of the two packages, by the class that pydicom reads."""
    data = find_spec("data_store")
    assert data is not None
    assert data.origin is not None
    folders = Path(pydicom.__file__).parent / "data" / "test_files", Path(data.origin).parent / "data"
    found = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for path in sorted(path for folder in folders for path in folder.iterdir() if path.is_file()):
            try:
                header = pydicom.dcmread(path, stop_before_pixels=True)
            except pydicom.errors.InvalidDicomError:
                continue
            if header.get("SOPClassUID") in ULTRASOUND:
                found.append(path)
    return found


FILES = shipped_files()
# Selected by hand: the scale that the file gives, in mm per px; none where there are no regions. The example with YBR
# colours is a file of 640 x 480 pixels made half as large under its old header.
SCALES = {
    "JPGLosslessP14SV1_1s_1f_8b.dcm": 0.25476696592378157,
    "color3d_jpeg_baseline.dcm": 0.5104970559477806,
    "examples_palette.dcm": 0.2622878766196998,
    "gdcm-US-ALOKA-16.dcm": 0.3826530650258064,
    "gdcm-US-ALOKA-16_big.dcm": 0.3826530650258064,
} | {
    f"OBXXXX1A{kind}.dcm": 0.2622878766196998
    for kind in ("", "_2frame", "_expb", "_expb_2frame", "_rle", "_rle_2frame")
}


@pytest.fixture(scope="module")
def settings() -> IngestSettings:
    # One of the files is smaller than any clip.
    return load_settings().ingest.model_copy(update={"minimum_side_px": 16})


def theirs(path: Path, index: int) -> NDArray[np.float64]:
    """(H, W) brightness of one frame as pydicom decodes it, with colours weighted by ITU-R BT.601."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        header: Any = pydicom.dcmread(path)
        frame = pixel_array(header, index=index)
        photometric = header.PhotometricInterpretation
        if photometric == "PALETTE COLOR":
            if header.original_encoding == (False, False) and "RedPaletteColorLookupTableData" in header:
                # pydicom reads the words of these tables as little-endian in all files.
                for colour in ("Red", "Green", "Blue"):
                    element = header[f"{colour}PaletteColorLookupTableData"]
                    element.value = np.frombuffer(element.value, ">u2").astype("<u2").tobytes()
            frame = apply_color_lut(frame, header)
    if frame.dtype == np.uint16:
        frame = frame >> 8
    return frame.astype(float) if frame.ndim == 2 else frame @ np.array([0.299, 0.587, 0.114])


def test_the_packages_ship_the_expected_files() -> None:
    assert len(FILES) == 21
    assert set(SCALES) <= {path.name for path in FILES}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_count_size_and_rate(path: Path, settings: IngestSettings) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        header = pydicom.dcmread(path, stop_before_pixels=True)
        count, step_ms = int(header.get("NumberOfFrames") or 1), header.get("FrameTime")
        size = header.Columns, header.Rows
    with open_clip(path, settings) as clip:
        assert (clip.width, clip.height) == size
        times = [frame.time_s for frame in clip]
        assert clip.reason is None
    assert len(times) == count
    if step_ms is not None:
        assert times == pytest.approx([float(step_ms) * index / 1000 for index in range(count)])
        assert clip.frame_rate == pytest.approx(1000 / float(step_ms))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_first_and_last_frame_to_the_pixel(path: Path, settings: IngestSettings) -> None:
    with open_clip(path, settings) as clip:
        greys = {frame.index: frame.grey for frame in clip}
    for index in {0, max(greys)}:
        expected = theirs(path, index)
        assert greys[index].shape == expected.shape
        difference = abs(greys[index] - expected)
        # Weighted colours are rounded; colours beyond the range of RGB are clipped in theirs, not in brightness.
        assert np.quantile(difference, 0.995) <= 1.0, path.name
        assert difference.mean() < 0.5, path.name


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_scale(path: Path, settings: IngestSettings) -> None:
    """PS3.3 C.8.5.5: what the file's own elements say, for the tissue that fits the picture."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        regions = list(pydicom.dcmread(path, stop_before_pixels=True).get("SequenceOfUltrasoundRegions", []))
    with open_clip(path, settings) as clip:
        calibration = clip.calibration
    expected = SCALES.get(path.name)
    assert calibration.mm_per_px == (None if expected is None else pytest.approx(expected))
    if expected is not None:
        tissue = [item for item in regions if item.RegionDataType == 1]
        deltas_cm = [delta for item in tissue for delta in (item.PhysicalDeltaX, item.PhysicalDeltaY)]
        assert 10 * np.array(deltas_cm) == pytest.approx(expected)
    # Only regions without a scale have a reason.
    assert (calibration.fault is not None) == (bool(regions) and expected is None)


@pytest.mark.parametrize("path", [path for path in FILES if path.name in SCALES], ids=lambda path: path.name)
def test_the_scale_is_kept_after_the_sector_is_found(path: Path, settings: IngestSettings) -> None:
    """One of them has a bar of names above a small fan. The bar looks like a fan itself."""
    with open_clip(path, settings) as clip:
        judged = UsableFrames(clip, clip.calibration, settings, lambda frames: None)
    assert judged.calibration.mm_per_px == pytest.approx(SCALES[path.name])


def test_files_of_other_machines_are_refused(settings: IngestSettings) -> None:
    folder = Path(pydicom.__file__).parent / "data" / "test_files"
    with pytest.raises(ClipError, match="holds no ultrasound picture"), open_clip(folder / "CT_small.dcm", settings):
        pass
