"""Whole batches, a line for each: how fast they are, and how much of the computer they use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.speed.night_costs import NightCosts

__all__ = ["nights_table"]

HEADINGS: Mapping[str, int] = {  # and the widths of the columns
    "network sees": 12,
    "clips": 7,
    "frames": 9,
    "s": 8,
    "frames/s": 10,
    "while reading": 15,
    "times real time": 17,
    "with all cores": 16,
    "processor ms a frame": 22,
    "times bare decoding": 21,
    "cores used": 12,
    "MiB of a worker": 17,
}


def nights_table(nights: Sequence[NightCosts], frame_rate: float, bare_ms_per_frame: float) -> str:
    """A line for each batch, and one for decoding alone.

    "With all cores" is a calculation: times real time if processor time were shared evenly by all cores, and nothing
    else used them.

    frame_rate : of the clips, per second;  bare_ms_per_frame : processor time of decoding alone
    """
    lines = ["".join(f"{heading:>{width}}" for heading, width in HEADINGS.items())]
    for night in nights:
        rate = night.frames / night.seconds
        cells = (
            f"{night.network_frames_per_second:g}/s" if night.network_frames_per_second else "all",
            f"{night.clips}",
            f"{night.frames:,}",
            f"{night.seconds:.1f}",
            f"{rate:,.0f}",
            f"{night.frames / night.reading_s:,.0f}",
            f"{rate / frame_rate:.1f}",
            f"{night.cores * 1e3 / (night.ms_per_frame * frame_rate):.1f}",
            f"{night.ms_per_frame:.2f}",
            f"{night.ms_per_frame / bare_ms_per_frame:.1f}",
            f"{night.cores_used:.1f} of {night.cores}",
            f"{night.worker_mib:,}",
        )
        lines.append("".join(f"{cell:>{width}}" for cell, width in zip(cells, HEADINGS.values(), strict=True)))
    cores = nights[0].cores
    bare = cores * 1e3 / bare_ms_per_frame
    lines.append(f"bare decoding with all {cores} cores: {bare:,.0f} frames/s, {bare / frame_rate:.1f} times real time")
    return "\n".join(lines)
