"""The tables of the settings: one class for each table of ``configs/settings.toml``, with the bounds of its values.

Values, units and meanings are in ``settings.toml``.
"""

from __future__ import annotations

import datetime as dt
from contextlib import AbstractContextManager
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field

from configs.tables import Positive, Probability, Share, TomlTable
from pipeline.language.catalogue import SOURCE_LANGUAGE, languages
from pipeline.language.style import DecimalMark, page_style

__all__ = [
    "PLAIN_PAGES",
    "BackupSettings",
    "ChangeSettings",
    "ClusterSettings",
    "DetectSettings",
    "EstimateSettings",
    "FlagSettings",
    "IngestSettings",
    "NightSettings",
    "PageSettings",
    "RunSettings",
    "SettingsTables",
    "ShellSignSettings",
    "SizeSettings",
    "TidySettings",
    "TrackSettings",
]

GreyLevel = Annotated[float, Field(ge=0.0, le=255.0)]
Threads = Annotated[int, Field(ge=0, le=1024)]

LARGEST_NETWORK_STEP = 10  # frames; what lies further apart may show other planes (common practice, no source)


def _known_time_zone(name: str) -> str:
    if name:
        try:
            ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError(f'there is no time zone "{name}"; names are like "Europe/Dublin"') from error
    return name


def _known_language(language: str) -> str:
    if language not in languages():
        raise ValueError(f'there are no pages in "{language}"; there are in {", ".join(languages())}')
    return language


class IngestSettings(TomlTable):
    """Which recordings and frames are usable."""

    maximum_side_px: Annotated[int, Field(ge=64, le=16384)]
    minimum_side_px: Annotated[int, Field(ge=16, le=4096)]
    maximum_frames: Annotated[int, Field(ge=1, le=10_000_000)]
    maximum_gigapixels: Annotated[float, Field(ge=0.1, le=10_000.0)]
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


class DetectSettings(TomlTable):
    """Which outputs of the network count as detections."""

    minimum_score: Share
    same_object_iou: Share
    batch_frames: Annotated[int, Field(ge=1, le=256)]
    network_frames_per_second: Annotated[float, Field(ge=0.0, le=1000.0)]

    def network_every(self, frame_rate: float | None) -> int:
        """Every how many frames of a clip the network sees one: 1, all of them, where the rate is unknown.

        frame_rate : of the clip, per second
        """
        if frame_rate is None or self.network_frames_per_second == 0:
            return 1
        return max(1, min(LARGEST_NETWORK_STEP, int(frame_rate / self.network_frames_per_second)))


class TrackSettings(TomlTable):
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
    same_window_reseen_share: Probability
    other_window_reseen_share: Probability
    reseen_prior_strength: Positive
    size_log_sd: Positive
    place_sd_mm: Positive
    body_width_share: Probability
    body_width_share_sd: Probability


class EstimateSettings(TomlTable):
    """How eggs become counts."""

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
    agreed_stage_limit: Annotated[float, Field(ge=0.6, le=0.99)]


class ShellSignSettings(TomlTable):
    """How the signs of a shell are described on the sheet."""

    shown_range_db: Annotated[float, Field(ge=20.0, le=120.0)]
    dark_interior_db: Annotated[float, Field(ge=-60.0, le=0.0)]
    bright_interior_db: Annotated[float, Field(ge=0.0, le=60.0)]
    core_contrast_db: Positive
    uneven_interior_sd_db: Positive
    visible_rim_db: Annotated[float, Field(ge=0.0, le=60.0)]
    strong_rim_db: Annotated[float, Field(ge=0.0, le=60.0)]
    strong_shadow_db: Annotated[float, Field(ge=0.0, le=60.0)]


class SizeSettings(TomlTable):
    """How sections become lengths, widths and shapes."""

    oval_aspect_ratio: Annotated[float, Field(gt=1.0, le=2.0)]
    shape_probability: Annotated[float, Field(ge=0.5, le=1.0)]
    shape_sections: Annotated[int, Field(ge=1, le=1000)]
    clutch_log_sd: Positive
    outlier_share: Probability
    round_eggs_prior: Probability
    cut_cosine_beta_a: tuple[Positive, ...]
    cut_cosine_beta_b: Positive


class ChangeSettings(TomlTable):
    """When a difference between two exams of an animal is reported as a change."""

    change_probability: Probability
    minimum_new_clutch_days: Annotated[int, Field(ge=0, le=365)]
    maximum_same_clutch_days: Annotated[int, Field(ge=1, le=1000)]


