"""``clutchlight bench``: measure accuracy on ground truth, the reading of files, and speed."""

from __future__ import annotations

from collections.abc import Callable

from pipeline.cli.attack_command import run_all_attacks
from pipeline.cli.bench_accuracy_command import measure_accuracy
from pipeline.cli.bench_benchmark_commands import freeze, make
from pipeline.cli.bench_compare_command import compare_methods
from pipeline.cli.bench_counting_commands import measure_frame_rates, measure_turns, measure_worlds
from pipeline.cli.bench_export_command import export_data_set
from pipeline.cli.bench_input_command import measure_input
from pipeline.cli.bench_labels_command import compare_on_labels
from pipeline.cli.bench_other_trackers_command import compare_other_trackers
from pipeline.cli.bench_peers_commands import make_peers_environment, run_peer_methods, train_peer_network
from pipeline.cli.bench_real_pictures_command import measure_on_real_pictures
from pipeline.cli.bench_repeat_command import repeat_bench
from pipeline.cli.bench_speed_command import measure_speed
from pipeline.cli.bench_study_command import study
from pipeline.cli.bench_years_command import measure_years

__all__ = ["BENCH_COMMANDS"]

BENCH_COMMANDS: dict[str, Callable[..., None]] = {
    "accuracy": measure_accuracy,
    "compare": compare_methods,
    "make": make,
    "freeze": freeze,
    "repeat": repeat_bench,
    "export": export_data_set,
    "study": study,
    "frame-rates": measure_frame_rates,
    "worlds": measure_worlds,
    "turns": measure_turns,
    "real-pictures": measure_on_real_pictures,
    "input": measure_input,
    "attacks": run_all_attacks,
    "labels": compare_on_labels,
    "speed": measure_speed,
    "years": measure_years,
    "other-trackers": compare_other_trackers,
    "run-methods": run_peer_methods,
    "peers-environment": make_peers_environment,
    "train-peer": train_peer_network,
}
