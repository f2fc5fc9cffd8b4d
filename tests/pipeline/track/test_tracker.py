from __future__ import annotations

from collections import Counter, defaultdict

import numpy as np
import pytest

from pipeline.detect.detector import Detections
from pipeline.settings import load_settings
from pipeline.track.tracker import ClipTracker
from tests.pipeline.track.simulated_clips import (
    CALCIFIED,
    FOLLICLE,
    SimulatedDetector,
    one_way_sweep,
    random_clutch,
    simulate_clip,
)

SETTINGS = load_settings().track


def one_frame(frame, rows, *, stage=CALCIFIED):
    """Detections of ``rows``, (cx, cy, semi-major, semi-minor, score) each."""
    table = np.array(rows, float).reshape(-1, 5)
    stages = np.full((len(table), 3), 0.05)
    stages[:, stage] = 0.9
    ellipses = np.column_stack([table[:, :4], np.zeros(len(table))])
    nothing = np.full((len(table), 2), np.nan)
    return Detections(frame, ellipses, table[:, 1].copy(), stages, table[:, 4].copy(), nothing)


def run(frames):
    tracker = ClipTracker(SETTINGS)
    sightings = [tracker.update(detections) for detections in frames]
    return sightings, tracker.finish()


def crossing(first, last, x, y, *, size=50.0, score=0.8):
    """An egg that grows, is full and shrinks: frame to row."""
    middle, half = (first + last) / 2, (last - first) / 2 + 2
    rows = {}
    for frame in range(first, last + 1):
        share = np.sqrt(1 - ((frame - middle) / half) ** 2)
        rows[frame] = (x, y, size * share, 0.7 * size * share, score)
    return rows


def filmed(frames, *crossings):
    return [one_frame(f, [rows[f] for rows in crossings if f in rows]) for f in range(frames)]


def owners(clip, sightings, finished):
    """Per track the objects it followed, by number of frames; -1 are false alarms."""
    followed = defaultdict(Counter)
    for objects, seen in zip(clip.objects, sightings, strict=True):
        for egg, provisional in zip(objects.tolist(), seen.track_ids.tolist(), strict=True):
            if provisional in finished.final_ids:
                followed[finished.final_ids[provisional]][egg] += 1
    return followed


def test_nearly_every_egg_of_a_sweep_gets_one_track():
    crossed = followed = broken = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        clip = simulate_clip(rng, random_clutch(rng, [CALCIFIED] * 7 + [FOLLICLE]), one_way_sweep(300), 300)
        tracks = owners(clip, *run(clip.frames))
        for track, eggs in tracks.items():
            assert eggs.most_common(1)[0][1] >= 0.85 * eggs.total(), f"{seed}: track {track} holds {dict(eggs)}"
        own = Counter(eggs.most_common(1)[0][0] for eggs in tracks.values())
        assert -1 not in own, f"{seed}: a track follows false alarms"
        crossed += len(clip.crossed)
        followed += len(clip.crossed & set(own))
        broken += own.total() - len(own)
    assert followed == crossed
    assert broken <= 0.05 * crossed


def test_false_alarms_alone_make_no_track():
    rng = np.random.default_rng(4)
    clip = simulate_clip(
        rng,
        random_clutch(rng, []),
        one_way_sweep(300),
        300,
        detector=SimulatedDetector(false_positives=1.0, distractors=0),
    )
    _, finished = run(clip.frames)
    assert finished.tracks == ()
    assert finished.final_ids == {}


@pytest.mark.parametrize(("gap", "tracks"), [(0, 1), (5, 1), (8, 1), (20, 2)])
def test_a_track_outlives_a_gap_of_eight_frames(gap, tracks):
    egg = crossing(0, 60, 300, 200)
    for frame in range(30, 30 + gap):
        del egg[frame]
    _, finished = run(filmed(61, egg))
    assert len(finished.tracks) == tracks


def test_the_whole_picture_may_jump():
    rng = np.random.default_rng(5)
    eggs = [crossing(0, 40, x, y, size=30) for x, y in ((200, 150), (275, 150), (350, 150))]
    frames = []
    for frame in range(41):
        # More than half an egg's width, every other frame.
        jump = rng.uniform(-1, 1, 2) * 18 * (frame % 2)
        rows = [(r[frame][0] + jump[0], r[frame][1] + jump[1], *r[frame][2:]) for r in eggs]
        frames.append(one_frame(frame, rows))
    sightings, finished = run(frames)
    assert len(finished.tracks) == 3
    assert all(seen.track_ids.tolist() == sightings[0].track_ids.tolist() for seen in sightings)


def test_eggs_one_behind_the_other_are_two_tracks():
    _, finished = run(filmed(100, crossing(0, 40, 300, 200), crossing(45, 85, 304, 203)))
    assert [(t.frames[0], t.frames[-1]) for t in finished.tracks] == [(0, 40), (45, 85)]


def test_an_egg_that_begins_beside_one_lost_in_its_midst_is_another():
    lost = {frame: row for frame, row in crossing(0, 30, 200, 200).items() if frame <= 18}
    beside = {frame: row for frame, row in crossing(11, 50, 240, 215).items() if frame >= 21}
    _, finished = run(filmed(60, lost, beside))
    assert [len(track.frames) for track in finished.tracks] == [19, 30]


