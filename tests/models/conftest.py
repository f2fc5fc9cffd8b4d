from __future__ import annotations

from collections.abc import Iterator

import pytest
import torch


@pytest.fixture(autouse=True, scope="module")
def one_thread() -> Iterator[None]:
    """Small tensors gain nothing from more threads, and lose much where other programs want the processor too."""
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)
