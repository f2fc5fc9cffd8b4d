"""The measurements on real pictures as text."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.bench.turn_metrics import turn_metrics
from pipeline.bench.yardsticks import oval_yardstick_lines
from pipeline.formatting import format_known, plural
from pipeline.real_pictures.folders import RealPictureMetrics
from pipeline.real_pictures.ovals import OvalMetrics
from pipeline.real_pictures.tracked_sweeps import TrackedSweep

__all__ = ["real_pictures_table"]

_NAME_WIDTH = 24


def real_pictures_table(metrics: RealPictureMetrics) -> str:
    """A part for each kind of pictures that was measured."""
    return "\n".join(_lines(metrics))


def _lines(metrics: RealPictureMetrics) -> Iterator[str]:
    yield f"A detection counts from a score of {metrics.score_threshold:g}."
    for name, ovals in metrics.ovals.items():
        yield from _oval_lines(name, ovals)
    if metrics.ovals:
        yield from oval_yardstick_lines()
    if metrics.egg_free:
        yield from _egg_free_lines(metrics)
    for name, kinds in metrics.look_alikes.items():
        yield f"{name}: regions that an outline overlaps by half, which makes them"
        yield _row("", "regions", "follicles", "shelled eggs")
        for kind in kinds:
            yield _row(kind.colour, str(kind.regions), str(kind.as_follicles), str(kind.as_shelled))
    if metrics.tracked_sweeps:
        yield from _sweep_lines(metrics.tracked_sweeps)
    if metrics.constructed_motion:
        yield f"Constructed motion (seed {metrics.seed}): strips, and estimates of their shelled count"
        yield _row("ovals", "strips", "refused", "exact", "within 1", "bias", "interval holds")
        for each in metrics.constructed_motion:
            shares = (format_known(share, ".0%") for share in (each.exact, each.within_1))
            holds = format_known(each.interval_holds, ".0%")
            yield _row(
                str(each.ovals), str(each.strips), str(each.refused), *shares, format_known(each.bias, "+.2f"), holds
            )


def _oval_lines(name: str, ovals: OvalMetrics) -> Iterator[str]:
    yield (
        f"{name}: {plural(ovals.pictures, 'picture')} of one oval, {ovals.refused} refused; found "
        f"{format_known(ovals.found, '.1%')}; of those found:"
    )
    yield (
        f"  Dice {format_known(ovals.median_dice, '.3f')} in the median, {format_known(ovals.mean_dice, '.3f')} in the "
        f"mean; circumference off by {format_known(ovals.circumference_error_mm, '.1f')} mm "
        f"(bias {format_known(ovals.circumference_bias_mm, '+.1f')})"
    )
    yield (
        f"  further outlines a picture: {format_known(ovals.extra_per_picture, '.2f')} shelled, "
        f"{format_known(ovals.follicles_per_picture, '.2f')} of follicles"
    )


def _egg_free_lines(metrics: RealPictureMetrics) -> Iterator[str]:
    yield "Recordings without eggs: false detections a frame, and false counts (recordings with one)"
    yield _row("", "recordings", "refused", "frames", "shelled", "follicles", "shelled count", "follicle count")
    for each in metrics.egg_free:
        yield _row(
            each.name,
            str(each.recordings),
            str(each.refused),
            f"{each.frames:,}",
            format_known(each.shelled_per_frame, ".4f"),
            format_known(each.follicles_per_frame, ".4f"),
            f"{format_known(each.shelled_per_recording, '.2f')} ({each.recordings_with_shelled})",
            f"{format_known(each.follicles_per_recording, '.2f')} ({each.recordings_with_follicles})",
        )


def _sweep_lines(sweeps: list[TrackedSweep]) -> Iterator[str]:
    yield "Tracked sweeps: error of the place along the way, in shares of it; turns found within five frames"
    yield _row("", "frames", "way, mm", "error", "even pace", "direction right", "turns", "reported", "found")
    for each in sweeps:
        turns = turn_metrics([each.turns])
        yield _row(
            each.name[: _NAME_WIDTH - 4],
            str(each.frames),
            f"{each.swept_mm:.0f}",
            format_known(None if each.path is None else each.path.error, ".1%"),
            format_known(None if each.path is None else each.path.constant_speed_error, ".1%"),
            format_known(each.direction_right, ".0%"),
            str(turns.true),
            str(turns.reported),
            format_known(turns.recall, ".0%"),
        )


def _row(name: str, *cells: str) -> str:
    return f"  {name:<{_NAME_WIDTH - 2}}" + "".join(f"{cell:>16}" for cell in cells)
