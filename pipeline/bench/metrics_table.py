"""The metrics of data sets as plain text in columns."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from models.evaluation_thresholds import MIN_CONTRAST_SNR, MIN_OUTLINE_IOU, SCORE_THRESHOLD
from models.stages import STAGES
from pipeline.bench.counting_table import COUNTING_LEGEND, counting_lines
from pipeline.bench.data_set_metrics import DataSetMetrics
from pipeline.bench.detection_metrics import ClassMetrics, DetectionMetrics, Stratum
from pipeline.bench.follicle_table import FOLLICLE_LEGEND, follicle_lines
from pipeline.bench.probe_path_error import ProbePathMetrics
from pipeline.bench.size_metrics import SizeMetrics
from pipeline.bench.stage_metrics import StageMetrics
from pipeline.bench.tracking_metrics import TrackingMetrics
from pipeline.bench.world_figures import world_lines
from pipeline.bench.yardsticks import yardstick_lines
from pipeline.formatting import format_known, plural

__all__ = ["figures_table", "metrics_table"]

_LEGEND = f"""\
AP: COCO's average precision on boxes, at an overlap of 0.5 and over 0.5 to 0.95. All other metrics of
detections: with a score of at least {SCORE_THRESHOLD:g} whose outlines overlap by at least {MIN_OUTLINE_IOU:g}. \
Axes: mean difference of the two
semi-axes. Centre: distance. Both: median / 90th percentile. Objects that are mostly hidden or cut near their pole are
ignored, and in the line with an SNR also follicles that stand out less from the speckle around them. By visibility and
depth, AP counts every false detection in each line. figures.json contains all metrics.
{FOLLICLE_LEGEND}
{COUNTING_LEGEND}"""
_WORST_EXAMS = 3  # exams that are named
_COLUMN_WIDTHS = (8, 8, 9, 8, 11, 12, 14, 14)


def metrics_table(metrics: Sequence[DataSetMetrics]) -> str:
    """`figures_table`, and, under counts, what people reached elsewhere."""
    beside_people = [*yardstick_lines()] if any(each.counting is not None for each in metrics) else []
    return "\n".join([figures_table(metrics), *beside_people])


def figures_table(metrics: Sequence[DataSetMetrics]) -> str:
    """One block for each data set, and a legend."""
    return "\n\n".join([*("\n".join(_data_set_lines(each)) for each in metrics), _LEGEND])


def _data_set_lines(metrics: DataSetMetrics) -> Iterator[str]:
    animals, frames = plural(len(metrics.animals), "animal"), plural(metrics.frames, "frame")
    yield f"{metrics.name}: {animals}, {frames}, {metrics.frames_used:,} of them used"
    if metrics.detection is not None:
        if metrics.detection.classes["any"].true_objects:
            yield from _detection_lines(metrics.detection)
        yield from _false_positive_lines(metrics.detection)
    yield from _tracking_lines(metrics.tracking)
    yield from _probe_path_lines(metrics.probe_path)
    if metrics.counting is not None:
        yield from counting_lines(metrics.counting)
        yield from follicle_lines(metrics.counting.follicles, metrics.eggs.follicle_diameters)
    yield from _stage_lines(metrics.eggs.stages)
    yield from _size_lines("shelled eggs", metrics.eggs.shelled_sizes)
    yield from _size_lines("follicles", metrics.eggs.follicle_sizes)
    yield from world_lines(metrics.worlds)


def _detection_lines(metrics: DetectionMetrics) -> Iterator[str]:
    unit = "px" if _in_px(metrics.classes["any"]) else "mm"
    yield _line(
        "", ("true", "AP50", "AP50:95", "recall", "precision", "stage right", f"axes, {unit}", f"centre, {unit}")
    )
    for name, row in metrics.classes.items():
        yield _class_line(f"  {name}", row)
        if name == "follicle" and metrics.distinct_follicles is not None:
            yield _class_line(f"  follicle, SNR >= {MIN_CONTRAST_SNR:g}", metrics.distinct_follicles)
    for name in ("shelled", "follicle"):
        rows = [(stratum, getattr(stratum, name)) for stratum in metrics.strata if stratum.kind != "exam"]
        rows = [(stratum, row) for stratum, row in rows if row.true_objects]
        if rows:
            yield f"  {name}, by"
            yield from (_class_line(f"    {stratum.kind} {stratum.name}", row) for stratum, row in rows)
    yield from _worst_exam_lines([stratum for stratum in metrics.strata if stratum.kind == "exam"])
    yield from _confusion_lines(metrics)
    yield from _uncertainty_lines(metrics)


def _worst_exam_lines(exams: Sequence[Stratum]) -> Iterator[str]:
    by_precision = sorted((exam.shelled.ap50, exam.name) for exam in exams if exam.shelled.ap50 is not None)
    if len(by_precision) > 1:
        worst = ", ".join(f"{name} {value:.3f}" for value, name in by_precision[:_WORST_EXAMS])
        yield f"  lowest AP50 of shelled: {worst}"


def _in_px(row: ClassMetrics) -> bool:
    return row.errors_mm.objects == 0 and row.errors_px.objects > 0


def _class_line(name: str, row: ClassMetrics) -> str:
    errors = row.errors_px if _in_px(row) else row.errors_mm
    cells = (
        f"{row.true_objects:,}",
        *(format_known(value, ".3f") for value in (row.ap50, row.ap50_95, row.recall, row.precision)),
        format_known(row.stage_accuracy, ".1%"),
        *(
            "-" if median is None else f"{median:.2f} / {p90:.2f}"
            for median, p90 in ((errors.axis_median, errors.axis_p90), (errors.centre_median, errors.centre_p90))
        ),
    )
    return _line(name, cells)


def _line(name: str, cells: Sequence[str]) -> str:
    return f"{name:<32}" + "".join(f"{cell:>{width}}" for cell, width in zip(cells, _COLUMN_WIDTHS, strict=True))


def _confusion_lines(metrics: DetectionMetrics) -> Iterator[str]:
    if not metrics.confusion[:, : len(STAGES)].any():
        return  # nothing was detected, or no stage is stated
    yield "  detected as:" + "".join(f"{name:>14}" for name in (*STAGES, "not found"))
    for name, row in zip((*STAGES, "nothing there"), metrics.confusion.tolist(), strict=True):
        cells = [f"{number:,}" for number in row[:3]] + ["" if name == "nothing there" else f"{row[3]:,}"]
        yield (f"    {name:<13}" + "".join(f"{cell:>14}" for cell in cells)[3:]).rstrip()
    if metrics.highest_wrong_stage_probability is not None:
        yield f"    highest probability stated for a wrong stage: {metrics.highest_wrong_stage_probability:.3f}"


def _uncertainty_lines(metrics: DetectionMetrics) -> Iterator[str]:
    uncertainty = metrics.outline_uncertainty
    if uncertainty.objects:
        yield (
            "  coverage of the predicted 50 % and 90 % bounds: "
            f"centres {format_known(uncertainty.centre_coverage_50, '.0%')} and "
            f"{format_known(uncertainty.centre_coverage_90, '.0%')}, "
            f"axes {format_known(uncertainty.axis_coverage_50, '.0%')} and "
            f"{format_known(uncertainty.axis_coverage_90, '.0%')}"
        )


def _false_positive_lines(metrics: DetectionMetrics) -> Iterator[str]:
    yield (
        f"  false shelled detections per egg-free frame: with a score of at least {SCORE_THRESHOLD:g}, counted, all "
        "exported"
    )
    for name, false in (("clips", metrics.egg_free_clips), ("frames", metrics.egg_free_frames)):
        shares = (false.confident_per_frame, false.tracked_per_frame, false.exported_per_frame)
        texts = ", ".join(format_known(share, ".3f") for share in shares)
        yield f"    egg-free {name} ({false.frames:,} frames): {texts}"


def _stage_lines(stages: StageMetrics) -> Iterator[str]:
    if stages.eggs:
        yield (
            f"  stages of {plural(stages.eggs, 'matched egg')}: macro-F1 {format_known(stages.macro_f1, '.3f')}, kappa "
            f"{format_known(stages.kappa, '.3f')}, expected calibration error "
            f"{format_known(stages.calibration_error, '.3f')}; "
            f"network alone: macro-F1 {format_known(stages.network_macro_f1, '.3f')}, calibration error "
            f"{format_known(stages.network_calibration_error, '.3f')}"
        )
        right = ", ".join(
            f"{name} {row[index]} of {sum(row)}"
            for index, (name, row) in enumerate(zip(STAGES, stages.confusion, strict=True))
            if any(row)
        )
        yield (
            f"    right {format_known(stages.accuracy, '.1%')} ({right}); highest probability stated for a wrong one "
            f"{format_known(stages.highest_wrong_probability, '.3f')}"
        )


def _size_lines(name: str, sizes: SizeMetrics) -> Iterator[str]:
    if not sizes.eggs:
        return
    cells = [
        f"{what} {format_known(error, '.2f')} mm (bias {format_known(bias, '+.2f')}), coverage of the 90 % interval "
        f"{format_known(coverage, '.0%')}"
        for what, error, bias, coverage in (
            ("length", sizes.length_error_mm, sizes.length_bias_mm, sizes.length_interval_coverage),
            ("width", sizes.width_error_mm, sizes.width_bias_mm, sizes.width_interval_coverage),
        )
    ]
    reported, right = format_known(sizes.shape_reported, ".0%"), format_known(sizes.shape_accuracy, ".0%")
    yield f"  sizes of {sizes.eggs:,} {name} crossed near their middle, median absolute error:"
    yield f"    {'; '.join(cells)}"
    yield f"    shape reported for {reported}, right for {right} of these"


def _tracking_lines(tracking: TrackingMetrics) -> Iterator[str]:
    if tracking.hota is not None:
        yield (
            f"  tracks: HOTA {tracking.hota:.3f} (DetA {format_known(tracking.detection_accuracy, '.3f')}, AssA "
            f"{format_known(tracking.association_accuracy, '.3f')}), IDF1 {format_known(tracking.idf1, '.3f')}"
        )


def _probe_path_lines(path: ProbePathMetrics) -> Iterator[str]:
    if not path.clips:
        return
    error, constant, returned, returned_constant = (
        format_known(share, ".1%")
        for share in (path.error, path.constant_speed_error, path.returned_error, path.returned_constant_speed_error)
    )
    yield (
        f"  path of the probe in {plural(path.clips, 'clip')}: error {error} of the sweep (constant speed {constant}); "
        f"in {path.returned} that came back {returned} (constant speed {returned_constant})"
    )
    unit, spread = format_known(path.unit_mm, ".1f"), format_known(path.unit_log_std, ".0%")
    yield f"    one picture difference is {unit} mm, +-{spread} between clips"
