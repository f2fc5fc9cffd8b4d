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
    unknown = np.full((len(table), 2), np.nan)
    return Detections(frame, ellipses, table[:, 1].copy(), stages, table[:, 4].copy(), unknown)


def run(frames):
    tracker = ClipTracker(SETTINGS)
    updates = [tracker.update(detections) for detections in frames]
    return updates, tracker.finish()


def crossing(first, last, x, y, *, size=50.0, score=0.8):
    """An egg whose section grows to ``size`` and shrinks again: frame to row."""
    middle, half = (first + last) / 2, (last - first) / 2 + 2
    rows = {}
    for frame in range(first, last + 1):
        share = np.sqrt(1 - ((frame - middle) / half) ** 2)
        rows[frame] = (x, y, size * share, 0.7 * size * share, score)
    return rows


def clip_frames(frames, *crossings):
    """The detections of all frames."""
    return [one_frame(f, [rows[f] for rows in crossings if f in rows]) for f in range(frames)]


def followed_objects(clip, updates, finished):
    """Per track the objects that it followed, by number of frames; -1 are false positives."""
    followed = defaultdict(Counter)
    for objects, update in zip(clip.objects, updates, strict=True):
        for egg, provisional in zip(objects.tolist(), update.track_ids.tolist(), strict=True):
            if provisional in finished.final_ids:
                followed[finished.final_ids[provisional]][egg] += 1
    return followed


def test_nearly_every_egg_of_a_sweep_gets_one_track():
    crossed = tracked = broken = 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        clip = simulate_clip(rng, random_clutch(rng, [CALCIFIED] * 7 + [FOLLICLE]), one_way_sweep(300), 300)
        tracks = followed_objects(clip, *run(clip.frames))
        for track, eggs in tracks.items():
            assert eggs.most_common(1)[0][1] >= 0.85 * eggs.total(), f"{seed}: track {track} holds {dict(eggs)}"
        tracks_per_egg = Counter(eggs.most_common(1)[0][0] for eggs in tracks.values())
        assert -1 not in tracks_per_egg, f"{seed}: a track follows false positives"
        crossed += len(clip.crossed)
        tracked += len(clip.crossed & set(tracks_per_egg))
        broken += tracks_per_egg.total() - len(tracks_per_egg)
    assert tracked == crossed
    assert broken <= 0.05 * crossed


def test_false_positives_alone_make_no_track():
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
def test_a_track_survives_a_gap_of_eight_frames(gap, tracks):
    egg = crossing(0, 60, 300, 200)
    for frame in range(30, 30 + gap):
        del egg[frame]
    _, finished = run(clip_frames(61, egg))
    assert len(finished.tracks) == tracks


def test_tracks_survive_sudden_shifts_of_the_whole_picture():
    rng = np.random.default_rng(5)
    eggs = [crossing(0, 40, x, y, size=30) for x, y in ((200, 150), (275, 150), (350, 150))]
    frames = []
    for frame in range(41):
        # By more than half an egg's width, every other frame.
        jump = rng.uniform(-1, 1, 2) * 18 * (frame % 2)
        rows = [(r[frame][0] + jump[0], r[frame][1] + jump[1], *r[frame][2:]) for r in eggs]
        frames.append(one_frame(frame, rows))
    updates, finished = run(frames)
    assert len(finished.tracks) == 3
    assert all(update.track_ids.tolist() == updates[0].track_ids.tolist() for update in updates)


def test_eggs_one_behind_the_other_are_two_tracks():
    _, finished = run(clip_frames(100, crossing(0, 40, 300, 200), crossing(45, 85, 304, 203)))
    assert [(t.frames[0], t.frames[-1]) for t in finished.tracks] == [(0, 40), (45, 85)]


