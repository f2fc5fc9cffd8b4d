"""How long and wide an egg is, from the sections that planes cut out of it: a small Bayesian model.

An egg is an ellipsoid of revolution of length L and width W <= L, elongation e = L / W. A plane whose normal makes an
angle with the long axis, c = cos of it, at a share t of the way from the egg's middle to where it would only touch,
cuts out an ellipse of

    width W sqrt(1 - t^2)    and    length over width  e / sqrt(1 + (e^2 - 1) c^2)

(the section through the middle has semi-axes W/2 and the egg's volume over 4/3 pi W/2 times its half breadth along the
normal, which is W/2 sqrt(1 + (e^2 - 1) c^2)). So sections tell the width well where the plane passed the middle, and
the length only as far as some plane lay along the egg: cut square across, the longest egg shows circles.

Unknown are t, 0 where the sections shrank on both sides of the largest, and c. Eggs lie mostly along the oviduct, from
tail to head, and a hand sweeps that way, so planes mostly cut across; how much so is the same for a whole clutch and
one hand, and is left open between a few beta distributions of c. Widths are read with an error that grows with them.
The measured length over width of a nearly round section is always above 1, which Rice's distribution knows (Rice, Bell
Syst Tech J 23:282, 1944): it is the length of a vector read with a normal error in both of its parts.

Eggs of one clutch are alike, so each has the others' width and elongation as its prior, widened by how far eggs of a
clutch differ, with a share of odd ones that may have any size. Follicles are not alike, and nearly round.

All distributions live on grids of the logarithm, where a product of sizes is a sum and its distribution a convolution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import i0e
from scipy.stats import beta

from pipeline.calibration_file import OutlineErrorModel
from pipeline.estimate.section_summary import SectionSummary
from pipeline.settings import SizeSettings

__all__ = ["IntervalEstimate", "SizeEstimate", "estimate_sizes"]

Floats = NDArray[np.float64]

_STEP = 0.01  # of the logarithms
_WIDTHS = np.arange(np.log(2.0), np.log(120.0), _STEP)  # mm
_ELONGATIONS = np.arange(0.0, np.log(2.2), _STEP)
_TILTS = 24  # values of c, evenly spread over its distribution
# sqrt(1 - t^2) where no section tells that the middle was passed: with even chances it was all the same, the ends of
# the passage being lost in shadow; else t is spread evenly.
_DEPTHS = np.sqrt(1 - np.concatenate([np.zeros(24), (np.arange(24) + 0.5) / 24]) ** 2)
_ODD_SPREAD = 0.3  # log units, of eggs unlike the others of their clutch
_STRETCH_ERROR = 0.25  # of a long section's log length over width, as a share of it, beside the error of round ones
# Log units, beside the errors of outlines: by how far eggs are no ellipsoids of revolution. With less, ranges on the
# phantoms of the calibration held too few of the true lengths and widths.
_UNEVENNESS = 0.025
_ANYTHING = 1e-3  # likelihood left to every size, since a track may have been followed wrongly


@dataclass(frozen=True)
class IntervalEstimate:
    """A quantity with its doubt: median, and the range that holds it with nine chances in ten."""

    median: float
    interval90: tuple[float, float]


@dataclass(frozen=True)
class SizeEstimate:
    """width_mm, length_mm : None where no passage has a scale

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
    """Sizes of each egg of one animal from its passages, each with its clip's mm per px or None.

    same_clutch : whether they are eggs of one clutch; follicles are not;  errors : of sections, as calibrated
    """
    width = [_width_likelihood(passages, errors) for passages in eggs]
    seen = [[one for one, _ in passages] for passages in eggs]
    by_lie = [[_elongation_likelihood(one, a, settings, errors) for one in seen] for a in settings.cut_cosine_beta_a]
    flat = np.full(len(_WIDTHS), 1 / len(_WIDTHS))
    if same_clutch:
        widths, _ = _shared(width, flat, _WIDTHS, settings)
        elongations = _mixed([_shared(each, _egg_elongations(settings), _ELONGATIONS, settings) for each in by_lie])
    else:
        widths = [_normal(each * flat) for each in width]
        elongations = [_normal(each * _follicle_elongations(settings)) for each in by_lie[0]]
    oval = np.log(settings.oval_aspect_ratio)
    return [
        _sizes(w, e, float(e[oval <= _ELONGATIONS].sum()), any(scale is not None for _, scale in passages))
        for w, e, passages in zip(widths, elongations, eggs, strict=True)
    ]


def _sizes(width: Floats, elongation: Floats, oval_probability: float, scaled: bool) -> SizeEstimate:
    if not scaled:
        return SizeEstimate(None, None, oval_probability)
    length = np.convolve(width, elongation)
    return SizeEstimate(_spread(width), _spread(length), oval_probability)


