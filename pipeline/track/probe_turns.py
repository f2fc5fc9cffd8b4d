"""Where a hand turned round, seen in the pictures: after the turn they come again in reverse order.

In the matrix of correlation of every two frames a return is a ridge that leaves the diagonal at the turn and runs across
it, frame T - a against frame T + b. Speckle tells how far a probe moved and not which way; the ridge tells that it
came back, and which frame lies where which one lay. At a place of the ridge the correlation must exceed that to the
frames nearer to the turn, on either side: a probe that stands still, or is kicked away and returns to go on, shows
frames that are all alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["ProbeTurn", "find_turns"]

Floats = NDArray[np.float64]

# For each step in which one side stands still while the other moves on, in correlation.
_UNEVEN = 0.05
# Fewer kept frames on either side of a turn are no pass.
_SHORTEST_PASS = 6
# A ridge of this much correlation beyond what the frames nearer to the turn have, summed over its length, is as likely
# a return as not, and each further step of the second makes it e times likelier: on phantoms of seed 8001 returns
# have 6 to 30 and other sweeps 0 to 10, the highest after kicks.
_EVEN_ODDS, _ODDS_STEP = 9.0, 3.0
_FAINTEST, _SUREST = -2.0, 5.0  # log odds; below the first there is no turn to speak of


@dataclass(frozen=True)
class ProbeTurn:
    """frame : at which the hand turned

    before, after : (P,) frames that show the same place, before ascending towards the turn, after descending to it
    log_odds : natural, that it is a return, by the pictures alone
    """

    frame: float
    before: Floats
    after: Floats
    log_odds: float

    @property
    def is_likely(self) -> bool:
        """Whether the pictures speak for it more than against."""
        return self.log_odds > 0


def find_turns(frames: NDArray[np.int64], correlation: Floats) -> tuple[ProbeTurn, ...]:
    """The turns of a clip, in order. frames : (K,) ascending;  correlation : (K, K) correlation of every two"""
    turns: list[ProbeTurn] = []
    _search(frames, correlation, 0, len(frames), turns)
    return tuple(sorted(turns, key=lambda turn: turn.frame))


def _search(frames: NDArray[np.int64], correlation: Floats, low: int, high: int, turns: list[ProbeTurn]) -> None:
    # The best turn from low to high; what lies before and after it may have turns of its own.
    if high - low < 2 * _SHORTEST_PASS + 1:
        return
    part = correlation[low:high, low:high]
    # Every second frame finds where to look closer, at a quarter of the cost.
    thin = part[::2, ::2]
    coarse = range(_SHORTEST_PASS // 2, len(thin) - _SHORTEST_PASS // 2)
    best = 2 * max(coarse, key=lambda turn: _Ridge(thin, turn, _SHORTEST_PASS // 2).height)
    near = range(max(best - 2, _SHORTEST_PASS), min(best + 3, high - low - _SHORTEST_PASS))
    ridge = max((_Ridge(part, turn, _SHORTEST_PASS) for turn in near), key=lambda ridge: ridge.height)
    log_odds = (ridge.height - _EVEN_ODDS) / _ODDS_STEP
    if log_odds < _FAINTEST:
        return
    back, on = ridge.steps()
    before, after = frames[low + ridge.turn - back], frames[low + ridge.turn + on]
    turns.append(
        ProbeTurn(
            frame=float(frames[low + ridge.turn]),
            before=before[::-1].astype(np.float64),
            after=after[::-1].astype(np.float64),
            log_odds=float(min(log_odds, _SUREST)),
        )
    )
    _search(frames, correlation, low, low + ridge.turn, turns)
    _search(frames, correlation, low + ridge.turn, high, turns)


class _Ridge:
    """The best way across the correlation of the frames before a turn with those after it, by dynamic programming.

    shortest : frames that it must reach to, on either side
    height : sum along it of the correlation beyond that to frames nearer to the turn; of a way that leaves one side
    where it is, none
    """

    def __init__(self, correlation: Floats, turn: int, shortest: int) -> None:
        self.turn = turn
        across = correlation[turn::-1, turn:]  # [a, b]: frame turn - a with frame turn + b
        gain = across - np.maximum(_nearer(across), _nearer(across.T).T)
        # Frames in which only one side moves on show no further place, so they are no further evidence.
        self._together, self._alone = 2 * gain, np.minimum(gain, 0.0) - _UNEVEN
        self._best = self._climbed()
        self._end = np.unravel_index(int(self._best.argmax()), self._best.shape)
        short = min(self._end) < shortest
        self.height = -np.inf if short else float(self._best[self._end])

    def _climbed(self) -> Floats:
        """(A, B) the most that a way from the turn to each place can gather."""
        rows, columns = self._alone.shape
        a, b = np.ogrid[:rows, :columns]
        # Places of one diagonal follow from the two before and lie in one row here, [a + b, a + 1]; what lies outside
        # is never reached.
        together, alone, best = np.full((3, rows + columns - 1, rows + 1), -np.inf)
        together[a + b, a + 1], alone[a + b, a + 1] = self._together, self._alone
        best[0, 1] = 0.0
        if len(best) > 1:
            best[1, 1:] = np.maximum(best[0, :-1], best[0, 1:]) + alone[1, 1:]
        for diagonal in range(2, len(best)):
            before = best[diagonal - 1]
            step = np.maximum(before[:-1], before[1:]) + alone[diagonal, 1:]
            np.maximum(best[diagonal - 2, :-1] + together[diagonal, 1:], step, out=best[diagonal, 1:])
        return np.asarray(best[a + b, a + 1])

    def steps(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(P,) frames before the turn and after it, from the turn on."""
        a, b = int(self._end[0]), int(self._end[1])
        ways = [(a, b)]
        while a or b:
            # Where it came from: of places that gather as much, both sides moved on.
            alone = self._alone[a, b]
            came = [
                (self._best[a - 1, b - 1] + self._together[a, b] if a and b else -np.inf, (a - 1, b - 1)),
                (self._best[a - 1, b] + alone if a else -np.inf, (a - 1, b)),
                (self._best[a, b - 1] + alone if b else -np.inf, (a, b - 1)),
            ]
            _, (a, b) = max(came, key=lambda each: each[0])
            ways.append((a, b))
        back, on = np.array(ways[::-1]).T
        return back, on


def _nearer(across: Floats) -> Floats:
    # (A, B) mean of each row over the frames from the turn to half the way to a column.
    means = np.cumsum(across, axis=1) / np.arange(1, across.shape[1] + 1)
    return np.asarray(means[:, np.arange(across.shape[1]) // 2])
