"""What a user may change, validated: the shipped ``configs/settings.toml`` under the user's own file.

Every field stands in ``settings.toml`` with its unit and meaning, what was learned on phantoms in
``calibration.toml``; values live there, bounds live here.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from configs.reading import config_path, read_toml

__all__ = [
    "Calibration",
    "ChangeSettings",
    "Counting",
    "CountingSettings",
    "DetectSettings",
    "EstimateSettings",
    "Feature",
    "Features",
    "Finding",
    "FlagSettings",
    "IngestSettings",
    "Look",
    "RunSettings",
    "Settings",
    "SignSettings",
    "SizeSettings",
    "TrackSettings",
    "Trust",
    "load_settings",
    "scan_settings_sha256",
    "settings_sha256",
]

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Probability = Annotated[float, Field(gt=0.0, lt=1.0)]
Positive = Annotated[float, Field(gt=0.0, le=1e6)]
Weight = Annotated[float, Field(ge=-100.0, le=100.0)]
GreyLevel = Annotated[float, Field(ge=0.0, le=255.0)]
Threads = Annotated[int, Field(ge=0, le=1024)]


class Section(BaseModel):
    """A table of ``settings.toml``: fixed once read, and any key it does not know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class IngestSettings(Section):
    """Which recordings and frames are fit for use."""

    maximum_side_px: Annotated[int, Field(ge=64, le=16384)]
    minimum_side_px: Annotated[int, Field(ge=16, le=4096)]
    maximum_frames: Annotated[int, Field(ge=1, le=10_000_000)]
    decode_threads: Annotated[int, Field(ge=1, le=16)]
    sector_lookahead_frames: Annotated[int, Field(ge=1, le=250)]
    ruler_tick_mm: Annotated[float, Field(ge=0.0, le=100.0)]
    dark_below: GreyLevel
    saturated_share_above: Share
    contact_share_below: Share
    banding_above: Share
    likeness_below: Share
    repeated_below: GreyLevel
    frozen_after_frames: Annotated[int, Field(ge=1, le=10_000)]
    minimum_usable_share: Share


class DetectSettings(Section):
    """Which of the network's answers count as detections."""

    minimum_score: Share
    same_object_overlap: Share
    batch_frames: Annotated[int, Field(ge=1, le=256)]


class TrackSettings(Section):
    """How detections are joined to tracks, and tracks to eggs."""

    follow_score: Share
    birth_score: Share
    sure_score: Share
    neutral_score: Probability
    confirm_log_odds: Annotated[float, Field(ge=0.0, le=50.0)]
    confirm_sightings: Annotated[int, Field(ge=1, le=100)]
    still_score: Share
    maximum_gap_frames: Annotated[int, Field(ge=1, le=100)]
    jump_px: Positive
    maximum_shake_px: Positive
    nested_share: Share
    candidate_prior: Probability
    sighting_correlation: Share
    existence_ceiling: Probability
    broken_share: Probability
    broken_gap_frames: Annotated[int, Field(ge=1, le=1000)]
    return_probability: Probability
    return_reseen_share: Probability
    same_window_reseen_share: Probability
    other_window_reseen_share: Probability
    reseen_weight: Positive
    size_spread: Positive
    place_spread_mm: Positive
    body_width_share: Probability
    body_width_spread: Probability
    tell_path: bool


class EstimateSettings(Section):
    """How eggs become counts, stages and sizes."""

    none_prior: Probability
    clutch_prior: bool
    both_windows_cross: Probability
    one_window_crosses: Probability
    listed_existence: Share
    doubtful_existence: Share
    same_window_crossed: Probability
    sure_existence: Share
    sure_sightings: Annotated[int, Field(ge=1, le=1000)]
    sure_best_score: Share
    sure_stage: Share
    sure_score: Share
    together_frames: Annotated[int, Field(ge=1, le=100)]
    together_overlap: Share
    unreached: Annotated[float, Field(ge=0.0, le=100.0)]
    unreached_share: Share
    one_window_unreached_share: Share
    unscanned: Annotated[float, Field(ge=0.0, le=200.0)]


class SignSettings(Section):
    """How signs on the picture are told."""

    shown_range_db: Annotated[float, Field(ge=20.0, le=120.0)]
    dark_db: Annotated[float, Field(ge=-60.0, le=0.0)]
    bright_db: Annotated[float, Field(ge=0.0, le=60.0)]
    core_db: Positive
    uneven_db: Positive


class Feature(Section):
    """One column the stage model. low, high : the range it is held in;  weights : follicle, thin-shelled, calcified"""

    low: float
    high: float
    middle: float
    spread: Positive
    weights: tuple[float, float, float]


class Features(Section):
    """Signs of the stage model, in grey levels."""

    rim: Feature
    shadow: Feature
    interior: Feature
    middle: Feature
    unevenness: Feature


class OutlineErrors(Section):
    """What outlines are wrong by, in log units (`pipeline.estimate.egg_size_model`).

    sections : of how many passages through the middle it was learned
    """

    sections: Annotated[int, Field(ge=0)]
    width_bias: Annotated[float, Field(ge=-0.5, le=0.5)]
    width_error: Annotated[float, Field(ge=0.005, le=0.5)]
    ratio_error: Annotated[float, Field(ge=0.005, le=0.5)]
    ratio_scale: Annotated[float, Field(ge=0.3, le=1.5)]


class Outlines(Section):
    """Of shelled eggs, whose wall is a bright line, and of follicles, which have none."""

    shelled: OutlineErrors
    follicle: OutlineErrors


