"""Videos as a stream of grey pictures, decoded by PyAV (FFmpeg's libraries)."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterator
from fractions import Fraction
from typing import Any, BinaryIO

from pipeline.ingest.display import display_width, to_display
from pipeline.ingest.frame import ClipError, Picture, StreamBrokenError
from pipeline.locations.location import Location
from pipeline.locations.object_file import raise_storage_failure
from pipeline.settings_tables import IngestSettings

__all__ = ["Video", "open_embedded_video", "open_video"]

log = logging.getLogger(__name__)

# The containers that scanners, frame grabbers and phones write. No others are allowed, because FFmpeg also accepts
# play lists, with which a text file could make it open other files.
CONTAINER_FORMATS = "mov,mp4,m4a,3gp,3g2,mj2,avi,matroska,webm,gif,mpeg,mpegvideo,mpegts,asf,m4v,ogg,flv"
# Streams without a container, as DICOM files may hold them; recognised by their bytes alone.
RAW_STREAM_FORMATS = "h264,hevc"
MAX_FRAME_RATE = 1000  # per second; a higher rate in a header is an error (common practice, no source)
# A file that ends earlier than this share of what its header declares was cut short (common practice, no source).
# The length of a Matroska file, in s, may also be off by a second.
COMPLETE_SHARE, LENGTH_TOLERANCE_S = 0.9, 1.0


class Video:
    """An open video. Close it when done.

    frame_rate : per second, None if unknown
    declared_frames : 0 if the file does not say
    """

    def __init__(self, file: BinaryIO, container: Any, stream: Any, aspect: Fraction | None) -> None:
        """file : what the container is read from; closed with it"""
        self._file = file
        self._container = container
        self._stream = stream
        self._aspect = None if aspect == 1 else aspect
        self.declared_frames = int(stream.frames)
        rate = stream.average_rate or stream.guessed_rate
        self.frame_rate: float | None = float(rate) if rate and 0 < rate <= MAX_FRAME_RATE else None

    def pictures(self) -> Iterator[Picture]:
        """Each picture once, with its presentation time since the first picture.

        Raises StreamBrokenError where decoding fails, and at the end of a file that lacks frames, and StorageError
        where the storage fails.
        """
        from av.error import FFmpegError

        start_s: float | None = None
        reached_s = 0.0
        packets = 0
        try:
            for packet in self._container.demux(self._stream):
                packets += packet.size > 0
                for picture in packet.decode():
                    if start_s is None:
                        start_s = picture.time
                    has_time = picture.time is not None and start_s is not None
                    time_s = picture.time - start_s if has_time else None
                    reached_s = time_s or reached_s
                    yield Picture(time_s, *to_display(picture, self._aspect))
        except FFmpegError as error:
            log.debug("decoding stopped after packet %d: %s", packets, error)
            raise_storage_failure(self._file)
            raise StreamBrokenError("the data after that are damaged") from error
        raise_storage_failure(self._file)
        self._check_end(packets, reached_s)

    def packets_sha256(self, max_packets: int | None = None) -> str | None:
        """SHA-256 of the coded pictures, in hexadecimal, without decoding; None if there are none or they are damaged.

        It reads the stream, so use either this or ``pictures``, not both. Raises StorageError.

        max_packets : only so many packets are read; None for all
        """
        from av.error import FFmpegError

        digest, packets = hashlib.sha256(), 0
        try:
            for packet in self._container.demux(self._stream):
                digest.update(packet)
                packets += packet.size > 0
                if packets == max_packets:
                    break
        except FFmpegError as error:
            log.debug("reading stopped after packet %d: %s", packets, error)
            raise_storage_failure(self._file)
            return None
        raise_storage_failure(self._file)
        return digest.hexdigest() if packets else None

    def _check_end(self, packets: int, reached_s: float) -> None:
        """Raises StreamBrokenError if the file is shorter than its header declares.

        Only AVI and Matroska files that are cut short end without a decoding error, and only their headers are
        trusted. MPEG streams hold estimates, and QuickTime files may correctly show less than they hold (edit lists).
        """
        name = self._container.format.name
        if name == "avi" and packets < COMPLETE_SHARE * self.declared_frames:
            raise StreamBrokenError(f"the file ends there, but its header declares {self.declared_frames} frames")
        length_s = (self._container.duration or 0) / 1e6
        if "matroska" in name and reached_s < COMPLETE_SHARE * length_s - LENGTH_TOLERANCE_S:
            raise StreamBrokenError(f"the file ends at {reached_s:.1f} of {length_s:.1f} s")

    def close(self) -> None:
        self._container.close()
        self._file.close()


def open_video(path: Location, settings: IngestSettings) -> Video:
    """The first video stream of the file. Nothing is decoded if its declared size is beyond the settings.

    Raises ClipError, and OSError if the file cannot be reached.
    """
    from av.error import FFmpegError

    file = path.open("rb")
    try:
        container = _open_container(file, CONTAINER_FORMATS, settings)
    except (FFmpegError, ValueError) as error:
        log.debug("%s: %s", path, error)
        with file:
            raise_storage_failure(file)
            raise ClipError(_open_failure(file, path.name)) from error
    except BaseException:
        file.close()
        raise
    return _first_video(file, container, path.name, settings, with_aspect=True)


def open_embedded_video(video: BinaryIO, name: str, settings: IngestSettings) -> Video:
    """The first video stream inside another file.

    The pixels keep their stored shape, because the outer file gives their size.

    video : its bytes;  name : of the outer file, for error messages
    Raises ClipError.
    """
    from av.error import FFmpegError

    try:
        container = _open_container(video, f"{CONTAINER_FORMATS},{RAW_STREAM_FORMATS}", settings)
    except (FFmpegError, ValueError) as error:
        log.debug("%s: %s", name, error)
        raise ClipError(f"{name}: the video in it is damaged at its beginning; copy it from the scanner again.") from (
            error
        )
    return _first_video(video, container, name, settings, with_aspect=False)


def _open_container(file: BinaryIO, formats: str, settings: IngestSettings) -> Any:
    import av

    # FFmpeg writes messages for programmers to stderr. The clip's reason says the same to a technician.
    av.logging.set_level(av.logging.PANIC)
    # FFmpeg itself may open nothing: it reads what is open, whatever the data in it name.
    guards = {"format_whitelist": formats, "protocol_whitelist": "none", **_size_limit(settings)}
    return av.open(file, options=guards, metadata_errors="replace")


def _size_limit(settings: IngestSettings) -> dict[str, str]:
    # It also holds for the few frames that FFmpeg decodes itself to detect the format.
    return {"max_pixels": str(settings.maximum_side_px**2)}


def _first_video(file: BinaryIO, container: Any, name: str, settings: IngestSettings, *, with_aspect: bool) -> Video:
    """with_aspect : make pixels square that are not"""
    try:
        if not container.streams.video:
            raise ClipError(f"{name}: holds no pictures, only sound or data; record the clip again.")
        stream = container.streams.video[0]
        context = stream.codec_context
        if context is None:
            raise ClipError(f"{name}: its codec is not supported; export the clip as MP4 (H.264).")
        aspect = stream.sample_aspect_ratio if with_aspect else None
        longest = max(display_width(context.width, aspect), context.width, context.height)
        if longest > settings.maximum_side_px:
            raise ClipError(
                f"{name}: declares pictures of {context.width} x {context.height} pixels, "
                f"more than {settings.maximum_side_px} a side; export the clip in a smaller size."
            )
        context.options = _size_limit(settings)
        context.thread_count = settings.decode_threads
        context.thread_type = "AUTO"
        return Video(file, container, stream, aspect)
    except BaseException:
        container.close()
        file.close()
        raise


def _open_failure(file: BinaryIO, name: str) -> str:
    """Why a video could not be opened, judged by its first bytes."""
    file.seek(0)
    head = file.read(4096)
    if head[4:8] == b"ftyp":
        return (
            f"{name}: the recording was cut off before its index was written, so nothing in it can be "
            "played; copy it from the scanner again."
        )
    if not any(byte < 9 for byte in head):
        return f"{name}: this is a text file under a video's name; copy the clip from the scanner again."
    return f"{name}: not a supported video format, or damaged at its beginning; export it as MP4 (H.264)."
