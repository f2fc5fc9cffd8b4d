"""Where the probe turned back, seen in the pictures: after the turn they repeat in reverse order.

In the matrix of correlations between every two frames a return is a ridge that leaves the diagonal at the turn and runs
across it, frame T - a against frame T + b. Speckle shows how far a probe moved but not in which direction; the ridge
shows that it came back, and which frames show the same place. At every point of the ridge the correlation must exceed
that with the frames nearer to the turn, on either side: a probe that stands still, or is kicked away and then goes on,
shows frames that are all alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ProbeTurn", "find_turns"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _TurnModel:
    """When a ridge counts as a return. Heights are sums of excess correlation along a ridge.

    On phantoms of seed 8001 returns have heights of 6 to 30 and other sweeps 0 to 10, the highest after kicks; the
    odds follow from that. The other values are common practice, no source.
    """

    standstill_cost: float = 0.05  # correlation, for each step in which one side stands still while the other moves on
    minimum_pass_frames: int = 6  # kept frames; fewer on either side of a turn are no pass
    even_odds_height: float = 9.0  # a ridge of this height is as likely a return as not ...
    height_per_log_odds: float = 3.0  # ... and each further step of this size makes it e times likelier
    minimum_log_odds: float = -2.0  # below it no turn is reported
    maximum_log_odds: float = 5.0  # no turn is more certain


_TURN = _TurnModel()


@dataclass(frozen=True)
class ProbeTurn:
    """frame : at which the probe turned back

    before, after : (P,) frames that show the same place, before ascending towards the turn, after descending to it
    log_odds : natural, that it is a return, from the pictures alone
    """

    frame: float
    before: Floats
    after: Floats
    log_odds: float

    @property
    def is_likely(self) -> bool:
        """Whether the pictures make a return more likely than not."""
        return self.log_odds > 0


def find_turns(frames: NDArray[np.int64], correlation: Floats) -> tuple[ProbeTurn, ...]:
    """The turns of a clip, in order. frames : (K,) ascending;  correlation : (K, K) correlation of every two"""
    turns: list[ProbeTurn] = []
    _search(frames, correlation, 0, len(frames), turns)
    return tuple(sorted(turns, key=lambda turn: turn.frame))


def _search(frames: NDArray[np.int64], correlation: Floats, low: int, high: int, turns: list[ProbeTurn]) -> None:
    # The best turn from low to high; the parts before and after it may have turns of their own.
    shortest = _TURN.minimum_pass_frames
    if high - low < 2 * shortest + 1:
        return
    part = correlation[low:high, low:high]
    # Every second frame is enough to find the neighbourhood of the turn, at a quarter of the cost.
    coarse = part[::2, ::2]
    coarse_turns = range(shortest // 2, len(coarse) - shortest // 2)
    best = 2 * max(coarse_turns, key=lambda turn: _Ridge(coarse, turn, shortest // 2).height)
    near = range(max(best - 2, shortest), min(best + 3, high - low - shortest))
    ridge = max((_Ridge(part, turn, shortest) for turn in near), key=lambda ridge: ridge.height)
    log_odds = (ridge.height - _TURN.even_odds_height) / _TURN.height_per_log_odds
    if log_odds < _TURN.minimum_log_odds:
        return
    steps_before, steps_after = ridge.steps()
    turn = low + ridge.turn
    turns.append(
        ProbeTurn(
            frame=float(frames[turn]),
            before=frames[turn - steps_before][::-1].astype(np.float64),
            after=frames[turn + steps_after][::-1].astype(np.float64),
            log_odds=float(min(log_odds, _TURN.maximum_log_odds)),
        )
    )
    _search(frames, correlation, low, turn, turns)
    _search(frames, correlation, turn, high, turns)


class _Ridge:
    """The best path across the correlations of the frames before a turn with those after it, by dynamic programming.

    shortest : frames that it must reach on either side
    height : sum along it of the correlation in excess of that with frames nearer to the turn; steps in which one side
        stands still add nothing
    """

    def __init__(self, correlation: Floats, turn: int, shortest: int) -> None:
        self.turn = turn
        across = correlation[turn::-1, turn:]  # [a, b]: frame turn - a with frame turn + b
        gain = across - np.maximum(_mean_nearer(across), _mean_nearer(across.T).T)
        # Steps in which only one side moves on show no further place, so they are no further evidence.
        self._both_gain, self._one_gain = 2 * gain, np.minimum(gain, 0.0) - _TURN.standstill_cost
        self._best = self._best_sums()
        self._end = np.unravel_index(int(self._best.argmax()), self._best.shape)
        is_too_short = min(self._end) < shortest
        self.height = -np.inf if is_too_short else float(self._best[self._end])

    def _best_sums(self) -> Floats:
        """(A, B) the highest sum that a path from the turn to each cell can gather."""
        rows, columns = self._one_gain.shape
        a, b = np.ogrid[:rows, :columns]
        # Cells of one anti-diagonal depend on the two before it. Each lies in one row here, cell (a, b) at
        # [a + b, a + 1]; cells outside the matrix are never reached.
        both, one, best = np.full((3, rows + columns - 1, rows + 1), -np.inf)
        both[a + b, a + 1], one[a + b, a + 1] = self._both_gain, self._one_gain
        best[0, 1] = 0.0
        if len(best) > 1:
            best[1, 1:] = np.maximum(best[0, :-1], best[0, 1:]) + one[1, 1:]
        for diagonal in range(2, len(best)):
            before = best[diagonal - 1]
            step = np.maximum(before[:-1], before[1:]) + one[diagonal, 1:]
            np.maximum(best[diagonal - 2, :-1] + both[diagonal, 1:], step, out=best[diagonal, 1:])
        return np.asarray(best[a + b, a + 1])

    def steps(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(P,) numbers of frames before the turn and after it, starting at the turn."""
        a, b = int(self._end[0]), int(self._end[1])
        path = [(a, b)]
        while a or b:
            # The predecessor; among equal ones that from which both sides moved on.
            one = self._one_gain[a, b]
            predecessors = [
                (self._best[a - 1, b - 1] + self._both_gain[a, b] if a and b else -np.inf, (a - 1, b - 1)),
                (self._best[a - 1, b] + one if a else -np.inf, (a - 1, b)),
                (self._best[a, b - 1] + one if b else -np.inf, (a, b - 1)),
            ]
            _, (a, b) = max(predecessors, key=lambda each: each[0])
            path.append((a, b))
        before, after = np.array(path[::-1]).T
        return before, after


def _mean_nearer(across: Floats) -> Floats:
    # (A, B) mean of each row over the frames from the turn to halfway to a column.
    means = np.cumsum(across, axis=1) / np.arange(1, across.shape[1] + 1)
    return np.asarray(means[:, np.arange(across.shape[1]) // 2])
