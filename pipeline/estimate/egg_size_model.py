"""The length and width of an egg from the sections that planes cut out of it: a small Bayesian model.

An egg is an ellipsoid of revolution of length L and width W <= L, elongation e = L / W. Take a plane whose normal makes
an angle with the long axis, c = cos of it, at a share t of the way from the middle of the egg to where the plane would
only touch it. It cuts out an ellipse of

    width W sqrt(1 - t^2)    and    length over width  e / sqrt(1 + (e^2 - 1) c^2)

(the section through the middle has the semi-axis W/2, and the other one follows from the volume of the egg and from its
half extent along the normal, W/2 sqrt(1 + (e^2 - 1) c^2)). So sections measure the width well where the plane passed
the middle, and the length only as far as some plane lay along the egg: cut square across, the longest egg shows
circles.

Unknown are t, which is 0 where the sections shrank on both sides of the largest, and c. Eggs lie mostly along the
oviduct, from tail to head, and the probe sweeps the same way, so planes mostly cut across. How much so is the same for
a whole clutch and one operator, and is left open between a few beta distributions of c. The error of widths is
relative. The measured length over width of a nearly round section is always above 1, so it follows Rice's distribution
(Rice, Bell Syst Tech J 23:282, 1944): the length of a vector with a normal error in both of its parts.

Eggs of one clutch are similar, so the width and elongation of the others are the prior of each, widened by how much
eggs of a clutch differ, with a share of outliers of any size. Follicles are not similar, and are nearly round.

All distributions are on grids of the logarithm, where a product of sizes is a sum and its distribution a convolution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, expit, i0e

from pipeline.calibration_tables import OutlineErrorModel
from pipeline.estimate.section_summary import SectionSummary
from pipeline.settings_tables import SizeSettings

__all__ = ["IntervalEstimate", "SizeEstimate", "estimate_sizes"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Grids:
    """The values that the unknowns may have.

    step : of the logarithms;  smallest_mm, largest_mm : widths;  largest_elongation : length over width
    cosines : number of values of c, evenly spread over its distribution;  offsets : number of values of t
    """

    step: float = 0.01
    smallest_mm: float = 2.0
    largest_mm: float = 120.0
    largest_elongation: float = 2.2
    cosines: int = 24
    offsets: int = 24


@dataclass(frozen=True)
class _Model:
    """What is assumed of eggs and outlines. Standard deviations are in log units.

    outlier_sd : of sizes unlike the others of their clutch; common practice, no source
    elongated_error : error of an elongated section's log length over width, as a share of it, in addition to that of
    round ones
    shape_error : of eggs that are no ellipsoids of revolution, in addition to the errors of outlines; with less, the
    intervals held too few of the true sizes on the calibration's phantoms
    min_likelihood : left to every size, since a track may have followed the wrong object
    round_egg_sd, follicle_sd : of the log elongation of round eggs and of follicles
    long_egg_limit, long_egg_edge : elongated eggs have any elongation up to about this one, with a soft edge of this
    many log units (Nelan 2001: 1.2 to 1.7)
    """

    outlier_sd: float = 0.3
    elongated_error: float = 0.25
    shape_error: float = 0.025
    min_likelihood: float = 1e-3
    round_egg_sd: float = 0.06
    follicle_sd: float = 0.08
    long_egg_limit: float = 1.85
    long_egg_edge: float = 0.03


_GRIDS = _Grids()
_MODEL = _Model()

_LOG_WIDTHS = np.arange(np.log(_GRIDS.smallest_mm), np.log(_GRIDS.largest_mm), _GRIDS.step)
_LOG_ELONGATIONS = np.arange(0.0, np.log(_GRIDS.largest_elongation), _GRIDS.step)
# sqrt(1 - t^2) where the sections do not show that the plane passed the middle. With even odds it passed all the same,
# the ends of the track being lost in shadow; else t is spread evenly.
_SHRINKAGES = np.sqrt(
    1 - np.concatenate([np.zeros(_GRIDS.offsets), (np.arange(_GRIDS.offsets) + 0.5) / _GRIDS.offsets]) ** 2
)


@dataclass(frozen=True)
class IntervalEstimate:
    """The median of a quantity and its 90 % interval."""

    median: float
    interval90: tuple[float, float]


@dataclass(frozen=True)
class SizeEstimate:
    """width_mm, length_mm : None if no track has a scale

    oval_probability : probability that length over width is above the settings' ``oval_aspect_ratio``
    """

    width_mm: IntervalEstimate | None
    length_mm: IntervalEstimate | None
    oval_probability: float


def estimate_sizes(
    eggs: Sequence[Sequence[tuple[SectionSummary, float | None]]],
    *,
    same_clutch: bool,
    settings: SizeSettings,
    errors: OutlineErrorModel,
) -> list[SizeEstimate]:
    """The size of each egg of one animal, from the sections in each of its tracks with the mm per px of the clip.

    mm per px : None if unknown;  same_clutch : whether these are eggs of one clutch; follicles are not
    errors : of sections, as calibrated
    """
    width = [_width_likelihood(sections, errors) for sections in eggs]
    summaries = [[summary for summary, _ in sections] for sections in eggs]
    # One hypothesis for each distribution of c: how much the planes cut across the eggs of this clutch.
    elongation_by_hypothesis = [
        [_elongation_likelihood(each, cosine_beta_a, settings, errors) for each in summaries]
        for cosine_beta_a in settings.cut_cosine_beta_a
    ]
    flat = np.full(len(_LOG_WIDTHS), 1 / len(_LOG_WIDTHS))
    if same_clutch:
        widths, _ = _clutch_posteriors(width, flat, _LOG_WIDTHS, settings)
        elongations = _averaged(
            [
                _clutch_posteriors(each, _egg_elongation_prior(settings), _LOG_ELONGATIONS, settings)
                for each in elongation_by_hypothesis
            ]
        )
    else:
        widths = [_normalised(each * flat) for each in width]
        elongations = [_normalised(each * _follicle_elongation_prior(settings)) for each in elongation_by_hypothesis[0]]
    is_oval = np.log(settings.oval_aspect_ratio) <= _LOG_ELONGATIONS
    return [
        _size_estimate(width, elongation, float(elongation[is_oval].sum()), any(scale is not None for _, scale in egg))
        for width, elongation, egg in zip(widths, elongations, eggs, strict=True)
    ]


def _size_estimate(width: Floats, elongation: Floats, oval_probability: float, has_scale: bool) -> SizeEstimate:
    if not has_scale:
        return SizeEstimate(None, None, oval_probability)
    length = np.convolve(width, elongation)
    return SizeEstimate(_interval_estimate(width), _interval_estimate(length), oval_probability)


def _interval_estimate(probabilities: Floats) -> IntervalEstimate:
    """Of sizes on a grid that begins with the smallest width."""
    midpoints = np.cumsum(probabilities) - probabilities / 2
    low, median, high = np.interp([0.05, 0.5, 0.95], midpoints, np.arange(len(probabilities)))
    mm = np.exp(_LOG_WIDTHS[0] + _GRIDS.step * np.array([low, median, high]))
    return IntervalEstimate(float(mm[1]), (float(mm[0]), float(mm[2])))


def _width_likelihood(sections: Sequence[tuple[SectionSummary, float | None]], errors: OutlineErrorModel) -> Floats:
    """Over `_LOG_WIDTHS`, of the sections of one egg in its tracks. Outlines are drawn too wide by ``width_bias``."""
    likelihood = np.ones(len(_LOG_WIDTHS))
    width_error, ratio_error = (
        float(np.hypot(error, _MODEL.shape_error)) for error in (errors.width_error, errors.ratio_error)
    )
    for summary, mm_per_px in sections:
        if mm_per_px is None:
            continue
        measured = np.log(summary.width(ratio_error, errors.ratio_scale) * mm_per_px) - errors.width_bias
        shrinkages = np.ones(1) if summary.crossed_middle else _SHRINKAGES
        deviations = (measured - _LOG_WIDTHS[:, None] - np.log(shrinkages)) / width_error
        likelihood *= np.exp(-0.5 * deviations**2).mean(1) + _MODEL.min_likelihood
    return likelihood


def _elongation_likelihood(
    sections: Sequence[SectionSummary], cosine_beta_a: float, settings: SizeSettings, errors: OutlineErrorModel
) -> Floats:
    """Over `_LOG_ELONGATIONS`, of the sections of one egg in its tracks.

    They share c: both windows are swept the same way, and the egg does not move.
    """
    quantiles = (np.arange(_GRIDS.cosines) + 0.5) / _GRIDS.cosines
    squared_cosines = betaincinv(cosine_beta_a, settings.cut_cosine_beta_b, quantiles) ** 2
    squared_elongations = np.exp(2 * _LOG_ELONGATIONS)[:, None]
    # (elongations, cosines) expected log length over width
    expected = errors.ratio_scale * (
        _LOG_ELONGATIONS[:, None] - 0.5 * np.log1p((squared_elongations - 1) * squared_cosines)
    )
    likelihood = np.ones_like(expected)
    for summary in sections:
        measured = float(np.hypot(*summary.elongation_vector))
        error = np.sqrt(errors.ratio_error**2 + _MODEL.shape_error**2 + (_MODEL.elongated_error * expected) ** 2)
        product = expected * measured / error**2
        # i0e takes exp(product) out of the Bessel function, which would overflow.
        rice = measured / error**2 * i0e(product) * np.exp(product - (measured**2 + expected**2) / (2 * error**2))
        likelihood *= rice + _MODEL.min_likelihood
    return np.asarray(likelihood.mean(1))


def _clutch_posteriors(
    likelihoods: Sequence[Floats], prior: Floats, grid: Floats, settings: SizeSettings
) -> tuple[list[Floats], float]:
    """The distribution of each egg, with the others of its clutch as its prior, and the log likelihood of them all.

    prior : of the clutch's typical value, on the grid
    """
    similar, outlier = (_normal_kernel(grid, sd) for sd in (settings.clutch_log_sd, _MODEL.outlier_sd))
    kernel = (1 - settings.outlier_share) * similar + settings.outlier_share * outlier  # rows: clutch, columns: egg
    logs = [np.log(kernel @ likelihood) for likelihood in likelihoods]
    total = np.log(prior) + np.sum(logs, axis=0)
    posteriors = []
    for likelihood, own in zip(likelihoods, logs, strict=True):
        others = _normalised(np.exp(total - own - (total - own).max()))
        posteriors.append(_normalised(likelihood * (others @ kernel)))
    return posteriors, float(np.logaddexp.reduce(total))


def _averaged(hypotheses: Sequence[tuple[list[Floats], float]]) -> list[Floats]:
    """The distribution of each egg over hypotheses about the whole clutch, all equally likely a priori."""
    logs = np.array([log_likelihood for _, log_likelihood in hypotheses])
    weights = _normalised(np.exp(logs - logs.max()))
    by_egg = zip(*(eggs for eggs, _ in hypotheses), strict=True)
    return [np.asarray(np.tensordot(weights, np.stack(each), 1)) for each in by_egg]


def _normal_kernel(grid: Floats, sd: float) -> Floats:
    deviations = (grid[None] - grid[:, None]) / sd
    weights = np.exp(-0.5 * deviations**2)
    return np.asarray(weights / weights.sum(1, keepdims=True))


def _egg_elongation_prior(settings: SizeSettings) -> Floats:
    """Eggs of some families are round, those of others elongated."""
    round_eggs = _half_normal(_MODEL.round_egg_sd)
    long_eggs = _normalised(expit((np.log(_MODEL.long_egg_limit) - _LOG_ELONGATIONS) / _MODEL.long_egg_edge))
    return settings.round_eggs_prior * round_eggs + (1 - settings.round_eggs_prior) * long_eggs


def _follicle_elongation_prior(settings: SizeSettings) -> Floats:
    nearly_round, outliers = _half_normal(_MODEL.follicle_sd), _half_normal(_MODEL.outlier_sd)
    return (1 - settings.outlier_share) * nearly_round + settings.outlier_share * outliers


def _half_normal(sd: float) -> Floats:
    """Over `_LOG_ELONGATIONS`, which begin at 0."""
    return _normalised(np.exp(-0.5 * (_LOG_ELONGATIONS / sd) ** 2))


def _normalised(weights: Floats) -> Floats:
    return np.asarray(weights / weights.sum())
