"""Figures as plain text in columns."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.bench.figures import Figures, ObjectFigures

__all__ = ["figures_table"]


def figures_table(figures: Sequence[Figures]) -> str:
    """One block for each data set: objects in frames, then animals counted."""
    return "\n\n".join(_block(each) for each in figures)


def _block(each: Figures) -> str:
    counts = each.counts
    lines = [each.name, f"  {'in frames':<14}{'true':>8}{'found':>8}{'recall':>9}{'precision':>11}"]
    lines += [_objects(name, row) for name, row in {**each.stages, "shelled": each.shelled}.items()]
    if each.stage_right is not None and each.axis_error_px is not None:
        lines.append(f"  stage right {each.stage_right:.1%} of matched; median axis error {each.axis_error_px:.2f} px")
    lines += [
        f"  {counts.animals} animals" + (f", {counts.missing} without a result" if counts.missing else ""),
        f"  shelled count: exact {counts.exact:.0%}, within 1 {counts.within_1:.0%}, within 2 {counts.within_2:.0%}; "
        f"bias {counts.bias:+.2f}, mean absolute error {counts.absolute_error:.2f}",
        f"  90 % interval holds what was crossed in {counts.interval_holds:.0%}; "
        f"median width {counts.interval_width_median:g}",
        f"  at least above the truth: {counts.at_least_above}; egg-free called gravid: {counts.called_gravid} of "
        f"{counts.egg_free}; with eggs called none seen: {counts.called_empty}",
    ]
    return "\n".join(lines)


def _objects(name: str, row: ObjectFigures) -> str:
    def share(value: float | None) -> str:
        return "-" if value is None else f"{value:.3f}"

    return f"  {name:<14}{row.true:>8}{row.found:>8}{share(row.recall):>9}{share(row.precision):>11}"
