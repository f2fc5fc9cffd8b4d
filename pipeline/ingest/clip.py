"""One recording, opened once and read as a stream: memory does not grow with its length."""

from __future__ import annotations

from collections.abc import Iterator
from types import TracebackType
from typing import Protocol

from pipeline.ingest.dicom.recording import DicomRecording, open_dicom
from pipeline.ingest.dicom.regions import RegionCalibration
from pipeline.ingest.file_types import is_dicom, is_still, unsupported_reason
from pipeline.ingest.frame import ClipError, Frame, Picture, StreamBrokenError, unreadable
from pipeline.ingest.stills import read_stills
from pipeline.ingest.video import Video, open_video
from pipeline.locations.location import Location
from pipeline.locations.storage_errors import StorageError
from pipeline.settings_tables import IngestSettings

__all__ = ["Clip", "Recording", "open_clip"]


class Recording(Protocol):
    """What a scan reads: the frames of a recording in order, and what the recording says about itself, as in `Clip`."""

    def __iter__(self) -> Iterator[Frame]: ...
    @property
    def width(self) -> int: ...
    @property
    def height(self) -> int: ...
    @property
    def frame_rate(self) -> float | None: ...
    @property
    def calibration(self) -> RegionCalibration: ...
    @property
    def reason(self) -> str | None: ...


class Clip:
    """An iterator over the frames of one recording. It can be used once, in a ``with`` statement.

    width, height : px, with the picture upright
    frame_rate : per second, None for stills and where the file does not state it
    broken_after_frames : number of frames read before the stream broke; None as long as it has not broken
    reason : why the stream broke, a sentence for a technician; None as long as it has not broken
    calibration : scale and position of the echoes from the file itself, which only DICOM files have
    """

    def __init__(
        self,
        path: Location,
        pictures: Iterator[Picture],
        video: Video | DicomRecording | None,
        settings: IngestSettings,
    ) -> None:
        self._path = path
        self._pictures = pictures
        self._video = video
        self._frames_read = 0
        self.broken_after_frames: int | None = None
        self.reason: str | None = None
        self.frame_rate = None if video is None else video.frame_rate
        self.calibration = video.calibration if isinstance(video, DicomRecording) else RegionCalibration()
        # The first picture is read here, because it gives the size, and because a clip without one is refused.
        self._first: Picture | None = self._next_picture()
        if self._first is None:
            raise ClipError(
                f"{path.name}: no frame could be decoded: it holds none, its data are damaged, or its "
                "pictures are larger than the settings allow; copy the clip from the scanner again."
            )
        self.height, self.width = self._first.grey.shape
        picture_px, maximum_px = self.width * self.height, int(settings.maximum_gigapixels * 1e9)
        self._maximum_frames = min(settings.maximum_frames, maximum_px // picture_px)
        if isinstance(video, Video) and video.declared_frames * picture_px > maximum_px:
            raise ClipError(
                f"{path.name}: declares {video.declared_frames:,} frames of {self.width} x {self.height} pixels, more "
                f"than {settings.maximum_gigapixels:g} gigapixels in all; export a shorter clip."
            )

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        picture, self._first = self._first or self._next_picture(), None
        if picture is None:
            raise StopIteration
        grey = picture.grey
        if grey.shape != (self.height, self.width):
            self._break(f"the picture's size changes there to {grey.shape[1]} x {grey.shape[0]} pixels")
            raise StopIteration
        if self._frames_read == self._maximum_frames:
            self._break("it holds more than the settings allow")
            raise StopIteration
        self._frames_read += 1
        return Frame(self._frames_read - 1, picture.time_s, grey, picture.chroma)

    def __enter__(self) -> Clip:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        self._pictures = iter(())
        if self._video is not None:
            self._video.close()

    def _next_picture(self) -> Picture | None:
        try:
            return next(self._pictures, None)
        except StorageError as error:
            raise unreadable(self._path.name, error) from error  # which says nothing about the recording
        except StreamBrokenError as error:
            self._break(str(error))
            return None

    def _break(self, why: str) -> None:
        self._pictures = iter(())
        self.broken_after_frames = self._frames_read
        self.reason = f"{self._path.name}: only the first {self._frames_read} frames could be read; {why}."


def open_clip(path: Location, settings: IngestSettings) -> Clip:
    """The recording at ``path``, a file or a folder of stills, with its first frame decoded.

    Raises ClipError with the reason if the file is missing, empty, not a recording or damaged from the start, or if
    its pictures are smaller or larger than the settings allow. A stream that breaks later, or is longer than the
    settings allow, ends there; the clip then gives the reason.
    """
    try:
        return _open(path, settings)
    except StorageError as error:
        raise unreadable(path.name, error) from error


def _open(path: Location, settings: IngestSettings) -> Clip:
    """`open_clip`, which also raises StorageError."""
    is_folder = path.is_dir()
    if not is_folder:
        _check_file(path)
    video: Video | DicomRecording | None = None
    if not is_folder and is_dicom(path):
        video = open_dicom(path, settings)
    elif not is_folder and not is_still(path.name):
        video = open_video(path, settings)
    try:
        pictures = video.pictures() if video else read_stills(path, settings)
        clip = Clip(path, pictures, video, settings)
        if min(clip.width, clip.height) < settings.minimum_side_px:
            raise ClipError(
                f"{path.name}: its pictures have only {clip.width} x {clip.height} pixels, less than "
                f"{settings.minimum_side_px} a side; export the clip in its full size."
            )
    except BaseException:
        if video:
            video.close()
        raise
    return clip


def _check_file(path: Location) -> None:
    """Raises ClipError unless ``path`` is a regular file that is not empty and can be opened."""
    if reason := unsupported_reason(path.name):
        raise ClipError(f"{path.name}: {reason}.")
    try:
        size = path.stat().st_size if path.is_file() else None
        if size is None:
            raise ClipError(f"{path.name}: no such file, or not a regular file, in {path.parent}.")
        if size == 0:
            raise ClipError(f"{path.name}: the file is empty; copy the clip from the scanner again.")
        with path.open("rb"):
            pass
    except OSError as error:
        raise unreadable(path.name, error) from error
