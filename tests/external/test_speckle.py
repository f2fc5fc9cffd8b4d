"""Speckle of plain tissue against SciPy's Rayleigh distribution."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray

from tests.synthetic.acoustic_bench import bodies, console, linear, offsets, render, tissue


@pytest.fixture(scope="module")
def envelope() -> NDArray[np.float64]:
    """Amplitudes from about the focus, thinned so that neighbours are independent."""
    batch = 32
    beams = render(
        bodies(batch, noise_offset=offsets(batch, 11)),
        linear(batch, frequency_mhz=5),
        console(batch, f_number=3),
        tissue(2),
        lines=96,
        samples=192,
    )
    # 0.8 mm at 5 MHz and F 3 across, and 0.23 mm along: every third line and sample is another cell.
    thinned = beams.echo_db[:, 6:-6:3, 70:126:3]
    return np.asarray(10 ** (thinned.flatten().double().numpy() / 20))


def test_amplitudes_are_rayleigh(envelope: NDArray[np.float64]) -> None:
    scale = np.sqrt((envelope**2).mean() / 2)
    distance = scipy.stats.kstest(envelope, "rayleigh", args=(0, scale)).statistic
    assert distance < 0.03
    # A Rician distribution, as of tissue with a strong even echo, is far off, so the distance can tell them apart.
    other = scipy.stats.rice(2.0, scale=scale / np.sqrt(3)).rvs(len(envelope), random_state=1)
    assert scipy.stats.kstest(other, "rayleigh", args=(0, scale)).statistic > 0.06


def test_higher_moments_are_those_of_rayleigh(envelope: NDArray[np.float64]) -> None:
    """Skewness of the envelope 0.631 and of its level -1.14; P(A > 2 rms) = e^-4 = 0.0183 (computed)."""
    assert scipy.stats.skew(envelope) == pytest.approx(0.631, abs=0.12)
    assert scipy.stats.skew(np.log(envelope)) == pytest.approx(-1.14, abs=0.15)
    beyond = (envelope > 2 * np.sqrt((envelope**2).mean())).mean()
    assert beyond == pytest.approx(np.exp(-4), abs=0.006)
