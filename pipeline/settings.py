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
    "ChangeSettings",
    "ConfidenceCalibration",
    "CountCalibration",
    "CountCalibrations",
    "DetectSettings",
    "DetectionRate",
    "EstimateSettings",
    "FlagSettings",
    "IngestSettings",
    "LikelihoodWeights",
    "NetworkCalibration",
    "RunSettings",
    "Settings",
    "ShellSignSettings",
    "SizeSettings",
    "StageFeature",
    "StageFeatures",
    "TrackSettings",
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


class SettingsTable(BaseModel):
    """A table of ``settings.toml``: fixed once read, and any key it does not know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class IngestSettings(SettingsTable):
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
    banding_correlation_above: Share
    frame_correlation_below: Share
    repeated_frame_change_below: GreyLevel
    frozen_after_frames: Annotated[int, Field(ge=1, le=10_000)]
    minimum_usable_share: Share


class DetectSettings(SettingsTable):
    """Which of the network's answers count as detections."""

    minimum_score: Share
    same_object_iou: Share
    batch_frames: Annotated[int, Field(ge=1, le=256)]


class TrackSettings(SettingsTable):
    """How detections are joined to tracks, and tracks to eggs."""

    association_score: Share
    new_track_score: Share
    first_association_score: Share

    neutral_score: Probability
    confirm_log_odds: Annotated[float, Field(ge=0.0, le=50.0)]
    confirm_sightings: Annotated[int, Field(ge=1, le=100)]
    still_image_score: Share
    maximum_gap_frames: Annotated[int, Field(ge=1, le=100)]
    motion_noise_px: Positive
    maximum_image_shift_px: Positive
    nested_share: Share
    candidate_prior: Probability
    sighting_correlation: Share
    maximum_existence: Probability
    fragmented_share: Probability
    maximum_fragment_gap_frames: Annotated[int, Field(ge=1, le=1000)]
    return_probability: Probability
    return_reseen_share: Probability
    same_window_reseen_share: Probability
    other_window_reseen_share: Probability
    reseen_prior_strength: Positive
    size_log_sd: Positive
    place_sd_mm: Positive
    body_width_share: Probability
    body_width_share_sd: Probability
    export_probe_path: bool


class EstimateSettings(SettingsTable):
    """How eggs become counts, stages and sizes."""

    zero_count_prior: Probability
    use_clutch_prior: bool
    both_windows_crossed_share: Probability
    one_window_crossed_share: Probability
    listed_existence: Share
    doubtful_existence: Share
    same_window_crossed_share: Probability
    lower_bound_existence: Share
    lower_bound_sightings: Annotated[int, Field(ge=1, le=1000)]
    lower_bound_best_score: Share
    lower_bound_kind_probability: Share
    lower_bound_score: Share

    lower_bound_frames: Annotated[int, Field(ge=1, le=100)]
    lower_bound_iou: Share
    unreached_eggs: Annotated[float, Field(ge=0.0, le=100.0)]
    unreached_share: Share
    one_window_unreached_share: Share
    unscanned_eggs: Annotated[float, Field(ge=0.0, le=200.0)]


class ShellSignSettings(SettingsTable):
    """How signs on the picture are told."""

    shown_range_db: Annotated[float, Field(ge=20.0, le=120.0)]
    dark_interior_db: Annotated[float, Field(ge=-60.0, le=0.0)]
    bright_interior_db: Annotated[float, Field(ge=0.0, le=60.0)]
    core_contrast_db: Positive
    uneven_interior_sd_db: Positive


class StageFeature(SettingsTable):
    """One column the stage model. low, high : the range it is held in;  weights : follicle, thin-shelled, calcified"""

    low: float
    high: float
    mean: float
    sd: Positive
    weights: tuple[float, float, float]


class StageFeatures(SettingsTable):
    """Signs of the stage model, in grey levels."""

    rim: StageFeature
    shadow: StageFeature
    interior: StageFeature
    middle: StageFeature
    unevenness: StageFeature


class OutlineErrorModel(SettingsTable):
    """What outlines are wrong by, in log units (`pipeline.estimate.egg_size_model`).

    passages : of how many passages through the middle it was learned
    """

    passages: Annotated[int, Field(ge=0)]
    width_bias: Annotated[float, Field(ge=-0.5, le=0.5)]
    width_error: Annotated[float, Field(ge=0.005, le=0.5)]
    ratio_error: Annotated[float, Field(ge=0.005, le=0.5)]
    ratio_scale: Annotated[float, Field(ge=0.3, le=1.5)]


class OutlineCalibration(SettingsTable):
    """Of shelled eggs, whose wall is a bright line, and of follicles, which have none."""

    shelled: OutlineErrorModel
    follicle: OutlineErrorModel


class NetworkCalibration(SettingsTable):
    """What `clutchlight calibrate` learned of the network's stages and outlines, and from what.

    weights_sha256 : of the network it is for;  network_weight : of its log-probabilities;  eggs : how many it rests on
    """

    command: str
    date: dt.date
    weights_sha256: str
    eggs: Annotated[int, Field(ge=0)]
    temperature: Annotated[float, Field(ge=0.1, le=10.0)]
    network_weight: Annotated[float, Field(ge=0.0, le=10.0)]
    bias: tuple[float, float, float]
    outline: OutlineCalibration
    feature: StageFeatures