def test_faint_sightings_go_on_with_a_track_but_begin_none():
    faint = {frame: (*row[:4], 0.35) for frame, row in crossing(0, 60, 300, 200).items()}
    _, alone = run(filmed(61, faint))
    sure = {frame: row for frame, row in crossing(0, 60, 300, 200).items() if frame < 30}
    _, begun = run(filmed(61, sure | {frame: row for frame, row in faint.items() if frame >= 30}))
    assert len(alone.tracks) == 0
    assert [len(track.frames) for track in begun.tracks] == [61]


def test_a_detection_inside_a_surer_one_is_no_object():
    frames = [one_frame(f, [(300, 200, 60, 45, 0.9), (305, 205, 25, 20, 0.6)]) for f in range(10)]
    sightings, finished = run(frames)
    assert len(finished.tracks) == 1
    assert all(seen.track_ids[1] == 0 for seen in sightings)


@pytest.mark.parametrize(("score", "tracks"), [(0.9, 1), (0.5, 0)])
def test_a_still_gives_tracks_for_sure_detections(score, tracks):
    _, finished = run([one_frame(0, [(300, 200, 60, 45, score)])])
    assert len(finished.tracks) == tracks


def test_a_clip_of_nothing_has_no_tracks():
    assert run([])[1].tracks == ()
    assert run([one_frame(0, []), one_frame(1, [])])[1].tracks == ()


def test_the_picture_to_keep_is_the_tracks_best():
    rng = np.random.default_rng(6)
    clip = simulate_clip(rng, random_clutch(rng, [CALCIFIED] * 6), one_way_sweep(300), 300)
    sightings, finished = run(clip.frames)
    kept = {}
    for detections, seen in zip(clip.frames, sightings, strict=True):
        for provisional in seen.track_ids[seen.is_best_view].tolist():
            kept[provisional] = detections.frame
    best = {track.identity: int(track.frames[track.best_row]) for track in finished.tracks}
    assert {final: kept[provisional] for provisional, final in finished.final_ids.items()} == best


def test_dropped_tracks_never_come_back():
    rng = np.random.default_rng(8)
    clip = simulate_clip(
        rng,
        random_clutch(rng, [CALCIFIED] * 3),
        one_way_sweep(300),
        300,
        detector=SimulatedDetector(false_positives=1.0),
    )
    sightings, finished = run(clip.frames)
    dropped = [identity for seen in sightings for identity in seen.dropped]
    assert len(dropped) == len(set(dropped)) > 0
    assert not set(dropped) & set(finished.final_ids)
    assert [track.identity for track in finished.tracks] == list(range(1, len(finished.tracks) + 1))
    assert [track.frames[0] for track in finished.tracks] == sorted(t.frames[0] for t in finished.tracks)


def test_the_same_clip_gives_the_same_bytes():
    rng = np.random.default_rng(9)
    clip = simulate_clip(rng, random_clutch(rng, [CALCIFIED] * 4), one_way_sweep(200), 200)
    first, second = (run(clip.frames)[1].tracks for _ in range(2))
    for a, b in zip(first, second, strict=True):
        assert a.frames.tobytes() == b.frames.tobytes()
        assert a.ellipses.tobytes() == b.ellipses.tobytes()


def test_frames_must_run_forwards():
    tracker = ClipTracker(SETTINGS)
    tracker.update(one_frame(7, []))
    with pytest.raises(ValueError, match="frame 7 came after frame 7"):
        tracker.update(one_frame(7, []))


@pytest.mark.parametrize("times", [2, 40])
def test_repeated_pictures_are_no_further_witnesses(times):
    """However often a recorder stores each picture, the tracks are those of the pictures themselves."""
    frames = filmed(40, crossing(4, 20, 100, 90), crossing(12, 34, 200, 120))
    _, expected = run(frames)
    tracker = ClipTracker(SETTINGS)
    for detections in frames:
        tracker.update(one_frame(times * detections.frame, rows_of(detections)))
        for again in range(1, times):
            tracker.skip_repeated_frame(times * detections.frame + again)
    found = tracker.finish()
    assert len(found.tracks) == len(expected.tracks) == 2
    for one, other in zip(found.tracks, expected.tracks, strict=True):
        np.testing.assert_array_equal(one.frames, times * other.frames)
        np.testing.assert_array_equal(one.scores, other.scores)


def rows_of(detections):
    return np.column_stack([detections.ellipses[:, :4], detections.scores])


def test_a_frozen_screen_neither_ends_a_track_nor_adds_to_it():
    rows = crossing(0, 39, 100, 90)
    tracker = ClipTracker(SETTINGS)
    for frame in range(20):
        tracker.update(one_frame(frame, [rows[frame]]))
    for frame in range(20, 220):
        tracker.skip_repeated_frame(frame)
    for frame in range(20, 40):
        tracker.update(one_frame(200 + frame, [rows[frame]]))
    (track,) = tracker.finish().tracks
    assert track.frames.tolist() == [*range(20), *range(220, 240)]


def test_one_picture_held_for_the_whole_clip_counts_as_a_still():
    for score, tracks in ((0.7, 1), (0.5, 0)):
        tracker = ClipTracker(SETTINGS)
        tracker.update(one_frame(0, [(100, 90, 30, 20, score)]))
        for frame in range(1, 100):
            tracker.skip_repeated_frame(frame)
        assert len(tracker.finish().tracks) == tracks


def test_held_frames_must_run_forwards():
    tracker = ClipTracker(SETTINGS)
    tracker.update(one_frame(3, []))
    with pytest.raises(ValueError, match="frame 3 came after frame 3"):
        tracker.skip_repeated_frame(3)
