"""Eggs of known length and width, cut by simulated planes."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
import torch

from models.ellipse import from_log_matrix, to_log_matrix
from models.ellipsoid import section
from pipeline.estimate.egg_size_model import estimate_sizes
from pipeline.estimate.section_summary import SectionSummary, summarise_sections
from pipeline.settings import load_settings
from tests.models.ellipsoid_shape import shape_matrix

SETTINGS = load_settings()
FRAMES = 31


def sections(rng, length_mm, width_mm, *, tilt, reach=(-0.95, 0.95), error=0.03):
    """(F, 5) sections, in mm, of one egg whose long axis makes an angle of ``tilt`` degrees with the planes' normal.

    reach : first and last plane, as shares of the way from the middle to where a plane only touches
    error : log units, of the outlines
    """
    semi = torch.tensor([length_mm, width_mm, width_mm], dtype=torch.float64) / 2
    angle = np.deg2rad(tilt)
    normal = torch.tensor([np.cos(angle), np.sin(angle), 0.0], dtype=torch.float64)
    touch = torch.sqrt((semi**2 * normal**2).sum())
    origin = torch.linspace(*reach, FRAMES, dtype=torch.float64)[:, None] * touch * normal
    u = torch.tensor([-np.sin(angle), np.cos(angle), 0.0], dtype=torch.float64)
    v = torch.tensor([0.0, 0.0, 1.0], dtype=torch.float64)
    shape = shape_matrix(semi, torch.eye(3, dtype=torch.float64))
    ellipses, _ = section(torch.zeros(3, dtype=torch.float64), shape, origin, u.expand(FRAMES, 3), v.expand(FRAMES, 3))
    drawn = ellipses.numpy()
    # The outlines of a track share most of their error.
    noise = rng.normal(0, error, 3) + rng.normal(0, error, (FRAMES, 3))
    return from_log_matrix(drawn[:, :2], to_log_matrix(drawn) + noise * [1, 1, 0.7])


def outline_errors(**changed):
    """Errors of outlines that have no bias."""
    plain = {"width_bias": 0.0, "width_error": 0.02, "ratio_error": 0.015, "ratio_scale": 1.0}
    return SETTINGS.calibration.network.outline.shelled.model_copy(update=plain | changed)


UNBIASED = outline_errors()


def sizes_of(*eggs, same_clutch=True, errors=UNBIASED):
    """errors : smaller than those of the outlines, as the model adds its own, for eggs that are no exact ellipsoids"""
    summaries = [[(summarise_sections(track), 1.0) for track in tracks] for tracks in eggs]
    return estimate_sizes(summaries, same_clutch=same_clutch, settings=SETTINGS.sizes, errors=errors)


@pytest.mark.parametrize(("length", "width"), [(36.7, 22.3), (25.0, 25.0), (33.87, 27.97)])
def test_one_sweep_through_the_middle_gives_the_width(length, width):
    rng = np.random.default_rng(1)
    for tilt in (0, 40, 90):
        (size,) = sizes_of([sections(rng, length, width, tilt=tilt, error=0.01)])
        assert size.width_mm.median == pytest.approx(width, rel=0.03)


def test_an_egg_cut_lengthwise_shows_its_length():
    (size,) = sizes_of([sections(np.random.default_rng(2), 36.7, 22.3, tilt=90, error=0.01)])
    assert size.length_mm.median == pytest.approx(36.7, rel=0.05)
    assert size.oval_probability > 0.95


def test_outlines_drawn_too_wide_are_corrected_for():
    """A bias is measured minus true, in log units."""
    tracks = [sections(np.random.default_rng(9), 25.0, 25.0, tilt=0, error=0.01)]
    medians = {
        bias: sizes_of(tracks, errors=outline_errors(width_bias=bias))[0].width_mm.median for bias in (-0.1, 0.0, 0.1)
    }
    assert medians[0.1] == pytest.approx(medians[0.0] * np.exp(-0.1), rel=0.002)
    assert medians[-0.1] == pytest.approx(medians[0.0] * np.exp(0.1), rel=0.002)


def test_outlines_drawn_too_round_are_corrected_for():
    """Outlines with half of the true log length over width, of an egg cut lengthwise."""
    rng = np.random.default_rng(10)
    drawn = sections(rng, 36.0, 36.0 / 1.2, tilt=90, error=0.01)
    (size,) = sizes_of([drawn], errors=outline_errors(ratio_scale=0.5))
    (plain,) = sizes_of([drawn])
    # The area is right, so an egg that is more elongated is narrower.
    assert size.width_mm.median == pytest.approx(plain.width_mm.median / np.sqrt(1.2), rel=0.02)


def test_follicles_do_not_affect_each_other():
    rng = np.random.default_rng(11)
    small, large = [sections(rng, 12.0, 12.0, tilt=0)], [sections(rng, 20.0, 20.0, tilt=0)]
    alone, _ = sizes_of(small, small, same_clutch=False)
    beside_large, _ = sizes_of(small, large, same_clutch=False)
    assert alone == beside_large
    assert alone.width_mm.median == pytest.approx(12.0, rel=0.1)


def test_an_egg_cut_square_across_may_be_round_or_long():
    (size,) = sizes_of([sections(np.random.default_rng(3), 36.7, 22.3, tilt=0, error=0.01)])
    low, high = size.length_mm.interval90
    assert low < 25
    assert high > 33
    assert 0.1 < size.oval_probability < 0.9


def test_the_other_eggs_of_the_clutch_help_where_the_largest_section_is_too_short():
    """The first egg is cut at 30 degrees: its largest section is much shorter than the egg."""
    rng = np.random.default_rng(4)
    tracks = [sections(rng, 36.7, 22.3, tilt=tilt, error=0.01) for tilt in (30, 45, 60, 75)]
    bound = 2 * tracks[0][:, 2].max()
    assert bound < 0.85 * 36.7
    sizes = sizes_of(*[[track] for track in tracks])
    # The others were cut more lengthwise.
    assert sizes[0].length_mm.median == pytest.approx(36.7, rel=0.1)


def test_an_egg_not_crossed_in_its_middle_may_be_wider_than_any_section():
    rng = np.random.default_rng(5)
    (cut,) = sizes_of([sections(rng, 25.0, 25.0, tilt=0, reach=(0.5, 0.95), error=0.01)])
    (crossed,) = sizes_of([sections(rng, 25.0, 25.0, tilt=0, error=0.01)])
    low, high = cut.width_mm.interval90
    assert low < 25.0 < high
    assert high - low > 2 * np.ptp(crossed.width_mm.interval90)


def test_without_a_scale_there_is_a_shape_but_no_size():
    seen = [[(summarise_sections(sections(np.random.default_rng(6), 36.7, 22.3, tilt=90)), None)]]
    (size,) = estimate_sizes(
        seen, same_clutch=True, settings=SETTINGS.sizes, errors=SETTINGS.calibration.network.outline.shelled
    )
    assert (size.width_mm, size.length_mm) == (None, None)
    assert size.oval_probability > 0.9


def test_an_unusual_egg_keeps_its_own_size():
    rng = np.random.default_rng(7)
    clutch = [[sections(rng, 30.0, 30.0, tilt=30)] for _ in range(6)]
    small = [sections(rng, 20.0, 20.0, tilt=30)]
    *_, odd = sizes_of(*clutch, small)
    assert odd.width_mm.median == pytest.approx(20.0, rel=0.08)


def test_intervals_hold_nine_in_ten_true_sizes_and_errors_are_small():
    """Clutches of round and long eggs, cut as in phantoms: mostly across."""
    rng = np.random.default_rng(8)
    held, errors = [], []
    for _ in range(30):
        width = rng.uniform(18, 32)
        elongation = rng.uniform(1.0, 1.06) if rng.random() < 0.4 else rng.uniform(1.2, 1.8)
        truth, eggs = [], []
        for _ in range(6):
            w = width * np.exp(rng.normal(0, 0.02))
            e = max(1.0, elongation * np.exp(rng.normal(0, 0.02)))
            tilt = np.rad2deg(np.arccos(rng.beta(2.6, 0.8)))
            truth.append((w * e, w))
            eggs.append([sections(rng, w * e, w, tilt=tilt)])
        for size, true in zip(sizes_of(*eggs), truth, strict=True):
            for spread, value in zip((size.length_mm, size.width_mm), true, strict=True):
                held.append(spread.interval90[0] <= value <= spread.interval90[1])
                errors.append(abs(spread.median - value))
    by_kind = np.reshape(errors, (-1, 2)), np.reshape(held, (-1, 2))
    length_error, width_error = np.median(by_kind[0], axis=0)
    assert length_error < 2.0
    assert width_error < 1.0
    length_held, width_held = by_kind[1].mean(0)
    assert 0.85 <= length_held <= 0.98
    assert 0.85 <= width_held <= 0.98


LOG_ELONGATIONS = np.arange(0.0, np.log(2.2), 0.01)
IS_OVAL = np.log(SETTINGS.sizes.oval_aspect_ratio) <= LOG_ELONGATIONS


def follicle_prior():
    """Half-normal elongations of 0.08 log units, and of 0.3 for outliers."""
    usual, outliers = (scipy.stats.halfnorm.pdf(LOG_ELONGATIONS, scale=sd) for sd in (0.08, 0.3))
    share = SETTINGS.sizes.outlier_share
    return (1 - share) * usual / usual.sum() + share * outliers / outliers.sum()


def oval_probability_of_a_follicle(measured):
    """From the formulas of the module's docstring, SciPy's Rice distribution and many cosines."""
    quantiles = (np.arange(2000) + 0.5) / 2000
    cosines = scipy.stats.beta.ppf(quantiles, SETTINGS.sizes.cut_cosine_beta_a[0], SETTINGS.sizes.cut_cosine_beta_b)
    elongations = np.exp(LOG_ELONGATIONS)[:, None]
    expected = np.log(elongations / np.sqrt(1 + (elongations**2 - 1) * cosines**2))
    # The errors of outlines, of eggs that are no ellipsoids, and of elongated sections.
    error = np.sqrt(UNBIASED.ratio_error**2 + 0.025**2 + (0.25 * expected) ** 2)
    likelihood = (scipy.stats.rice.pdf(measured, expected / error, scale=error) + 1e-3).mean(axis=1)
    posterior = likelihood * follicle_prior()
    return posterior[IS_OVAL].sum() / posterior.sum()


def follicle(*measured):
    """A follicle with a section of each of these log lengths over width."""
    sections = [
        (SectionSummary(20.0, np.array([each, 0.0]), crossed_middle=True, section_count=20), 1.0) for each in measured
    ]
    (size,) = estimate_sizes([sections], same_clutch=False, settings=SETTINGS.sizes, errors=UNBIASED)
    return size


@pytest.mark.parametrize("measured", [0.02, 0.1, 0.2, 0.3, 0.5])
def test_the_shape_of_a_follicle_follows_from_bayes_rule(measured):
    assert follicle(measured).oval_probability == pytest.approx(oval_probability_of_a_follicle(measured), abs=0.0015)


def test_a_follicle_that_shows_nothing_is_as_likely_oval_as_others():
    assert follicle().oval_probability == pytest.approx(follicle_prior()[IS_OVAL].sum(), rel=1e-9)


def test_how_eggs_of_a_clutch_are_cut_does_not_matter_for_follicles():
    """They share no clutch: the first distribution, which leaves most open, holds for each."""
    drawn = [[(summarise_sections(sections(np.random.default_rng(12), 14.0, 12.0, tilt=40)), 1.0)]]
    first, all_three = (
        estimate_sizes(
            drawn,
            same_clutch=False,
            settings=SETTINGS.sizes.model_copy(update={"cut_cosine_beta_a": values}),
            errors=UNBIASED,
        )
        for values in (SETTINGS.sizes.cut_cosine_beta_a[:1], SETTINGS.sizes.cut_cosine_beta_a)
    )
    assert first == all_three


def test_every_track_of_an_egg_counts_in_any_order():
    """One track shows the egg lengthwise and in its middle, the other one squarely and near a pole."""
    rng = np.random.default_rng(13)
    lengthwise = summarise_sections(sections(rng, 36.7, 22.3, tilt=90, error=0.01))
    near_pole = summarise_sections(sections(rng, 36.7, 22.3, tilt=0, reach=(0.5, 0.95), error=0.01))

    def size_of(*tracks):
        (size,) = estimate_sizes([tracks], same_clutch=True, settings=SETTINGS.sizes, errors=UNBIASED)
        return size

    one_way, other_way = size_of((lengthwise, 1.0), (near_pole, 1.0)), size_of((near_pole, 1.0), (lengthwise, 1.0))
    assert one_way.oval_probability == pytest.approx(other_way.oval_probability)
    assert one_way.width_mm.interval90 == pytest.approx(other_way.width_mm.interval90)
    # A track without a scale has no width, wherever it stands.
    assert size_of((near_pole, None), (lengthwise, 1.0)).width_mm.interval90 == pytest.approx(
        size_of((lengthwise, 1.0)).width_mm.interval90
    )


def test_eggs_that_show_nothing_say_nothing_about_the_others():
    alone, *_ = sizes_of([])
    among_others, *_ = sizes_of(*[[]] * 20)
    assert among_others.oval_probability == pytest.approx(alone.oval_probability, rel=1e-9)


def test_if_all_eggs_were_outliers_it_would_not_matter_how_similar_clutches_are():
    rng = np.random.default_rng(14)
    seen = [[(summarise_sections(sections(rng, 30.0, 24.0, tilt=tilt)), 1.0)] for tilt in (20, 50, 80)]
    alike, unlike = (
        estimate_sizes(
            seen,
            same_clutch=True,
            settings=SETTINGS.sizes.model_copy(update={"outlier_share": 1.0, "clutch_log_sd": clutch_log_sd}),
            errors=UNBIASED,
        )
        for clutch_log_sd in (0.02, 0.1)
    )
    assert alike == unlike


def test_two_hundred_eggs_of_two_sizes_are_no_problem_for_rounding():
    """Such a clutch is so unlikely that its likelihood must not be lost to rounding."""
    rng = np.random.default_rng(15)
    small, large = (
        [(summarise_sections(sections(rng, width * 1.5, width, tilt=85, error=0.01)), 1.0)] for width in (24.0, 30.0)
    )
    sizes = estimate_sizes([small, large] * 100, same_clutch=True, settings=SETTINGS.sizes, errors=UNBIASED)
    assert sizes[0].width_mm.median == pytest.approx(24.0, rel=0.05)
    assert sizes[-1].width_mm.median == pytest.approx(30.0, rel=0.05)
    assert sizes[0].oval_probability > 0.95
