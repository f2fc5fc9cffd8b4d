"""Which of the objects that were followed are what they look like: how many, and each one's probability.

Gut, bladder and shadows can be followed like eggs. With L_i how many times likelier the looks of candidate i are in a
real one than in a look-alike, and look-alikes that come at random, lambda to an exam (Poisson), Bayes gives for the
number R of real ones among all K

    P(R)  ~  prior(R) R! lambda^(K - R) e_R(L),

e_R being the sum of the products of every R of the L_i. So candidates vouch for each other: one doubtful shape in an
animal with nothing sure is more often gut than a clutch, and beside five eggs more often the sixth. The prior gives
"none" a probability and shares the rest out as 1 / R: no number is known to be likelier than its double.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from pipeline.calibration_file import LikelihoodWeights
from pipeline.settings import TrackSettings
from pipeline.track.merging.count_distribution import CountDistribution, point_mass
from pipeline.track.merging.observed_object import largest_section
from pipeline.track.track_evidence import stage_probabilities, upper_score
from pipeline.track.tracks import ClipTracks

__all__ = ["MAX_EGGS", "CandidatePosterior", "candidate_features", "candidate_posterior", "log_likelihood_ratio"]

Floats = NDArray[np.float64]

MAX_EGGS = 200
"""More eggs than any turtle carries: sea turtles lay somewhat over a hundred at a time."""
_SUREST = 12.0  # log-odds; nothing looks surer than this
# Of eggs of one clutch the largest sections that were met differ by a few hundredths (log); beyond, all is as unlike.
_ALIKE, _MOST_UNLIKE = 0.15, 4.0
_UNTOLD = 1.0  # of one alone: half way, on phantoms, between eggs and look-alikes
_LEAST_CHANCE = 0.02  # scores nearer to 0 and 1 say no more


@dataclass(frozen=True)
class CandidatePosterior:
    """real_count : how many are real among the candidates;  existence : (K,) probability that each is real"""

    real_count: CountDistribution
    existence: Floats


def candidate_features(
    clips: Sequence[ClipTracks], *, shelled: bool, settings: TrackSettings
) -> dict[tuple[str, int], Floats]:
    """What the tracks of an exam's clips are weighed by, by file and identity, (4,) each.

    Log-odds of the mean score, of the best scores and of the kind, shelled or not; and how unlike its size is to the
    usual one of the exam's other tracks of the kind, 0 or below: eggs of a clutch are alike, gut is of any size.
    """
    follicle = {
        (clip.file, track.identity): float(stage_probabilities([track], settings)[0])
        for clip in clips
        for track in clip.tracks
    }
    sizes = {
        (clip.file, track.identity): math.log(largest_section(track) * _unit(clip))
        for clip in clips
        for track in clip.tracks
    }
    of_kind = np.sort([size for one, size in sizes.items() if (follicle[one] <= 0.5) == shelled])
    result = {}
    for clip in clips:
        for track in clip.tracks:
            one = clip.file, track.identity
            kind = 1 - follicle[one] if shelled else follicle[one]
            chances = np.clip([float(track.scores.mean()), upper_score(track), kind], _LEAST_CHANCE, 1 - _LEAST_CHANCE)
            own = (follicle[one] <= 0.5) == shelled
            others = np.delete(of_kind, np.searchsorted(of_kind, sizes[one])) if own else of_kind
            unlike = ((sizes[one] - float(np.median(others))) / _ALIKE) ** 2 if len(others) else _UNTOLD
            result[one] = np.append(np.log(chances / (1 - chances)), -min(unlike, _MOST_UNLIKE))
    return result


def _unit(clip: ClipTracks) -> float:
    # Sizes in mm; where no scale is known, as shares of the picture's depth.
    return clip.mm_per_px or (1 / clip.imaging_depth_px if clip.imaging_depth_px else 1.0)


def log_likelihood_ratio(tracks: Sequence[Floats], likelihood_weights: LikelihoodWeights) -> float:
    """Of a real one against a look-alike, by the track that speaks most for it: others show the same thing again.

    tracks : the features of each, (4,)
    """
    weights = np.array(
        [
            likelihood_weights.score,
            likelihood_weights.upper_score,
            likelihood_weights.kind,
            likelihood_weights.size_similarity,
        ]
    )
    return max(likelihood_weights.intercept + float(weights @ one) for one in tracks)


def candidate_posterior(
    log_ratios: Floats, *, expected_false_tracks: float, zero_count_prior: float
) -> CandidatePosterior:
    """Weigh K candidates.

    log_ratios : (K,) log L, infinite for those that are certain
    expected_false_tracks : how many are expected in the exam, above 0;  zero_count_prior : prior probability that none is real
    """
    count = len(log_ratios)
    if count == 0:
        return CandidatePosterior(point_mass(0), np.zeros(0))
    odds = np.clip(log_ratios, -_SUREST, _SUREST) - np.log(expected_false_tracks)
    chances = np.where(np.isposinf(log_ratios), 1.0, 1 / (1 + np.exp(-odds)))
    numbers = np.arange(count + 1)
    log_prior = log_count_prior(numbers, zero_count_prior) + gammaln(numbers + 1)
    binomial = _poisson_binomial(chances)
    others = _without_each(binomial, chances)  # (K, K): row i, numbers 0 to K - 1
    with np.errstate(divide="ignore"):
        logs = log_prior + np.log(binomial)
        # Of one candidate: all ways in which it is one of the R, P(R - 1 among the others) times its own chance.
        with_it = log_prior[1:] + np.log(others)
    weights = np.exp(logs - logs.max())
    number = weights / weights.sum()
    existence = chances * np.exp(with_it - logs.max()).sum(axis=1) / weights.sum()
    return CandidatePosterior(CountDistribution(0, number), np.clip(existence, 0.0, 1.0))


def log_count_prior(numbers: NDArray[np.int64], zero_count_prior: float) -> Floats:
    """Of R real ones: ``zero_count_prior`` for 0, and the rest as 1 / R up to `MAX_EGGS`."""
    harmonic = float((1 / np.arange(1, MAX_EGGS + 1)).sum())
    some = (1 - zero_count_prior) / harmonic / np.maximum(numbers, 1)
    return np.asarray(np.log(np.where(numbers == 0, zero_count_prior, np.where(numbers <= MAX_EGGS, some, 1e-300))))


def _poisson_binomial(chances: Floats) -> Floats:
    # Not trimmed: factorials may lift even the rarest numbers.
    probabilities = np.ones(1)
    for chance in chances:
        probabilities = np.convolve(probabilities, [1 - chance, chance])
    return probabilities


def _without_each(binomial: Floats, chances: Floats) -> Floats:
    """(K, K) the Poisson-binomial of all but one: the factor (1 - p) + p x divided out.

    From below where p is at most a half, from above otherwise, so that rounding errors die out.
    """
    count = len(chances)
    result = np.zeros((count, count))
    low = chances <= 0.5
    p, q = chances[low], 1 - chances[low]
    before = np.zeros(len(p))
    for number in range(count):
        before = (binomial[number] - p * before) / q
        result[low, number] = before
    p, q = chances[~low], 1 - chances[~low]
    after = np.zeros(len(p))
    for number in range(count - 1, -1, -1):
        after = (binomial[number + 1] - q * after) / p
        result[~low, number] = after
    return np.maximum(result, 0.0)
