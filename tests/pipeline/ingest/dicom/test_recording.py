"""DICOM files as clips: which files are read, pixels and times."""

from __future__ import annotations

import tracemalloc
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pydicom.dataset import FileDataset
from pydicom.encaps import encapsulate
from pydicom.pixels.utils import compress
from pydicom.uid import (
    JPEG2000,
    UID,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    RLELossless,
)

from pipeline.ingest.clip import open_clip
from pipeline.ingest.file_types import is_dicom, is_recording
from pipeline.settings_tables import IngestSettings
from tests.pipeline.ingest.dicom.dicom_files import (
    HEIGHT,
    WIDTH,
    block_pictures,
    encode_jpegs,
    make_dataset,
    region_item,
    write_dicom,
    write_jpeg_dicom,
    write_uncompressed_dicom,
)
from tests.pipeline.ingest.video_files import read_all_frames, refusal_reason


def greys(path: Path, settings: IngestSettings) -> NDArray[np.uint8]:
    return np.stack([frame.grey for frame in read_all_frames(path, settings)])


@pytest.mark.parametrize("name", ["a.dcm", "A.DCM", "IM_0001", "1.2.840.113619.2.55"])
def test_files_with_and_without_a_suffix(tmp_path: Path, settings: IngestSettings, name: str) -> None:
    path = write_uncompressed_dicom(tmp_path / name)
    assert is_dicom(path)
    assert is_recording(path)
    np.testing.assert_array_equal(greys(path, settings), block_pictures())


def test_other_files_are_not_recordings(tmp_path: Path) -> None:
    write_uncompressed_dicom(tmp_path / "DICOMDIR")
    (tmp_path / "notes").write_text("nothing")
    assert not is_recording(tmp_path / "DICOMDIR")
    assert not is_recording(tmp_path / "notes")
    assert not is_recording(tmp_path / "missing")
    assert not is_recording(tmp_path)


@pytest.mark.parametrize("syntax", [ImplicitVRLittleEndian, ExplicitVRBigEndian])
def test_byte_orders_and_implicit_value_representation(tmp_path: Path, settings: IngestSettings, syntax: UID) -> None:
    wide = block_pictures().astype(np.uint16) * 257
    made = make_dataset(wide, syntax)
    order = "<u2" if syntax.is_little_endian else ">u2"
    path = write_dicom(tmp_path / "a.dcm", made, wide.astype(order).tobytes())
    np.testing.assert_array_equal(greys(path, settings), block_pictures())


@pytest.mark.parametrize("syntax", [RLELossless, JPEG2000Lossless])
@pytest.mark.parametrize("colour", [False, True])
def test_lossless_compression_keeps_every_grey(
    tmp_path: Path, settings: IngestSettings, syntax: UID, colour: bool
) -> None:
    pictures = np.stack([block_pictures()] * 3, axis=-1) if colour else block_pictures()
    made: FileDataset = make_dataset(pictures)
    made.PixelData = pictures.tobytes()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        compress(made, syntax)
    made.save_as(tmp_path / "a.dcm", enforce_file_format=True)
    np.testing.assert_array_equal(greys(tmp_path / "a.dcm", settings), block_pictures())


def test_lossy_jpeg_2000_stays_near(tmp_path: Path, settings: IngestSettings) -> None:
    made: FileDataset = make_dataset(block_pictures())
    made.PixelData = block_pictures().tobytes()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        compress(made, JPEG2000, j2k_cr=[4])
    made.save_as(tmp_path / "a.dcm", enforce_file_format=True)
    assert abs(greys(tmp_path / "a.dcm", settings).astype(int) - block_pictures()).mean() < 2


def test_planar_colour(tmp_path: Path, settings: IngestSettings) -> None:
    """Planar configuration 1: all red values, then all green, then all blue (PS3.3 C.7.6.3.1.3)."""
    reds, greens, blues = block_pictures(), block_pictures() // 2, block_pictures() // 3
    made = make_dataset(np.stack([reds, greens, blues], axis=-1), PlanarConfiguration=1)
    path = write_dicom(tmp_path / "a.dcm", made, np.stack([reds, greens, blues], axis=1).tobytes())
    expected = 0.299 * reds + 0.587 * greens + 0.114 * blues
    assert abs(greys(path, settings) - expected).max() <= 1.0


def test_the_brightness_of_ybr_is_its_first_plane(tmp_path: Path, settings: IngestSettings) -> None:
    colour = np.stack(
        [block_pictures(), np.full_like(block_pictures(), 90), np.full_like(block_pictures(), 160)], axis=-1
    )
    full = write_uncompressed_dicom(tmp_path / "full.dcm", colour, PhotometricInterpretation="YBR_FULL")
    np.testing.assert_array_equal(greys(full, settings), block_pictures())
    partial = write_uncompressed_dicom(tmp_path / "partial.dcm", colour, PhotometricInterpretation="YBR_PARTIAL_422")
    stretched = np.clip((block_pictures() - 16.0) * 255 / 219, 0, 255)
    assert abs(greys(partial, settings) - stretched).max() <= 0.5


