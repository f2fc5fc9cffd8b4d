from __future__ import annotations

import numpy as np

from pipeline.detect.clip_signs import FRAME_SPACING, FRAMES_PER_TRACK, ClipSigns
from pipeline.ingest.frame import Frame
from tests.pipeline.detect.rendered_egg import rendered_egg

SHELLED = rendered_egg({"rim_db": 12.0, "rim_mm": 0.5, "loss_db": 3.0})
PLAIN = rendered_egg({})
TRACK = np.array([7])


def read(clip_signs, index, rendered, worth, track=TRACK):
    clip_signs.add_frame(Frame(index, None, rendered.picture), rendered.ellipse[None], track, np.array([worth]))


def test_the_frames_that_show_an_object_best_are_kept():
    clip_signs = ClipSigns(SHELLED.sector)
    for number in range(20):
        best = 5 <= number < 5 + FRAMES_PER_TRACK
        read(clip_signs, number * FRAME_SPACING, SHELLED if best else PLAIN, 2.0 if best else 1.0)
    signs = clip_signs.signs({7: 1})[1]
    assert signs.frames == FRAMES_PER_TRACK
    assert signs.shadow > 40


def test_neighbouring_frames_are_read_once():
    clip_signs = ClipSigns(SHELLED.sector)
    for number in range(FRAME_SPACING):
        read(clip_signs, number, SHELLED, 1.0 + number)
    assert clip_signs.signs({7: 1})[1].frames == 1


def test_what_follows_no_track_or_was_given_up_has_no_signs():
    clip_signs = ClipSigns(SHELLED.sector)
    read(clip_signs, 0, SHELLED, 1.0, np.array([0]))
    read(clip_signs, 1, SHELLED, 1.0)
    clip_signs.drop((7,))
    assert clip_signs.signs({7: 1}) == {}
