"""What all tests of phantoms share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import torch


@pytest.fixture(autouse=True, scope="session")
def one_thread() -> Iterator[None]:
    """Small pictures render faster without the quarrel of threads over them."""
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)
