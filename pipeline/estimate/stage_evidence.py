"""The evidence for the stage of each egg: the signs measured on the picture, and the network over all frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.detect.shell_signs import ShellSigns, median_signs
from pipeline.estimate.kind_model import follicle_probability
from pipeline.estimate.stage_model import (
    StageInputs,
    calibrated_stages,
    network_log_probabilities,
    sign_vector,
    stages_by_network,
)
from pipeline.settings import Settings
from pipeline.settings_tables import TrackSettings
from pipeline.track.merging.merge import Egg
from pipeline.track.track_evidence import stage_probabilities
from pipeline.track.tracks import ClipTracks

__all__ = ["StageEvidence", "assign_stages", "collect_stage_evidence"]


@dataclass(frozen=True)
class StageEvidence:
    """network_probabilities : (3,) in the order of `models.stages.STAGES`

    signs : medians over all tracks, None where none could be measured
    mm_per_px : scale of the clips that the signs were measured in; None if unknown or not the same in all of them
    """

    network_probabilities: NDArray[np.float64]
    signs: ShellSigns | None
    mm_per_px: float | None


def collect_stage_evidence(
    eggs: Sequence[Egg], clips: Sequence[ClipTracks], settings: TrackSettings
) -> list[StageEvidence]:
    """One for each egg, in their order. The members of the eggs name tracks of the clips."""
    by_file = {clip.file: clip for clip in clips}
    tracks = {(clip.file, track.identity): track for clip in clips for track in clip.tracks}
    evidence = []
    for egg in eggs:
        measured = [
            (by_file[member.file].signs[member.track], by_file[member.file].mm_per_px)
            for member in egg.members
            if member.track in by_file[member.file].signs
        ]
        scales = {mm_per_px for _, mm_per_px in measured}
        evidence.append(
            StageEvidence(
                network_probabilities=stage_probabilities(
                    [tracks[member.file, member.track] for member in egg.members], settings
                ),
                signs=median_signs([signs for signs, _ in measured]) if measured else None,
                mm_per_px=scales.pop() if len(scales) == 1 else None,
            )
        )
    return evidence


def assign_stages(eggs: Sequence[Egg], clips: Sequence[ClipTracks], settings: Settings) -> tuple[Egg, ...]:
    """The same eggs, with the probabilities of their kind and stage from all the evidence together.

    eggs : all those of one exam, because eggs of one clutch say something about each other
    """
    if not eggs:
        return ()
    evidence = collect_stage_evidence(eggs, clips, settings.track)
    calibration = settings.calibration.network
    log_probabilities = np.stack([network_log_probabilities(one.network_probabilities) for one in evidence])
    inputs = StageInputs(
        log_probabilities=log_probabilities,
        signs=np.stack([sign_vector(asdict(one.signs) if one.signs else {}) for one in evidence]),
        follicle=np.array(
            [
                follicle_probability(by_network, one.signs, settings.calibration.kind)
                for by_network, one in zip(
                    stages_by_network(log_probabilities, calibration)[:, 0].tolist(), evidence, strict=True
                )
            ]
        ),
        existence=np.array([egg.existence for egg in eggs]),
    )
    stages = calibrated_stages(inputs, calibration, settings.estimate.agreed_stage_limit)
    return tuple(replace(egg, stages=row) for egg, row in zip(eggs, stages, strict=True))
