"""What one job of a worker may take."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.settings_tables import RunSettings

__all__ = ["WorkerLimits", "clip_limits"]


@dataclass(frozen=True)
class WorkerLimits:
    """The limits of each job.

    memory_mib : resident and swapped memory beyond what the process held when it was ready
    seconds : time on the clock ...
    seconds_per_step : ... and this much more for each step that the job reports as done
    """

    memory_mib: int
    seconds: float
    seconds_per_step: float


def clip_limits(settings: RunSettings) -> WorkerLimits:
    """The limits of reading a clip, whose steps are frames, and of estimating an exam with the frames of its clips."""
    return WorkerLimits(settings.clip_memory_mib, settings.clip_seconds, settings.clip_seconds_per_frame)
