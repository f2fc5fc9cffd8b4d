"""How fast phantoms are rendered on this machine, and what takes the time.

    python -m synthetic.training.speed [--batch 192] [--batches-per-render 3] [--batches 30]

Times the stream of labelled training pictures of a training run, on the GPU if there is one, then profiles its kernels
or operators by name.
"""

from __future__ import annotations

import argparse
import sys
import time

import torch
from torch.profiler import ProfilerActivity, profile

from synthetic.training.dataset import PhantomPictures, StreamSettings

__all__ = ["main", "pictures_per_second"]


def pictures_per_second(settings: StreamSettings, device: torch.device, *, batches: int, seed: int = 1) -> float:
    """Labelled pictures per second over ``batches``, after two renders to warm up (a GPU first compiles kernels)."""
    pictures = PhantomPictures(settings, seed, device).batches()
    for _ in range(2 * settings.batches_per_render):
        next(pictures)
    _wait(device)
    start = time.perf_counter()
    for _ in range(batches):
        next(pictures)
    _wait(device)
    return batches * settings.batch / (time.perf_counter() - start)


def _wait(device: torch.device) -> None:
    if device.type == "cuda":
        torch.cuda.synchronize(device)


def main(arguments: list[str] | None = None) -> int:
    """Print pictures per second and the slowest operators."""
    parser = argparse.ArgumentParser(description="Times the rendering of labelled training pictures.")
    parser.add_argument("--batch", type=int, default=192, help="pictures per batch")
    parser.add_argument("--batches-per-render", type=int, default=3, help="batches rendered at once")
    parser.add_argument("--batches", type=int, default=30, help="batches to time")
    parser.add_argument("--animals", type=int, default=200, help="phantoms that the pictures show")
    chosen = parser.parse_args(arguments)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    settings = StreamSettings(animals=chosen.animals, batch=chosen.batch, batches_per_render=chosen.batches_per_render)
    rate = pictures_per_second(settings, device, batches=chosen.batches)
    sys.stdout.write(f"{rate:.0f} labelled pictures per second on {_name(device)}, {chosen.batch} per batch\n")

    on_gpu = device.type == "cuda"
    pictures = PhantomPictures(settings, 1, device).batches()
    for _ in range(settings.batches_per_render):
        next(pictures)
    kinds = [ProfilerActivity.CPU, ProfilerActivity.CUDA] if on_gpu else [ProfilerActivity.CPU]
    with profile(activities=kinds) as profiler:
        for _ in range(3 * settings.batches_per_render):
            next(pictures)
        _wait(device)
    order = "self_device_time_total" if on_gpu else "self_cpu_time_total"
    sys.stdout.write(profiler.key_averages().table(sort_by=order, row_limit=15, max_name_column_width=60) + "\n")
    return 0


def _name(device: torch.device) -> str:
    if device.type == "cuda":
        return torch.cuda.get_device_name(device)
    return f"a CPU with {torch.get_num_threads()} threads"


if __name__ == "__main__":
    sys.exit(main())