class Calibration(Section):
    """What `clutchlight calibrate` learned of the network's stages and outlines, and from what.

    weights_sha256 : of the network it is for;  network : weight of its word;  eggs : how many it rests on
    """

    command: str
    date: dt.date
    weights_sha256: str
    eggs: Annotated[int, Field(ge=0)]
    temperature: Annotated[float, Field(ge=0.1, le=10.0)]
    network: Annotated[float, Field(ge=0.0, le=10.0)]
    bias: tuple[float, float, float]
    outline: Outlines
    feature: Features


class SizeSettings(Section):
    """How sections become lengths and widths."""

    oval_ratio: Annotated[float, Field(gt=1.0, le=2.0)]
    shape_probability: Annotated[float, Field(ge=0.5, le=1.0)]
    shape_sections: Annotated[int, Field(ge=1, le=1000)]
    clutch_spread: Positive
    odd_share: Probability
    round_share: Probability
    across_a: tuple[Positive, ...]
    across_b: Positive


class ChangeSettings(Section):
    """When two exams of an animal tell of a change."""

    sure: Probability
    new_clutch_days: Annotated[int, Field(ge=0, le=365)]
    same_clutch_days: Annotated[int, Field(ge=1, le=1000)]


class Look(Section):
    """Weights of a track's looks: a log-likelihood ratio, real against look-alike."""

    base: Weight
    score: Weight
    best_score: Weight
    kind: Weight
    alike: Weight


class Finding(Section):
    """Log-odds that an object is found in a sweep that crosses it, around a usual one, and their spread over exams."""

    base: Weight
    size: Weight
    depth: Weight
    usual_log_size: Weight
    usual_depth: Share
    spread: Annotated[float, Field(ge=0.0, le=10.0)]


class Trust(Section):
    """Log-odds that the estimate is within one of the truth: base, and slope for each that the distribution has."""

    base: Weight
    slope: Positive


class Counting(Section):
    """What was learned of counting shelled eggs, or follicles.

    look_alikes : how many come with a clip
    sharpness : power to which the odds of numbers are raised;  interval : probability that the interval then holds
    """

    look_alikes: Annotated[float, Field(gt=0.0, le=100.0)]
    look: Look
    finding: Finding
    trust: Trust
    sharpness: Positive
    interval: Probability


class CountingSettings(Section):
    """What was learned on phantoms of how far the counts can be trusted; ``configs/counting.toml``."""

    shelled: Counting
    follicles: Counting


class FlagSettings(Section):
    """When a person should look."""

    unreliable_confidence: Share
    low_confidence: Share
    both_right: Share
    wide_interval: Annotated[int, Field(ge=1, le=1000)]
    wide_interval_share: Positive
    window_difference: Annotated[int, Field(ge=1, le=1000)]
    window_difference_share: Share
    stage_probability: Share
    usable_frames: Annotated[int, Field(ge=1)]
    usable_share: Share
    narrow_contact: Share
    size_tolerance: Share
    several_eggs: Annotated[int, Field(ge=2, le=100)]
    crossing_share: Share
    crossing_frames: Annotated[int, Field(ge=1)]
    bright_inside_db: Annotated[float, Field(ge=-60.0, le=60.0)]
    odd_ratio: Annotated[float, Field(ge=1.0, le=10.0)]
    small_share: Share


class RunSettings(Section):
    """How the machine is used; nothing here changes the result of a clip that is read."""

    threads: Threads
    settle_seconds: Annotated[float, Field(ge=0.0, le=86_400.0)]


class Settings(Section):
    """All settings of a run, one field per table of ``settings.toml``; ``calibration`` has a file of its own."""

    ingest: IngestSettings
    detect: DetectSettings
    track: TrackSettings
    estimate: EstimateSettings
    change: ChangeSettings
    sizes: SizeSettings
    signs: SignSettings
    calibration: Calibration
    counting: CountingSettings
    flags: FlagSettings
    run: RunSettings

    def telling_paths(self) -> Settings:
        """The same with ``track.tell_path``, for measuring where it is known where the hand was."""
        return self.model_copy(update={"track": self.track.model_copy(update={"tell_path": True})})


class _Calibrated(Section):
    """The shipped ``calibration.toml``."""

    calibration: Calibration


class _Counting(Section):
    """The shipped ``counting.toml``."""

    counting: CountingSettings


def load_settings(path: Path | None = None) -> Settings:
    """The shipped settings and what was learned, with the keys that the file at ``path`` gives in their place.

    Raises ConfigError, naming file, line and key of every problem.
    """
    calibration = read_toml(config_path("calibration.toml"), _Calibrated).model_dump(mode="json")
    counting = read_toml(config_path("counting.toml"), _Counting).model_dump(mode="json")
    shipped = read_toml(config_path("settings.toml"), Settings, defaults=calibration | counting)
    return shipped if path is None else read_toml(path, Settings, defaults=shipped.model_dump(mode="json"))


def settings_sha256(settings: Settings) -> str:
    """Name of the settings that results depend on: equal for equal values, wherever they were read from.

    The ``run`` table is left out: a night begun with two threads may be finished with eight.
    """
    return _sha256(settings.model_dump(mode="json", exclude={"run"}))


def scan_settings_sha256(settings: Settings) -> str:
    """The same of the settings that decide what is read off a clip: with others changed, no clip is read again."""
    return _sha256(settings.model_dump(mode="json", include={"ingest", "detect", "track"}))


def _sha256(content: dict[str, Any]) -> str:
    canonical = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(canonical.encode()).hexdigest()