class FlagSettings(TomlTable):
    """When an exam or an egg is flagged for a person."""

    unreliable_confidence: Share
    low_confidence: Share
    count_and_stage_probability: Share
    wide_interval_eggs: Annotated[int, Field(ge=1, le=1000)]
    wide_interval_share: Positive
    wide_follicle_interval: Annotated[int, Field(ge=1, le=1000)]
    wide_follicle_share: Positive
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
    thin_shell_rim_db: Annotated[float, Field(ge=-60.0, le=60.0)]
    implausible_aspect_ratio: Annotated[float, Field(ge=1.0, le=10.0)]
    small_egg_width_share: Share


class RunSettings(TomlTable):
    """How the computer is used. Nothing here changes the result of a clip that can be read."""

    processes: Annotated[int, Field(ge=0, le=1024)]
    threads: Threads
    settle_seconds: Annotated[float, Field(ge=0.0, le=86_400.0)]
    settle_wait_seconds: Annotated[float, Field(ge=0.0, le=86_400.0)]
    sample_days: Annotated[int, Field(ge=0, le=3650)]
    clip_memory_mib: Annotated[int, Field(ge=64, le=1_048_576)]
    clip_seconds: Annotated[float, Field(ge=1.0, le=86_400.0)]
    clip_seconds_per_frame: Annotated[float, Field(ge=0.0, le=3_600.0)]
    database: Annotated[str, Field(max_length=300)]


class ClusterSettings(TomlTable):
    """How a night uses the workers of a cluster. Nothing here changes a result."""

    worker_tag: Annotated[str, Field(max_length=100)]
    wait_seconds: Annotated[float, Field(ge=1.0, le=86_400.0)]


class NightSettings(TomlTable):
    """What surrounds a night. Nothing here changes a result."""

    minimum_free_gb: Annotated[float, Field(ge=0.0, le=1e6)]
    low_free_gb: Annotated[float, Field(ge=0.0, le=1e6)]
    minimum_free_files: Annotated[int, Field(ge=0, le=1_000_000_000)]
    clock_tolerance_hours: Annotated[float, Field(ge=0.0, le=8_760.0)]
    late_after_hours: Annotated[float, Field(ge=1.0, le=8_760.0)]
    copy_late_after_days: Annotated[float, Field(ge=1.0, le=366.0)]
    log_megabytes: Annotated[float, Field(ge=0.1, le=10_000.0)]
    log_files: Annotated[int, Field(ge=1, le=1000)]
    command: tuple[Annotated[str, Field(min_length=1, max_length=4096)], ...]
    command_seconds: Annotated[float, Field(ge=1.0, le=86_400.0)]


class BackupSettings(TomlTable):
    """How many of the automatic copies of what people said are kept."""

    daily_copies: Annotated[int, Field(ge=1, le=1000)]
    monthly_copies: Annotated[int, Field(ge=1, le=1000)]


class TidySettings(TomlTable):
    """What ``clutchlight tidy`` keeps of that which can be computed again."""

    scan_days: Annotated[float, Field(ge=0.0, le=36_500.0)]
    copies_gb: Annotated[float, Field(ge=0.0, le=1e6)]
    log_days: Annotated[float, Field(ge=0.0, le=36_500.0)]


class PageSettings(TomlTable):
    """How the pages look. The defaults are those of ``settings.toml``, for pages without settings."""

    station: Annotated[str, Field(max_length=100)] = ""
    review_address: Annotated[str, Field(max_length=300, pattern=r"^(https?://[^\s\"'<>]+)?$")] = ""
    stale_after_hours: Annotated[float, Field(gt=0.0, le=10_000.0)] = 36.0
    time_zone: Annotated[str, AfterValidator(_known_time_zone)] = ""
    language: Annotated[str, AfterValidator(_known_language)] = SOURCE_LANGUAGE
    decimal_mark: DecimalMark = ""
    season_first_month: Annotated[int, Field(ge=1, le=12)] = 1

    def local_time(self, moment: dt.datetime) -> dt.datetime:
        """The same moment in the time zone of the pages."""
        return moment.astimezone(ZoneInfo(self.time_zone) if self.time_zone else None)

    def style(self) -> AbstractContextManager[None]:
        """Inside it, text is as the pages have it: their language, and their decimal mark."""
        return page_style(self.language, self.decimal_mark)


PLAIN_PAGES = PageSettings()
"""Pages without settings."""


class SettingsTables(TomlTable):
    """The tables of ``settings.toml``, and of a user's own file."""

    ingest: IngestSettings
    detect: DetectSettings
    track: TrackSettings
    estimate: EstimateSettings
    change: ChangeSettings
    sizes: SizeSettings
    shell_signs: ShellSignSettings
    flags: FlagSettings
    run: RunSettings
    cluster: ClusterSettings
    night: NightSettings
    backups: BackupSettings
    tidy: TidySettings
    pages: PageSettings
