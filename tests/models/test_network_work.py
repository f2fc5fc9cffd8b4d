from __future__ import annotations

from models.network_work import NetworkWork, count_work
from models.output_channels import CHANNEL_COUNT
from models.weights_file import NetworkConfig


def test_work_is_that_of_all_convolutions() -> None:
    """One channel everywhere, no residual blocks in the encoder: the sums are short enough to write down."""
    config = NetworkConfig(widths=(1, 1, 1, 1, 1), blocks=(0, 0, 0, 0, 0))
    sides = {2: 128, 4: 64, 8: 32, 16: 16, 32: 8}
    cells = {stride: side**2 for stride, side in sides.items()}
    stem, down = 25 * cells[2], 9 * (cells[4] + cells[8] + cells[16] + cells[32])
    lateral, merged = cells[32] + cells[16] + cells[8], 2 * 9 * (cells[16] + cells[8] + cells[4])
    head = (9 * 64 + 64 * CHANNEL_COUNT) * cells[4]
    assert count_work(config).operations == 2 * (stem + down + lateral + merged + head)


def test_larger_batches_share_the_weights() -> None:
    work = NetworkWork(operations=1, activations=100, weights=40, parameters=50)
    assert work.bytes_per_picture(batch=1, bytes_per_number=2) == 280
    assert work.bytes_per_picture(batch=4, bytes_per_number=2) == 220