class SizeSettings(SettingsTable):
    """How sections become lengths and widths."""

    oval_aspect_ratio: Annotated[float, Field(gt=1.0, le=2.0)]
    shape_probability: Annotated[float, Field(ge=0.5, le=1.0)]
    shape_sections: Annotated[int, Field(ge=1, le=1000)]
    clutch_log_sd: Positive
    outlier_share: Probability
    round_eggs_prior: Probability
    cut_cosine_beta_a: tuple[Positive, ...]
    cut_cosine_beta_b: Positive


class ChangeSettings(SettingsTable):
    """When two exams of an animal tell of a change."""

    change_probability: Probability
    minimum_new_clutch_days: Annotated[int, Field(ge=0, le=365)]
    maximum_same_clutch_days: Annotated[int, Field(ge=1, le=1000)]


class LikelihoodWeights(SettingsTable):
    """Weights of a track's features: a log-likelihood ratio, real object against look-alike."""

    intercept: Weight
    score: Weight
    upper_score: Weight
    kind: Weight
    size_similarity: Weight


class DetectionRate(SettingsTable):
    """Log-odds that an object is found in a sweep that crosses it, around a usual one, and their spread over exams."""

    intercept: Weight
    size_slope: Weight
    depth_slope: Weight
    reference_log_size: Weight
    reference_depth: Share
    exam_sd: Annotated[float, Field(ge=0.0, le=10.0)]


class ConfidenceCalibration(SettingsTable):
    """Log-odds that the estimate is within one of the truth: intercept, and slope for each that the distribution has."""

    intercept: Weight
    slope: Positive


class CountCalibration(SettingsTable):
    """What was learned of counting shelled eggs, or follicles.

    false_tracks_per_clip : how many come with a clip
    inverse_temperature : power to which the odds of numbers are raised;  interval_probability : probability that the interval then holds
    """

    false_tracks_per_clip: Annotated[float, Field(gt=0.0, le=100.0)]
    likelihood_weights: LikelihoodWeights
    detection_rate: DetectionRate
    confidence: ConfidenceCalibration
    inverse_temperature: Positive
    interval_probability: Probability


class CountCalibrations(SettingsTable):
    """What was learned on phantoms of how far the counts can be trusted; ``configs/counting.toml``."""

    shelled: CountCalibration
    follicles: CountCalibration


class FlagSettings(SettingsTable):
    """When a person should look."""

    unreliable_confidence: Share
    low_confidence: Share
    count_and_stage_probability: Share
    wide_interval_eggs: Annotated[int, Field(ge=1, le=1000)]
    wide_interval_share: Positive
    window_difference_eggs: Annotated[int, Field(ge=1, le=1000)]
    window_difference_share: Share
    stage_probability: Share
    poor_scan_usable_frames: Annotated[int, Field(ge=1)]
    poor_scan_usable_share: Share
    narrow_contact_share: Share
    size_tolerance: Share
    minimum_measured_eggs: Annotated[int, Field(ge=2, le=100)]
    outline_overlap_share: Share
    outline_overlap_frames: Annotated[int, Field(ge=1)]
    calcified_bright_interior_db: Annotated[float, Field(ge=-60.0, le=60.0)]
    implausible_aspect_ratio: Annotated[float, Field(ge=1.0, le=10.0)]
    small_egg_width_share: Share


class RunSettings(SettingsTable):
    """How the machine is used; nothing here changes the result of a clip that is read."""

    threads: Threads
    settle_seconds: Annotated[float, Field(ge=0.0, le=86_400.0)]


class Settings(SettingsTable):
    """All settings of a run, one field per table of ``settings.toml``; ``calibration`` has a file of its own."""

    ingest: IngestSettings
    detect: DetectSettings
    track: TrackSettings
    estimate: EstimateSettings
    change: ChangeSettings
    sizes: SizeSettings
    shell_signs: ShellSignSettings
    calibration: NetworkCalibration
    counting: CountCalibrations
    flags: FlagSettings
    run: RunSettings

    def with_probe_path(self) -> Settings:
        """The same with ``track.export_probe_path``, for measuring where it is known where the hand was."""
        return self.model_copy(update={"track": self.track.model_copy(update={"export_probe_path": True})})


class _Calibrated(SettingsTable):
    """The shipped ``calibration.toml``."""

    calibration: NetworkCalibration


class _Counting(SettingsTable):
    """The shipped ``counting.toml``."""

    counting: CountCalibrations


def load_settings(path: Path | None = None) -> Settings:
    """Read the settings: the shipped ones, under the user's own file.

    Parameters
    ----------
    path
        A TOML file with some or all keys of ``configs/settings.toml``; None for the shipped settings.

    Returns
    -------
    Settings
        Validated and frozen, one attribute for each table of ``configs/settings.toml``.

    Raises
    ------
    ConfigError
        If the file cannot be read, or has an unknown key or a wrong value. The text names file, line and key of every
        problem.

    Examples
    --------
    >>> load_settings().detect.batch_frames > 0
    True
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
