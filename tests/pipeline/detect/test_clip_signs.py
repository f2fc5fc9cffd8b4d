from __future__ import annotations

import numpy as np

from pipeline.detect.clip_signs import APART, FRAMES, SignBook
from pipeline.ingest.frame import Frame
from tests.pipeline.detect.laboratory_picture import rendered_egg

SHELLED = rendered_egg({"rim_db": 12.0, "rim_mm": 0.5, "loss_db": 3.0})
PLAIN = rendered_egg({})
TRACK = np.array([7])


def read(book, index, rendered, worth, track=TRACK):
    book.read(Frame(index, None, rendered.picture), rendered.ellipse[None], track, np.array([worth]))


def test_the_frames_that_show_an_object_best_are_kept():
    book = SignBook(SHELLED.sector)
    for number in range(20):
        best = 5 <= number < 5 + FRAMES
        read(book, number * APART, SHELLED if best else PLAIN, 2.0 if best else 1.0)
    signs = book.signs({7: 1})[1]
    assert signs.frames == FRAMES
    assert signs.shadow > 40


def test_neighbouring_frames_are_read_once():
    book = SignBook(SHELLED.sector)
    for number in range(APART):
        read(book, number, SHELLED, 1.0 + number)
    assert book.signs({7: 1})[1].frames == 1


def test_what_follows_no_track_or_was_given_up_has_no_signs():
    book = SignBook(SHELLED.sector)
    read(book, 0, SHELLED, 1.0, np.array([0]))
    read(book, 1, SHELLED, 1.0)
    book.drop((7,))
    assert book.signs({7: 1}) == {}
