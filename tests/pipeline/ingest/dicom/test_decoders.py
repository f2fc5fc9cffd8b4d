"""Which compressed DICOM pictures can be read, and that they are what other decoders make of them."""

from __future__ import annotations

import struct
import warnings
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray
from pydicom.encaps import encapsulate, generate_frames
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import UID, JPEG2000Lossless, JPEGLosslessSV1

from pipeline.ingest.clip import open_clip
from pipeline.ingest.dicom import header
from pipeline.ingest.dicom.decoders import PLUGINS, PREFIX, decoding_plugin
from pipeline.ingest.frame import ClipError
from pipeline.settings import load_settings
from pipeline.settings_tables import IngestSettings
from tests.pipeline.ingest.dicom.dicom_files import block_pictures, make_dataset

# Any file of each transfer syntax, since pydicom ships no ultrasound in most of them.
SAMPLES = {
    "4.50": ["SC_rgb_jpeg_dcmtk.dcm", "SC_rgb_dcmtk_+eb+cr.dcm", "SC_rgb_dcmtk_+eb+cy+np.dcm"],
    "4.70": ["JPGLosslessP14SV1_1s_1f_8b.dcm", "SC_rgb_jpeg_gdcm.dcm"],
    "4.80": ["MR_small_jpeg_ls_lossless.dcm"],
    "4.81": ["JPEGLSNearLossless_08.dcm", "SC_rgb_jls_lossy_sample.dcm"],
    "4.90": ["US1_J2KR.dcm", "MR_small_jp2klossless.dcm"],
    "4.91": ["US1_J2KI.dcm", "JPEG2000.dcm"],
}


def sample(name: str) -> Any:
    data = find_spec("data_store")
    assert data is not None
    assert data.origin is not None
    folders = Path(pydicom.__file__).parent / "data" / "test_files", Path(data.origin).parent / "data"
    return pydicom.dcmread(next(folder / name for folder in folders if (folder / name).exists()))


def decoded(data_set: Any, plugin: str) -> NDArray[Any]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        decoder = get_decoder(data_set.file_meta.TransferSyntaxUID)
        return decoder.as_array(data_set, index=0, raw=True, decoding_plugin=plugin)[0]


@pytest.mark.parametrize("tail", PLUGINS)
def test_pictures_of_eight_bits_can_be_read_in_every_syntax(tail: str) -> None:
    assert decoding_plugin(UID(PREFIX + tail), 8) is not None


@pytest.mark.parametrize(("tail", "name"), [(tail, name) for tail, names in SAMPLES.items() for name in names])
def test_pixels_are_those_of_an_independent_decoder(tail: str, name: str) -> None:
    data_set = sample(name)
    assert data_set.file_meta.TransferSyntaxUID == PREFIX + tail
    plugin = decoding_plugin(data_set.file_meta.TransferSyntaxUID, data_set.BitsAllocated)
    assert plugin is not None
    ours, theirs = decoded(data_set, plugin).astype(int), decoded(data_set, "gdcm").astype(int)
    assert ours.shape == theirs.shape
    assert np.ptp(ours) > 100
    assert abs(ours - theirs).max() <= (1 if tail == "4.50" else 0)


def with_jfif(frame: bytes) -> bytes:
    """A JPEG with the marker JFIF, which says that its colours are YCbCr, in place of the marker Adobe."""
    start = frame.index(b"\xff\xee")
    (length,) = struct.unpack(">H", frame[start + 2 : start + 4])
    jfif = b"\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00"
    return frame[:2] + jfif + frame[2:start] + frame[start + 2 + length :]


def test_colours_of_lossless_jpeg_are_never_converted() -> None:
    data_set = sample("SC_rgb_jpeg_gdcm.dcm")
    plugin = str(decoding_plugin(JPEGLosslessSV1, 8))
    expected = decoded(data_set, plugin)
    frame = next(generate_frames(data_set.PixelData, number_of_frames=1))
    data_set.PixelData = encapsulate([with_jfif(frame)])
    np.testing.assert_array_equal(decoded(data_set, plugin), expected)


def test_a_lossless_jpeg_of_another_size_is_not_decoded() -> None:
    data_set = sample("SC_rgb_jpeg_gdcm.dcm")
    data_set.Rows = 99
    with pytest.raises(RuntimeError, match="not as its header declares"):
        decoded(data_set, str(decoding_plugin(JPEGLosslessSV1, 8)))


@pytest.fixture(scope="module")
def settings() -> IngestSettings:
    return load_settings().ingest


def write_refused(path: Path, syntax: UID, bits: int) -> Path:
    made = make_dataset(block_pictures(1), syntax, BitsAllocated=bits, BitsStored=bits, HighBit=bits - 1)
    made.PixelData = encapsulate([b"\xff\xd8\xff\xd9"])
    made["PixelData"].VR = "OB"
    made["PixelData"].is_undefined_length = True
    made.save_as(path, enforce_file_format=True)
    return path


@pytest.mark.parametrize(
    ("syntax", "bits", "words"),
    [
        (JPEGLosslessSV1, 16, r"with more than 8 bits; export it with 8 bits .* or install clutchlight\[jpeg-gpl\]"),
        (JPEG2000Lossless, 16, "export it as JPEG or without compression"),
    ],
    ids=["wide JPEG", "any other"],
)
def test_what_no_installed_library_decodes_is_refused_by_name(
    tmp_path: Path, settings: IngestSettings, monkeypatch: pytest.MonkeyPatch, syntax: UID, bits: int, words: str
) -> None:
    monkeypatch.setattr(header, "decoding_plugin", lambda syntax, bits: None)
    path = write_refused(tmp_path / "a.dcm", syntax, bits)
    with pytest.raises(ClipError, match=f"a.dcm: its pictures are stored as JPEG .*{words}"), open_clip(path, settings):
        pass
