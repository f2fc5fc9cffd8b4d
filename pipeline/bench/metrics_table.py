"""Figures as plain text in columns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipeline.bench.count_metrics import SMALL_CLUTCH_EGGS, CountMetrics
from pipeline.bench.data_set_metrics import CLASSES, STAGES, ClassMetrics, DataSetMetrics, Stratum
from pipeline.bench.probe_path_error import ProbePathMetrics
from pipeline.bench.risk_coverage import RiskCoverage
from pipeline.bench.size_metrics import SizeMetrics
from pipeline.bench.stage_metrics import StageMetrics
from pipeline.bench.tracking_metrics import TrackingMetrics
from pipeline.formatting import plural

__all__ = ["metrics_table"]

_LEGEND = """\
AP: COCO's average precision on boxes, at an overlap of 0.5 and over 0.5 to 0.95. Found, precise, stage right, errors:
of detections with a score of at least 0.5 whose outlines overlap by half or more. Axes: mean difference of the two
semi-axes; middle: distance; median / 90th percentile. Objects that are mostly hidden or cut near their pole count
neither way; by visibility and depth, detections of nothing count in every line. figures.json holds all of it."""
_WORST = 3  # exams named


def metrics_table(figures: Sequence[DataSetMetrics]) -> str:
    """One block for each data set, and a line that explains them."""
    return "\n\n".join(["\n".join(_block(each)) for each in figures] + [_LEGEND])


def _block(each: DataSetMetrics) -> Iterator[str]:
    animals, frames = plural(len(each.animals), "animal"), plural(each.frames, "frame")
    yield f"{each.name}: {animals}, {frames}, {each.frames_used:,} of them used"
    if each.classes["any"].true_objects:
        yield from _objects(each)
    yield from _alarms(each)
    yield from _following(each.tracking)
    yield from _path(each.probe_path)
    yield from _counts(each.counts)
    yield from _stages(each.stages)
    yield from _sizes("shelled eggs", each.sizes)
    yield from _sizes("follicles", each.follicle_sizes)
    yield from _otherwise(each)
    yield from _risk(each.risk)


def _objects(each: DataSetMetrics) -> Iterator[str]:
    unit = "px" if _in_px(each.classes["any"]) else "mm"
    yield _line("", ("true", "AP50", "AP50:95", "found", "precise", "stage right", f"axes, {unit}", f"middle, {unit}"))
    yield from (_row(f"  {name}", each.classes[name]) for name in CLASSES)
    for name in ("shelled", "follicle"):
        rows = [(stratum, getattr(stratum, name)) for stratum in each.strata if stratum.kind != "exam"]
        rows = [(stratum, row) for stratum, row in rows if row.true_objects]
        if rows:
            yield f"  {name}, by"
            yield from (_row(f"    {stratum.kind} {stratum.name}", row) for stratum, row in rows)
    yield from _worst([stratum for stratum in each.strata if stratum.kind == "exam"])
    yield from _confusion(each)
    yield from _doubt(each)


def _worst(exams: Sequence[Stratum]) -> Iterator[str]:
    judged = sorted((exam.shelled.ap50, exam.name) for exam in exams if exam.shelled.ap50 is not None)
    if len(judged) > 1:
        yield "  lowest AP50 of shelled: " + ", ".join(f"{name} {value:.3f}" for value, name in judged[:_WORST])


def _in_px(row: ClassMetrics) -> bool:
    return row.errors_mm.objects == 0 and row.errors_px.objects > 0


def _row(name: str, row: ClassMetrics) -> str:
    errors = row.errors_px if _in_px(row) else row.errors_mm
    cells = (
        f"{row.true_objects:,}",
        *(_number(value, ".3f") for value in (row.ap50, row.ap50_95, row.recall, row.precision)),
        _number(row.stage_accuracy, ".1%"),
        *(
            "-" if median is None else f"{median:.2f} / {most:.2f}"
            for median, most in ((errors.axis_median, errors.axis_p90), (errors.centre_median, errors.centre_p90))
        ),
    )
    return _line(name, cells)


def _line(name: str, cells: Sequence[str]) -> str:
    return f"{name:<32}" + "".join(
        f"{cell:>{width}}" for cell, width in zip(cells, (8, 8, 9, 8, 9, 13, 14, 14), strict=True)
    )


def _confusion(each: DataSetMetrics) -> Iterator[str]:
    yield "  called:" + "".join(f"{name:>14}" for name in (*STAGES, "not found"))
    for name, row in zip((*STAGES, "nothing there"), each.confusion.tolist(), strict=True):
        cells = [f"{number:,}" for number in row[:3]] + ["" if name == "nothing there" else f"{row[3]:,}"]
        yield (f"    {name:<13}" + "".join(f"{cell:>14}" for cell in cells)[7:]).rstrip()


def _doubt(each: DataSetMetrics) -> Iterator[str]:
    doubt = each.outline_uncertainty
    if doubt.objects:
        yield (
            f"  stated doubt that should hold 50 % and 90 % of errors holds {_number(doubt.centre_coverage_50, '.0%')} and "
            f"{_number(doubt.centre_coverage_90, '.0%')} of the middles', {_number(doubt.axis_coverage_50, '.0%')} and "
            f"{_number(doubt.axis_coverage_90, '.0%')} of the axes'"
        )


def _alarms(each: DataSetMetrics) -> Iterator[str]:
    yield "  false shelled a frame where there is none: from a score of 0.5, followed, exported"
    for where, alarms in (
        ("clips", each.egg_free_clip_false_positives),
        ("frames", each.egg_free_frame_false_positives),
    ):
        shares = (alarms.confident_per_frame, alarms.tracked_per_frame, alarms.exported_per_frame)
        told = ", ".join(_number(share, ".3f") for share in shares)
        yield f"    {where} without any ({alarms.frames:,} frames): {told}"


def _counts(counts: CountMetrics) -> Iterator[str]:
    if counts.missing:
        yield f"  {plural(counts.missing, 'animal')} without a result"
    if not counts.animals:
        return
    yield (
        f"  shelled count: exact {_number(counts.exact, '.0%')}, within 1 {_number(counts.within_1, '.0%')}, within 2 "
        f"{_number(counts.within_2, '.0%')}; bias {_number(counts.bias, '+.2f')}, mean absolute error "
        f"{_number(counts.mean_absolute_error, '.2f')}"
    )
    if either := counts.ignoring_occluded:
        yield (
            f"    with eggs that only show, as in a shadow, counting neither way: exact {either.exact:.0%}, within 1 "
            f"{either.within_1:.0%}; bias {either.bias:+.2f}; 90 % interval holds {either.interval_coverage:.0%}"
        )
    yield (
        f"  90 % interval holds what was crossed in {_number(counts.interval_coverage, '.0%')}; median width "
        f"{_number(counts.interval_width_median, 'g')}, up to {SMALL_CLUTCH_EGGS} eggs {_number(counts.small_clutch_width_median, 'g')}"
    )
    yield (
        f"  within 1 with a stated probability of {_number(counts.confidence, '.0%')} in the mean; expected "
        f"calibration error {_number(counts.calibration_error, '.3f')}"
    )
    yield (
        f"  at least above the truth: {counts.lower_bound_violations}; egg-free called gravid: {counts.false_gravid} of "
        f"{counts.egg_free}; with eggs called none seen: {counts.missed_gravid}"
    )


def _stages(stages: StageMetrics) -> Iterator[str]:
    if stages.eggs:
        yield (
            f"  stages of {plural(stages.eggs, 'listed egg')} that are there: macro-F1 "
            f"{_number(stages.macro_f1, '.3f')}, kappa {_number(stages.kappa, '.3f')}, expected calibration error "
            f"{_number(stages.calibration_error, '.3f')}; the network alone {_number(stages.network_macro_f1, '.3f')} "
            f"and {_number(stages.network_calibration_error, '.3f')}"
        )


def _sizes(name: str, sizes: SizeMetrics) -> Iterator[str]:
    if not sizes.eggs:
        return
    told = [
        f"{what} {_number(error, '.2f')} mm (bias {_number(bias, '+.2f')}), 90 % ranges hold {_number(held, '.0%')}"
        for what, error, bias, held in (
            ("length", sizes.length_error_mm, sizes.length_bias_mm, sizes.length_interval_coverage),
            ("width", sizes.width_error_mm, sizes.width_bias_mm, sizes.width_interval_coverage),
        )
    ]
    named, right = _number(sizes.shape_reported, ".0%"), _number(sizes.shape_accuracy, ".0%")
    yield f"  sizes of {sizes.eggs:,} {name} crossed near their middle, median absolute error: {'; '.join(told)}"
    yield f"    shape named of {named}, rightly of {right} of these"


def _following(following: TrackingMetrics) -> Iterator[str]:
    if following.hota is not None:
        yield (
            f"  tracks: HOTA {following.hota:.3f} (found where {_number(following.detection_accuracy, '.3f')}, held the same "
            f"{_number(following.association_accuracy, '.3f')}), IDF1 {_number(following.idf1, '.3f')}"
        )


def _path(path: ProbePathMetrics) -> Iterator[str]:
    if not path.clips:
        return
    error, even, returned, returned_even = (
        _number(share, ".1%")
        for share in (path.error, path.constant_speed_error, path.returned_error, path.returned_constant_speed_error)
    )
    yield (
        f"  path of the hand in {plural(path.clips, 'clip')}: off by {error} of the sweep (at an even pace {even}), in "
        f"{path.returned} that came back by {returned} ({returned_even})"
    )
    unit, spread = _number(path.unit_mm, ".1f"), _number(path.unit_log_std, ".0%")
    in_plane, still = _number(path.in_plane_error_mm, ".1f"), _number(path.still_baseline_error_mm, ".1f")
    yield f"    its unit {unit} mm, +-{spread} by clip; in the plane off by {in_plane} mm (held still {still})"


def _otherwise(each: DataSetMetrics) -> Iterator[str]:
    double = each.double_counts
    if double is not None and double.crossed + double.listed:
        yield (
            f"  of {plural(double.crossed, 'egg')} crossed, {double.missed} missed and {double.merged} merged with "
            f"another; of {double.listed} listed, {double.duplicates} listed twice and {double.false_eggs} no egg"
        )
    for name, plain in each.baseline_counts.items():
        yield (
            f"    counted otherwise, {name}: exact {plain.exact:.0%}, within 1 {plain.within_1:.0%}; bias "
            f"{plain.bias:+.2f}, mean absolute error {plain.mean_absolute_error:.2f}"
        )


def _risk(risk: RiskCoverage) -> Iterator[str]:
    if risk.captured is None:
        return
    off, other_stage = f"{risk.wrong_by_count} by more than one egg", f"{risk.wrong_by_stage} in stage"
    yield f"  wrong: {risk.wrong} animals of {risk.animals}; {off}, {other_stage}"
    shares = (risk.captured, risk.captured_ideal, risk.captured_random)
    held, at_best, by_chance = (_number(share, ".0%") for share in shares)
    yield f"  the {risk.reviewed_animals} flagged most hold {held} of them; at best {at_best}, by chance {by_chance}"


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)
