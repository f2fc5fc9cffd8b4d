"""A linear array simulated by PyMUST: SIMUS for the echoes, its delay-and-sum matrix for the picture.

Seven plane waves over the angles of the aperture, added up, focus at every depth in both directions. All in 2D, without
attenuation. Lengths in mm, frequencies in MHz; x along the face, z away from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pymust
from numpy.typing import NDArray
from scipy.signal import hilbert

SPEED = 1.54  # mm/us
FREQUENCY = 5.0
F_NUMBER = 2.0
_ANGLES = np.linspace(-1, 1, 7) * np.arctan(1 / (2 * F_NUMBER))

Numbers = NDArray[np.float64]
Picture = NDArray[np.complex128]


@dataclass(frozen=True)
class Scatterers:
    """N points at x, z (N,) mm of reflectivity (N,)."""

    x: Numbers
    z: Numbers
    reflectivity: Numbers


def array() -> pymust.utils.Param:
    """64 elements over 19 mm, of 60 % bandwidth."""
    param = pymust.utils.Param()
    param.fc, param.bandwidth, param.fs = FREQUENCY * 1e6, 60.0, 4 * FREQUENCY * 1e6
    param.Nelements, param.pitch, param.kerf, param.radius = 64, 0.3e-3, 0.03e-3, np.inf
    param.c, param.attenuation, param.fnumber = SPEED * 1e3, 0.0, F_NUMBER
    return param


def pulse_envelope() -> tuple[Numbers, float]:
    """The pulse as it comes back from a point: its envelope, and the step between its samples along the beam, mm."""
    pulse, time = pymust.getpulse(array(), 2)
    return np.abs(hilbert(pulse)), float(time[1] - time[0]) * 1e6 * SPEED / 2


def pictures(parts: list[Scatterers], x: Numbers, z: Numbers) -> list[Picture]:
    """Complex echoes of each part alone at the places x, z (H, W) mm; those of several together are their sum."""
    param, options = array(), pymust.utils.Options()
    options.dBThresh, options.WaitBar = -40.0, False  # frequencies of less than this in the pulse are left out
    drawn = [np.zeros(x.shape, dtype=np.complex128) for _ in parts]
    for angle in _ANGLES:
        delays = pymust.txdelay(param, float(angle))
        received = [
            pymust.simus(part.x * 1e-3, part.z * 1e-3, part.reflectivity, delays, param, options)[0] for part in parts
        ]
        longest = max(map(len, received))  # deeper echoes last longer; one matrix serves all
        time = np.arange(longest)[:, None] / param.fs
        beamformer = pymust.dasmtx(1j * np.array([longest, param.Nelements]), x * 1e-3, z * 1e-3, delays, param)
        for echoes, picture in zip(received, drawn, strict=True):
            # Not by its own demodulation, whose filter makes the pulse longer by a seventh.
            analytic = np.pad(hilbert(echoes, axis=0), ((0, longest - len(echoes)), (0, 0)))
            demodulated = analytic * np.exp(-2j * np.pi * param.fc * time)
            picture += (beamformer @ demodulated.flatten(order="F")).reshape(x.shape, order="F")
    return drawn
