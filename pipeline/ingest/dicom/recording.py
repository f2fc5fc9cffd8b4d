"""Recordings in DICOM files: ultrasound pictures and sequences of them, and pictures captured from a screen."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO, NoReturn

from pipeline.ingest.chroma import sample_count
from pipeline.ingest.dicom.fragments import FragmentStream, locate_frames
from pipeline.ingest.dicom.frame_times import read_frame_times
from pipeline.ingest.dicom.header import DicomHeader, read_header
from pipeline.ingest.dicom.pixels import compressed_pictures, display_transform, native_pictures
from pipeline.ingest.dicom.regions import Box, RegionCalibration, read_region_calibration
from pipeline.ingest.display import resize_width
from pipeline.ingest.frame import ClipError, Picture, StreamBrokenError
from pipeline.ingest.video import Video, open_embedded_video
from pipeline.settings import IngestSettings

__all__ = ["DicomRecording", "open_dicom"]

log = logging.getLogger(__name__)


class DicomRecording:
    """An open DICOM file. Close it when done.

    frame_rate : per second, None if unknown
    calibration : of the pictures as they are given out, whose pixels are square: where the header tells of others,
    the rows are kept and the columns are made to fit, as a player does
    """

    def __init__(self, file: BinaryIO, header: DicomHeader, settings: IngestSettings) -> None:
        self._file = file
        self._header = header
        self._times = read_frame_times(header.dataset, header.frames)
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
            self._video = open_embedded_video(FragmentStream(file, fragments), header.name, settings)
        guessed = None if self._video is None else self._video.frame_rate
        self.frame_rate = self._times.frame_rate or guessed

    def pictures(self) -> Iterator[Picture]:
        """Frame by frame, with the time since the first.

        Raises StreamBrokenError where decoding fails and at the end of a file that lacks frames, and ClipError
        where not even one picture came before that.
        """
        header, number = self._header, 0
        try:
            for picture in self._stored():
                grey = picture.grey
                if grey.shape != (header.rows, header.columns):
                    raise StreamBrokenError(
                        f"the header tells of pictures of {header.columns} x {header.rows} pixels, "
                        f"but the picture there has {grey.shape[1]} x {grey.shape[0]}"
                    )
                known = self._times.time_s_at(number)
                yield self._squared(picture if known is None else replace(picture, time_s=known))
                number += 1
        except (StreamBrokenError, ClipError) as error:
            self._end(number, str(error), error)
        except Exception as error:
            # The decoders raise whatever they trip over.
            log.debug("%s: frame %d: %s", header.name, number, error, exc_info=True)
            self._end(number, "the data there are damaged, or stored in a way not known here", error)
        if number == 0:
            raise ClipError(f"{header.name}: cut short within its first picture; copy it from the scanner again.")
        # Of videos inside, headers are known to count one or two frames too many.
        if number < header.frames - (2 if header.is_video else 0):
            self._end(number, f"the file ends there, its header tells of {header.frames} frames")

    def close(self) -> None:
        if self._video is not None:
            self._video.close()
        self._file.close()

    def _end(self, number: int, why: str, cause: Exception | None = None) -> NoReturn:
        if number == 0:
            raise ClipError(
                f"{self._header.name}: not one picture can be read: {why}; export it again, uncompressed or as MP4 "
                "(H.264)."
            ) from cause
        raise StreamBrokenError(why) from cause

    def _stored(self) -> Iterator[Picture]:
        """The pictures in their stored size."""
        from pydicom.pixels.decoders.base import get_decoder

        header, options = self._header, self._header.decoder_options
        if self._video is not None:
            yield from self._video.pictures()
            return
        rule = display_transform(header.dataset, header.photometric, header.bits_stored, header.signed)
        decoder = get_decoder(options["transfer_syntax_uid"])
        self._file.seek(header.pixel_data_offset)
        if header.is_compressed:
            frames = locate_frames(self._file, header.frames)[: header.frames]
            pictures = compressed_pictures(self._file, frames, decoder, options, rule)
        else:
            there = min(header.frames, header.pixel_data_bytes // header.frame_bytes)
            pictures = native_pictures(self._file, header.frame_bytes, there, decoder, options, rule)
        for grey, colours in pictures:
            yield Picture(None, grey, colours)

    def _squared(self, picture: Picture) -> Picture:
        if picture.grey.shape[1] == self._width:
            return picture
        colours = None if picture.chroma is None else resize_width(picture.chroma, sample_count(self._width))
        return replace(picture, grey=resize_width(picture.grey, self._width), chroma=colours)


def open_dicom(path: Path, settings: IngestSettings) -> DicomRecording:
    """The recording at ``path``, of which nothing but the header has been read.

    Raises ClipError with the reason: no DICOM file, no ultrasound, a header that is damaged or contradicts itself, or
    pictures larger than the settings allow.
    """
    file = path.open("rb")
    try:
        with _as_clip_errors(path.name):
            return DicomRecording(file, read_header(file, path.name, settings), settings)
    except BaseException:
        file.close()
        raise


@contextmanager
def _as_clip_errors(name: str) -> Iterator[None]:
    try:
        with warnings.catch_warnings():
            # Of odd values in headers; what matters of them is checked here.
            warnings.simplefilter("ignore")
            yield
    except ClipError:
        raise
    except Exception as error:
        # The reader raises whatever it trips over in a damaged file.
        log.debug("%s: %s", name, error, exc_info=True)
        reason = f"{name}: its header is damaged or contradicts itself; export it from the scanner again."
        raise ClipError(reason) from error


def _with_square_pixels(stored: RegionCalibration, columns: int) -> tuple[int, RegionCalibration]:
    """Width in px and calibration of pictures whose columns are made as wide as their rows are high."""
    if stored.mm_per_px_xy is None:
        return columns, stored
    across, down = stored.mm_per_px_xy
    width = max(1, round(columns * across / down))

    def fitted(box: Box) -> Box:
        return round(box[0] * width / columns), box[1], round(box[2] * width / columns), box[3]

    return width, replace(stored, boxes=tuple(map(fitted, stored.boxes)), mm_per_px_xy=(down, down))
