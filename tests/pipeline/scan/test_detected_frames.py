from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.ingest.sector.sector import Sector
from pipeline.scan.detected_frames import detected_frames
from pipeline.settings import load_settings
from tests.pipeline.blob_finder import BlobFinder, film

SECTOR = Sector("rectangle", np.ones((160, 192), np.bool_), (0, 0, 192, 160))


def found(every: int, repeats: Sequence[int] = ()) -> tuple[list[int], list[Detections]]:
    """The frames that the detector saw, and the detections of all."""
    settings = load_settings().detect.model_copy(update={"batch_frames": 4, "network_frames_per_second": 25 / every})
    frames = [Frame(index, index / 25, grey) for index, grey in enumerate(film(2, frames=30))]
    detector = BlobFinder()
    source = ((frame, frame.index in repeats) for frame in frames)
    detected = [detections for _, detections, _ in detected_frames(source, SECTOR, detector, settings, 25.0)]
    assert [each.frame for each in detected] == list(range(30))
    return detector.detected_frames, detected


def test_the_network_sees_every_frame_unless_it_repeats_the_one_before() -> None:
    assert found(1)[0] == list(range(30))
    seen, detected = found(1, repeats=[7, 8])
    assert seen == [index for index in range(30) if index not in (7, 8)]
    assert np.array_equal(detected[8].ellipses, detected[6].ellipses)


@pytest.mark.parametrize("every", [2, 3, 4])
def test_frames_in_between_are_found_nearly_as_if_they_were_seen(every: int) -> None:
    (seen, detected), (_, all_seen) = found(every), found(1)
    assert (seen[0], seen[-1]) == (0, 29)
    assert max(np.diff(seen)) == every
    assert len(seen) <= 30 / every + 3
    for one, other in zip(detected[8:22], all_seen[8:22], strict=True):
        assert len(one.scores) == len(other.scores) == 2
        np.testing.assert_allclose(one.ellipses[:, :4], other.ellipses[:, :4], atol=2.5)


@pytest.mark.parametrize(
    ("frame_rate", "per_second", "every"),
    [(25, 11, 2), (23.976, 11, 2), (30, 11, 2), (20, 11, 1), (50, 11, 4), (25, 0, 1), (None, 11, 1), (1000, 11, 10)],
)
def test_the_network_sees_enough_frames_of_every_second(
    frame_rate: float | None, per_second: float, every: int
) -> None:
    settings = load_settings().detect.model_copy(update={"network_frames_per_second": per_second})
    assert settings.network_every(frame_rate) == every
