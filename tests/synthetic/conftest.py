"""Fixtures of the tests of training runs."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from synthetic.training import training_run


@pytest.fixture(scope="module")
def few_interim_pictures() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(training_run, "_INTERIM_PICTURES", 6)
        yield
