"""DICOM recordings: ultrasound pictures and sequences of them, and pictures captured from a screen."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from io import BufferedReader
from typing import BinaryIO, NoReturn

from pipeline.ingest.chroma import sample_count
from pipeline.ingest.dicom.fragments import DamagedFragmentsError, FragmentStream, locate_frames
from pipeline.ingest.dicom.frame_times import read_frame_times
from pipeline.ingest.dicom.header import DicomHeader, read_header
from pipeline.ingest.dicom.pixels import check_picture_size, read_pictures
from pipeline.ingest.dicom.regions import RegionCalibration, read_region_calibration
from pipeline.ingest.display import resize_width
from pipeline.ingest.frame import Box, ClipError, Picture, StreamBrokenError
from pipeline.ingest.video import Video, open_embedded_video
from pipeline.locations.location import Location
from pipeline.locations.object_file import raise_storage_failure
from pipeline.settings_tables import IngestSettings

__all__ = ["DicomRecording", "open_dicom"]

log = logging.getLogger(__name__)

# The headers of embedded videos are known to declare up to so many frames too many.
EXTRA_VIDEO_FRAMES = 2


class DicomRecording:
    """An open DICOM file. Close it when done.

    frame_rate : per second, None if unknown
    calibration : of the pictures that are returned, whose pixels are square. Where the header declares pixels of
    another shape, the rows are kept and the columns are resized, as a player does.
    """

    def __init__(self, file: BinaryIO, header: DicomHeader, settings: IngestSettings) -> None:
        self._file = file
        self._header = header
        self._times = read_frame_times(header)
        stored = read_region_calibration(header.dataset, header.rows, header.columns)
        self._width, self.calibration = _with_square_pixels(stored, header.columns)
        if self._width > settings.maximum_side_px:
            raise ClipError(
                f"{header.name}: its pictures would be {self._width} pixels wide with square pixels, more than "
                f"{settings.maximum_side_px}; export it in a smaller size."
            )
        self._video: Video | None = None
        if header.is_video:
            file.seek(header.pixel_data_offset)
            fragments = [fragment for frame in locate_frames(file, 1) for fragment in frame]
            self._video = open_embedded_video(BufferedReader(FragmentStream(file, fragments)), header.name, settings)
        video_rate = None if self._video is None else self._video.frame_rate
        self.frame_rate = self._times.frame_rate or video_rate

    def pictures(self) -> Iterator[Picture]:
        """Frame by frame, with the time since the first frame.

        Raises StreamBrokenError where decoding fails and at the end of a file that lacks frames, ClipError if no
        picture could be read before that, and StorageError where the storage fails.
        """
        header, number = self._header, 0
        try:
            for picture in self._stored_pictures():
                check_picture_size(header, *picture.grey.shape)
                header_time_s = self._times.time_s_at(number)
                if header_time_s is not None:
                    picture = replace(picture, time_s=header_time_s)
                yield self._with_square_pixels(picture)
                number += 1
        except (StreamBrokenError, DamagedFragmentsError, ClipError) as error:
            self._end(number, str(error), error)
        except Exception as error:
            # The decoders may raise any exception on damaged data.
            log.debug("%s: frame %d: %s", header.name, number, error, exc_info=True)
            self._end(number, "the data there are damaged, or stored in an unsupported way", error)
        if number == 0:
            raise ClipError(f"{header.name}: cut short within its first picture; copy it from the scanner again.")
        if number < header.frames - (EXTRA_VIDEO_FRAMES if header.is_video else 0):
            self._end(number, f"the file ends there, but its header declares {header.frames} frames")

    def close(self) -> None:
        if self._video is not None:
            self._video.close()
        self._file.close()

    def _end(self, number: int, why: str, cause: Exception | None = None) -> NoReturn:
        """Ends the recording after ``number`` pictures."""
        raise_storage_failure(self._file)
        if number == 0:
            raise ClipError(
                f"{self._header.name}: not one picture can be read: {why}; export it again, uncompressed or as MP4 "
                "(H.264)."
            ) from cause
        raise StreamBrokenError(why) from cause

    def _stored_pictures(self) -> Iterator[Picture]:
        """The pictures in their stored size."""
        if self._video is not None:
            yield from self._video.pictures()
            return
        for grey, chroma in read_pictures(self._file, self._header):
            yield Picture(None, grey, chroma)

    def _with_square_pixels(self, picture: Picture) -> Picture:
        if picture.grey.shape[1] == self._width:
            return picture
        chroma = None if picture.chroma is None else resize_width(picture.chroma, sample_count(self._width))
        return replace(picture, grey=resize_width(picture.grey, self._width), chroma=chroma)


def open_dicom(path: Location, settings: IngestSettings) -> DicomRecording:
    """The recording at ``path``. Only the header has been read.

    Raises ClipError with the reason if the file is not DICOM or not ultrasound, if its header is damaged or contradicts
    itself, or if its pictures are larger than the settings allow.
    """
    file = path.open("rb")
    try:
        with _as_clip_errors(path.name):
            return DicomRecording(file, read_header(file, path.name, settings), settings)
    except BaseException:
        raise_storage_failure(file)
        file.close()
        raise


@contextmanager
def _as_clip_errors(name: str) -> Iterator[None]:
    """Raises every error in the header as ClipError."""
    try:
        with warnings.catch_warnings():
            # pydicom warns of odd values in headers; the ones that matter are checked here.
            warnings.simplefilter("ignore")
            yield
    except ClipError:
        raise
    except Exception as error:
        # pydicom may raise any exception on damaged files.
        log.debug("%s: %s", name, error, exc_info=True)
        reason = f"{name}: its header is damaged or contradicts itself; export it from the scanner again."
        raise ClipError(reason) from error


def _with_square_pixels(stored: RegionCalibration, columns: int) -> tuple[int, RegionCalibration]:
    """Width in px and calibration of the pictures once their columns are as wide as their rows are high."""
    if stored.mm_per_px_xy is None:
        return columns, stored
    across, down = stored.mm_per_px_xy
    width = max(1, round(columns * across / down))

    def resized(box: Box) -> Box:
        return round(box[0] * width / columns), box[1], round(box[2] * width / columns), box[3]

    return width, replace(stored, boxes=tuple(map(resized, stored.boxes)), mm_per_px_xy=(down, down))