def test_an_egg_that_appears_next_to_one_lost_near_its_middle_is_another():
    lost = {frame: row for frame, row in crossing(0, 30, 200, 200).items() if frame <= 18}
    neighbour = {frame: row for frame, row in crossing(11, 50, 240, 215).items() if frame >= 21}
    _, finished = run(clip_frames(60, lost, neighbour))
    assert [len(track.frames) for track in finished.tracks] == [19, 30]


def test_low_scores_continue_a_track_but_begin_none():
    low = {frame: (*row[:4], 0.35) for frame, row in crossing(0, 60, 300, 200).items()}
    _, alone = run(clip_frames(61, low))
    high = {frame: row for frame, row in crossing(0, 60, 300, 200).items() if frame < 30}
    _, continued = run(clip_frames(61, high | {frame: row for frame, row in low.items() if frame >= 30}))
    assert len(alone.tracks) == 0
    assert [len(track.frames) for track in continued.tracks] == [61]


def test_a_detection_inside_one_with_a_higher_score_is_no_object():
    frames = [one_frame(f, [(300, 200, 60, 45, 0.9), (305, 205, 25, 20, 0.6)]) for f in range(10)]
    updates, finished = run(frames)
    assert len(finished.tracks) == 1
    assert all(update.track_ids[1] == 0 for update in updates)


@pytest.mark.parametrize(("score", "tracks"), [(0.9, 1), (0.5, 0)])
def test_a_still_image_gives_tracks_for_high_scores(score, tracks):
    _, finished = run([one_frame(0, [(300, 200, 60, 45, score)])])
    assert len(finished.tracks) == tracks


def test_a_clip_without_frames_or_detections_has_no_tracks():
    assert run([])[1].tracks == ()
    assert run([one_frame(0, []), one_frame(1, [])])[1].tracks == ()


def test_the_last_best_view_is_the_tracks_best_row():
    rng = np.random.default_rng(6)
    clip = simulate_clip(rng, random_clutch(rng, [CALCIFIED] * 6), one_way_sweep(300), 300)
    updates, finished = run(clip.frames)
    kept = {}
    for detections, update in zip(clip.frames, updates, strict=True):
        for provisional in update.track_ids[update.is_best_view].tolist():
            kept[provisional] = detections.frame
    best = {track.identity: int(track.frames[track.best_row]) for track in finished.tracks}
    assert {final: kept[provisional] for provisional, final in finished.final_ids.items()} == best


def test_dropped_tracks_never_reappear():
    rng = np.random.default_rng(8)
    clip = simulate_clip(
        rng,
        random_clutch(rng, [CALCIFIED] * 3),
        one_way_sweep(300),
        300,
        detector=SimulatedDetector(false_positives=1.0),
    )
    updates, finished = run(clip.frames)
    dropped = [identity for update in updates for identity in update.dropped]
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


def test_frames_must_be_in_order():
    tracker = ClipTracker(SETTINGS)
    tracker.update(one_frame(7, []))
    with pytest.raises(ValueError, match="frame 7 came after frame 7"):
        tracker.update(one_frame(7, []))


@pytest.mark.parametrize("times", [2, 40])
def test_repeated_pictures_add_no_evidence(times):
    """However often a recorder stores each picture, the tracks are the same."""
    frames = clip_frames(40, crossing(4, 20, 100, 90), crossing(12, 34, 200, 120))
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


def test_a_frozen_screen_neither_ends_a_track_nor_extends_it():
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


def test_one_picture_repeated_for_the_whole_clip_counts_as_a_still_image():
    for score, tracks in ((0.7, 1), (0.5, 0)):
        tracker = ClipTracker(SETTINGS)
        tracker.update(one_frame(0, [(100, 90, 30, 20, score)]))
        for frame in range(1, 100):
            tracker.skip_repeated_frame(frame)
        assert len(tracker.finish().tracks) == tracks


def test_repeated_frames_must_be_in_order():
    tracker = ClipTracker(SETTINGS)
    tracker.update(one_frame(3, []))
    with pytest.raises(ValueError, match="frame 3 came after frame 3"):
        tracker.skip_repeated_frame(3)
