"""The toy of the whole idea: a hand that sweeps there and back over twelve eggs sees every one of them twice."""

from __future__ import annotations

import numpy as np

from pipeline.settings import load_settings
from pipeline.track.merging.merge import merge_tracks
from tests.pipeline.track.simulated_clips import CALCIFIED, random_clutch, return_sweep, simulate_clip, track_clip

SETTINGS = load_settings().track


def test_twelve_eggs_swept_there_and_back_are_about_twelve() -> None:
    errors, tracks = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        filmed = simulate_clip(rng, random_clutch(rng, [CALCIFIED] * 12), return_sweep(600), 600)
        followed = track_clip(filmed, SETTINGS, "left-1.mp4")
        tracks.append(len(followed.tracks))
        errors.append(len(merge_tracks([followed], None, SETTINGS).eggs) - len(filmed.crossed))
    assert np.mean(tracks) >= 24
    assert np.mean(np.abs(errors)) <= 0.4
