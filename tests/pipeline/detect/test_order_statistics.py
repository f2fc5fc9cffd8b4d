from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from pipeline.detect.order_statistics import medians, quantile

LEVELS = st.floats(0, 255)


@given(arrays(np.float64, array_shapes(min_dims=1, max_dims=2, max_side=30), elements=LEVELS))
def test_medians_are_those_of_numpy(values: np.ndarray) -> None:
    assert np.array_equal(medians(values), np.median(values, axis=-1))


@given(arrays(np.float64, st.integers(1, 60), elements=LEVELS), st.floats(0, 1))
def test_quantiles_are_those_of_numpy(values: np.ndarray, share: float) -> None:
    assert quantile(values, share) == np.quantile(values, share)


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_the_ends_are_the_smallest_and_the_largest(share: float) -> None:
    assert quantile(np.array([3.0, 1.0, 2.0]), share) == (1.0, 3.0)[round(share)]