def test_uncompressed_subsampled_colour(tmp_path: Path, settings: IngestSettings) -> None:
    """Two brightness values, then the two colour differences that they share (PS3.3 C.7.6.3.1.2)."""
    quads = np.full((*block_pictures().shape[:2], block_pictures().shape[2] // 2, 4), 128, np.uint8)
    quads[..., 0], quads[..., 1] = block_pictures()[..., ::2], block_pictures()[..., 1::2]
    made = make_dataset(np.stack([block_pictures()] * 3, axis=-1), PhotometricInterpretation="YBR_FULL_422")
    path = write_dicom(tmp_path / "a.dcm", made, quads.tobytes())
    np.testing.assert_array_equal(greys(path, settings), block_pictures())


def test_inverted_brightness(tmp_path: Path, settings: IngestSettings) -> None:
    path = write_uncompressed_dicom(tmp_path / "a.dcm", PhotometricInterpretation="MONOCHROME1")
    np.testing.assert_array_equal(greys(path, settings), 255 - block_pictures())


@pytest.mark.parametrize(
    ("stored", "elements"),
    [
        (block_pictures().astype(np.uint16) * 16, {"BitsStored": 12, "HighBit": 11}),
        (block_pictures().astype(np.uint16) + 1000, {"WindowCenter": 1128, "WindowWidth": 256}),
        ((block_pictures().astype(np.int32) * 257 - 2**15).astype(np.int16), {"PixelRepresentation": 1}),
    ],
    ids=["12 bits", "window", "signed"],
)
def test_more_than_eight_bits(
    tmp_path: Path, settings: IngestSettings, stored: NDArray[Any], elements: dict[str, Any]
) -> None:
    path = write_uncompressed_dicom(tmp_path / "a.dcm", stored, **elements)
    assert abs(greys(path, settings).astype(int) - block_pictures()).max() <= 1


@pytest.mark.parametrize("bits", [8, 16])
def test_palette(tmp_path: Path, settings: IngestSettings, bits: int) -> None:
    ramp = np.arange(256)[::-1]
    table = (ramp if bits == 8 else ramp * 257).astype(np.uint8 if bits == 8 else np.uint16).tobytes()
    elements = {
        f"{colour}PaletteColorLookupTable{part}": value
        for colour in ("Red", "Green", "Blue")
        for part, value in (("Descriptor", [256, 0, bits]), ("Data", table))
    }
    path = write_uncompressed_dicom(tmp_path / "a.dcm", PhotometricInterpretation="PALETTE COLOR", **elements)
    assert abs(greys(path, settings).astype(int) - (255 - block_pictures())).max() <= 1


def test_a_palette_of_the_other_byte_order(tmp_path: Path, settings: IngestSettings) -> None:
    table = (np.arange(256)[::-1] * 256 + 7).astype(">u2").tobytes()
    elements: dict[str, Any] = {"PhotometricInterpretation": "PALETTE COLOR"}
    for colour in ("Red", "Green", "Blue"):
        elements[f"{colour}PaletteColorLookupTableDescriptor"] = [256, 0, 16]
        elements[f"{colour}PaletteColorLookupTableData"] = table
    path = write_dicom(
        tmp_path / "a.dcm", make_dataset(block_pictures(), ExplicitVRBigEndian, **elements), block_pictures().tobytes()
    )
    np.testing.assert_array_equal(greys(path, settings), 255 - block_pictures())


@pytest.mark.parametrize(("segments", "is_read"), [(1, True), (3, False)])
def test_a_segmented_palette_may_not_exceed_the_stored_values(
    tmp_path: Path, settings: IngestSettings, segments: int, is_read: bool
) -> None:
    """One value, then lines of 65,535 more, each in six bytes: a palette that could grow without bound."""
    bomb = np.array([0, 1, 0] + segments * [1, 65535, 65535], np.uint16).tobytes()
    elements: dict[str, Any] = {"PhotometricInterpretation": "PALETTE COLOR"}
    for colour in ("Red", "Green", "Blue"):
        elements[f"{colour}PaletteColorLookupTableDescriptor"] = [0, 0, 16]
        elements[f"Segmented{colour}PaletteColorLookupTableData"] = bomb
    wide = block_pictures().astype(np.uint16) * 257
    path = write_uncompressed_dicom(tmp_path / "a.dcm", wide, **elements)
    if is_read:
        assert abs(greys(path, settings).astype(int) - block_pictures()).max() <= 1
    else:
        assert "not one picture can be read" in refusal_reason(path, settings)


@pytest.mark.parametrize("has_bot", [True, False])
def test_jpeg_with_and_without_offset_table(tmp_path: Path, settings: IngestSettings, has_bot: bool) -> None:
    shown = greys(write_jpeg_dicom(tmp_path / "a.dcm", has_bot=has_bot), settings)
    assert abs(shown.astype(int) - block_pictures()).mean() < 2


@pytest.mark.parametrize("has_bot", [True, False])
def test_frames_in_several_fragments(tmp_path: Path, settings: IngestSettings, has_bot: bool) -> None:
    made = make_dataset(block_pictures(1), JPEGBaseline8Bit, NumberOfFrames=3)
    fragments = encapsulate(encode_jpegs(block_pictures()), fragments_per_frame=2, has_bot=has_bot)
    path = write_dicom(tmp_path / "a.dcm", made, fragments, compressed=True)
    assert abs(greys(path, settings).astype(int) - block_pictures()).mean() < 2


@pytest.mark.parametrize(
    ("elements", "expected", "rate"),
    [
        ({"FrameTime": 40}, [0.0, 0.04, 0.08], 25.0),
        ({"FrameTime": None, "FrameTimeVector": [0, 30, 50]}, [0.0, 0.03, 0.08], 25.0),
        ({"FrameTime": 99, "FrameTimeVector": [0, 30, 50]}, [0.0, 0.03, 0.08], 25.0),
        ({"FrameTime": 40, "FrameTimeVector": [0, 30]}, [0.0, 0.04, 0.08], 25.0),
        ({"FrameTime": None, "CineRate": 25}, [0.0, 0.04, 0.08], 25.0),
        ({"FrameTime": 0, "CineRate": None}, [None, None, None], None),
        ({"FrameTime": None, "FrameTimeVector": [0, -30, 50]}, [None, None, None], None),
    ],
    ids=["step", "vector alone", "vector before step", "short vector", "rate", "zero", "backwards"],
)
def test_frame_times(
    tmp_path: Path, settings: IngestSettings, elements: dict[str, Any], expected: list[float], rate: float | None
) -> None:
    """PS3.3 C.7.6.5: the first step of the vector belongs to the first frame and is 0."""
    with open_clip(write_uncompressed_dicom(tmp_path / "a.dcm", **elements), settings) as clip:
        assert clip.frame_rate == (None if rate is None else pytest.approx(rate))
        assert [frame.time_s for frame in clip] == (expected if rate is None else pytest.approx(expected))


@pytest.mark.parametrize(("deltas_cm", "width"), [((0.05, 0.025), 256), ((0.025, 0.05), 64)])
def test_pixels_are_made_square(
    tmp_path: Path, settings: IngestSettings, deltas_cm: tuple[float, float], width: int
) -> None:
    """A disc of tissue stored with oblong pixels becomes a disc, and keeps its depth in rows."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    across, down = deltas_cm
    disc = np.hypot((x + 0.5 - WIDTH / 2) * across, (y + 0.5 - HEIGHT / 2) * down) < 0.9
    pictures = np.where(disc, 200, 0).astype(np.uint8)[None]
    regions = [region_item((10, 0, WIDTH - 11, HEIGHT - 1), deltas_cm)]
    path = write_uncompressed_dicom(tmp_path / "a.dcm", pictures, SequenceOfUltrasoundRegions=regions)
    with open_clip(path, settings) as clip:
        assert (clip.width, clip.height) == (width, HEIGHT)
        assert clip.calibration.mm_per_px == pytest.approx(10 * down)
        assert clip.calibration.boxes == ((10 * width // WIDTH, 0, (WIDTH - 10) * width // WIDTH, HEIGHT),)
        grey = next(clip).grey
    rows, columns = np.nonzero(grey > 100)
    diameter_px = 2 * 0.9 / down
    assert np.ptp(rows) + 1 == pytest.approx(diameter_px, abs=1)
    assert np.ptp(columns) + 1 == pytest.approx(diameter_px, abs=2.5)
    assert np.count_nonzero(grey > 100) == pytest.approx(np.pi * diameter_px**2 / 4, rel=0.03)


def test_two_frames_under_the_sop_class_for_one(tmp_path: Path, settings: IngestSettings) -> None:
    path = write_uncompressed_dicom(tmp_path / "a.dcm", block_pictures(2), SOPClassUID="1.2.840.10008.5.1.4.1.1.6.1")
    np.testing.assert_array_equal(greys(path, settings), block_pictures(2))


@pytest.mark.parametrize("tail", ["6", "3", "7", "7.2", "7.4"])
def test_retired_sop_classes_and_screen_captures(tmp_path: Path, settings: IngestSettings, tail: str) -> None:
    path = write_uncompressed_dicom(tmp_path / "a.dcm", SOPClassUID=f"1.2.840.10008.5.1.4.1.1.{tail}", Modality="OT")
    assert len(read_all_frames(path, settings)) == 3


def test_pictures_of_other_modalities_are_refused(tmp_path: Path, settings: IngestSettings) -> None:
    path = write_uncompressed_dicom(tmp_path / "a.dcm", SOPClassUID="1.2.840.10008.5.1.4.1.1.2", Modality="CT")
    assert "holds no ultrasound picture" in refusal_reason(path, settings)


def test_memory_does_not_grow_with_the_frames(tmp_path: Path, settings: IngestSettings) -> None:
    def peak(frames: int) -> int:
        path = write_uncompressed_dicom(tmp_path / f"{frames}.dcm", block_pictures(frames))
        tracemalloc.start()
        try:
            with open_clip(path, settings) as clip:
                assert sum(1 for _ in clip) == frames
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak(5)  # loads what is loaded once
    assert peak(500) - peak(5) < 500_000  # of 6 MB