def _spread(chances: Floats) -> IntervalEstimate:
    """Of chances on a grid that begins with the narrowest width."""
    low, middle, high = np.interp([0.05, 0.5, 0.95], np.cumsum(chances) - chances / 2, np.arange(len(chances)))
    mm = np.exp(_WIDTHS[0] + _STEP * np.array([low, middle, high]))
    return IntervalEstimate(float(mm[1]), (float(mm[0]), float(mm[2])))


def _width_likelihood(passages: Sequence[tuple[SectionSummary, float | None]], errors: OutlineErrorModel) -> Floats:
    result = np.ones(len(_WIDTHS))
    error, stretch_error = (float(np.hypot(one, _UNEVENNESS)) for one in (errors.width_error, errors.ratio_error))
    for one, scale in passages:
        if scale is None:
            continue
        read = np.log(one.width(stretch_error, errors.ratio_scale) * scale) - errors.width_bias
        shown = np.ones(1) if one.crossed_middle else _DEPTHS
        off = (read - _WIDTHS[:, None] - np.log(shown)) / error
        result *= np.exp(-0.5 * off**2).mean(1) + _ANYTHING
    return result


def _elongation_likelihood(
    passages: Sequence[SectionSummary], cut_cosine_beta_a: float, settings: SizeSettings, errors: OutlineErrorModel
) -> Floats:
    """Passages of one egg share c: either window is swept the same way, and the egg lies as it lies."""
    across2 = beta.ppf((np.arange(_TILTS) + 0.5) / _TILTS, cut_cosine_beta_a, settings.cut_cosine_beta_b) ** 2
    elongation2 = np.exp(2 * _ELONGATIONS)[:, None]
    shown = errors.ratio_scale * (_ELONGATIONS[:, None] - 0.5 * np.log1p((elongation2 - 1) * across2))
    result = np.ones_like(shown)
    for one in passages:
        read = float(np.hypot(*one.elongation_vector))
        error = np.sqrt(errors.ratio_error**2 + _UNEVENNESS**2 + (_STRETCH_ERROR * shown) ** 2)
        product = shown * read / error**2
        # i0e takes exp(product) out of the Bessel function, which would overflow.
        chance = read / error**2 * i0e(product) * np.exp(product - (read**2 + shown**2) / (2 * error**2))
        result *= chance + _ANYTHING
    return np.asarray(result.mean(1))


def _shared(
    likelihoods: Sequence[Floats], prior: Floats, grid: Floats, settings: SizeSettings
) -> tuple[list[Floats], float]:
    """Each egg's distribution, with the others' of its clutch as its prior, and the log-likelihood of all."""
    narrow, wide = (_normal_kernel(grid, spread) for spread in (settings.clutch_log_sd, _ODD_SPREAD))
    kernel = (1 - settings.outlier_share) * narrow + settings.outlier_share * wide  # rows: clutch, columns: egg
    logs = [np.log(kernel @ likelihood) for likelihood in likelihoods]
    total = np.log(prior) + np.sum(logs, axis=0)
    result = []
    for likelihood, own in zip(likelihoods, logs, strict=True):
        others = _normal(np.exp(total - own - (total - own).max()))
        result.append(_normal(likelihood * (others @ kernel)))
    return result, float(np.logaddexp.reduce(total))


def _mixed(hypotheses: Sequence[tuple[list[Floats], float]]) -> list[Floats]:
    """Each egg's distribution over hypotheses of the whole clutch, which are equally likely beforehand."""
    logs = np.array([log for _, log in hypotheses])
    weights = _normal(np.exp(logs - logs.max()))
    eggs = zip(*(eggs for eggs, _ in hypotheses), strict=True)
    return [np.asarray(np.tensordot(weights, np.stack(each), 1)) for each in eggs]


def _normal_kernel(grid: Floats, spread: float) -> Floats:
    off = (grid[None] - grid[:, None]) / spread
    weights = np.exp(-0.5 * off**2)
    return np.asarray(weights / weights.sum(1, keepdims=True))


def _egg_elongations(settings: SizeSettings) -> Floats:
    """Round ones of some families, and elongate ones of others anywhere up to about 1.8 (Nelan 2001: 1.2 to 1.7)."""
    round_ones = _normal(np.exp(-0.5 * (_ELONGATIONS / 0.06) ** 2))
    long_ones = _normal(1 / (1 + np.exp((_ELONGATIONS - np.log(1.85)) / 0.03)))
    return settings.round_eggs_prior * round_ones + (1 - settings.round_eggs_prior) * long_ones


def _follicle_elongations(settings: SizeSettings) -> Floats:
    nearly = np.exp(-0.5 * (_ELONGATIONS / 0.08) ** 2)
    odd = np.exp(-0.5 * (_ELONGATIONS / _ODD_SPREAD) ** 2)
    return (1 - settings.outlier_share) * _normal(nearly) + settings.outlier_share * _normal(odd)


def _normal(weights: Floats) -> Floats:
    return np.asarray(weights / weights.sum())
