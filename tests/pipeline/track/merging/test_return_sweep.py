"""The basic case of merging: a probe that sweeps out and back over twelve eggs shows every one of them twice."""

from __future__ import annotations

import numpy as np

from pipeline.settings import load_settings
from pipeline.track.merging.merge import merge_tracks
from tests.pipeline.track.simulated_clips import CALCIFIED, random_clutch, return_sweep, simulate_clip, track_clip

SETTINGS = load_settings().track


def test_twelve_eggs_swept_out_and_back_are_about_twelve() -> None:
    errors, tracks = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        simulated = simulate_clip(rng, random_clutch(rng, [CALCIFIED] * 12), return_sweep(600), 600)
        clip_tracks = track_clip(simulated, SETTINGS, "left-1.mp4")
        tracks.append(len(clip_tracks.tracks))
        errors.append(len(merge_tracks([clip_tracks], None, SETTINGS).eggs) - len(simulated.crossed))
    assert np.mean(tracks) >= 24
    assert np.mean(np.abs(errors)) <= 0.4
