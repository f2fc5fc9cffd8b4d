"""The toy of the whole idea: a hand that sweeps there and back over twelve eggs sees every one of them twice."""

from __future__ import annotations

import numpy as np

from pipeline.settings import load_settings
from pipeline.track.merging.merge import merge_tracks
from tests.pipeline.track.simulator import CALCIFIED, clutch, film, follow, there_and_back

SETTINGS = load_settings().track


def test_twelve_eggs_swept_there_and_back_are_about_twelve() -> None:
    errors, tracks = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        filmed = film(rng, clutch(rng, [CALCIFIED] * 12), there_and_back(600), 600)
        followed = follow(filmed, SETTINGS, "left-1.mp4")
        tracks.append(len(followed.tracks))
        errors.append(len(merge_tracks([followed], None, SETTINGS).eggs) - len(filmed.crossed))
    assert np.mean(tracks) >= 24
    assert np.mean(np.abs(errors)) <= 0.4
