from __future__ import annotations

import numpy as np

from pipeline.detect.detector import Detections
from pipeline.ingest.frame import Frame
from pipeline.scan.frame_consumer import TrackedFrame
from pipeline.scan.track_signs import FRAME_SPACING, FRAMES_PER_TRACK, TrackSigns
from pipeline.track.tracker import TrackUpdate
from tests.pipeline.detect.rendered_egg import rendered_egg

SHELLED = rendered_egg({"rim_db": 12.0, "rim_mm": 0.5, "loss_db": 3.0})
PLAIN = rendered_egg({})


def show(signs, index, rendered, score, *, track=7, dropped=()):
    """One frame with one egg; the score, here of any size, decides how well it shows the egg."""
    detections = Detections(
        index, rendered.ellipse[None], np.zeros(1), np.full((1, 3), 1 / 3), np.array([score]), np.full((1, 2), np.nan)
    )
    update = TrackUpdate(np.array([track]), np.ones(1, bool), dropped)
    signs.add_frame(TrackedFrame(Frame(index, None, rendered.picture), detections, update, False))


def test_the_frames_that_show_an_object_best_are_kept():
    signs = TrackSigns(SHELLED.sector)
    for number in range(20):
        is_best = 5 <= number < 5 + FRAMES_PER_TRACK
        show(signs, number * FRAME_SPACING, SHELLED if is_best else PLAIN, 2.0 if is_best else 1.0)
    median = signs.finish({7: 1})[1]
    assert median.frames == FRAMES_PER_TRACK
    assert median.shadow > 40


def test_neighbouring_frames_are_measured_once():
    signs = TrackSigns(SHELLED.sector)
    for number in range(FRAME_SPACING):
        show(signs, number, SHELLED, 1.0 + number)
    assert signs.finish({7: 1})[1].frames == 1


def test_detections_without_a_track_and_dropped_tracks_have_no_signs():
    signs = TrackSigns(SHELLED.sector)
    show(signs, 0, SHELLED, 1.0, track=0)
    assert signs.finish({0: 1}) == {}
    show(signs, 1, SHELLED, 1.0)
    assert list(signs.finish({7: 1})) == [1]
    show(signs, 2, SHELLED, 1.0, track=0, dropped=(7,))
    assert signs.finish({7: 1}) == {}
