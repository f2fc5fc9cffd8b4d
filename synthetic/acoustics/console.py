"""How a machine is set, and the body wall that it looks through."""

from __future__ import annotations

from dataclasses import dataclass

from torch import Tensor

from synthetic.anatomy.limits import require_not_negative, require_positive

__all__ = ["Console"]

_POSITIVE = ("f_number", "focus_mm", "bandwidth")
_NOT_NEGATIVE = (
    *("skin_mm", "fat_mm", "muscle_mm", "attenuation"),
    *("slice_thickness_mm", "unevenness_db", "layers_db", "reverberation"),
)


@dataclass(frozen=True)
class Console:
    """Settings of B machines, and the animals' body walls; each (B,) float32.

    skin_mm, fat_mm, muscle_mm : thickness of the layers of the body wall
    attenuation : of soft tissue, dB/cm/MHz, which the depth gain (TGC) compensates
    tgc_error : error of that compensation, as a share of it
    noise_db : electronic noise at the probe's face, dB against soft tissue;  clutter_db : clutter near the face
    f_number, focus_mm, bandwidth : of the point spread function (bandwidth as a share of the frequency)
    slice_thickness_mm : of the slice across the plane;  unevenness_db : of the background
    layers_db : level of sheets and fibres in the background
    reverberation : share of the body wall's echoes that return a second time

    Raises PhantomError, naming the setting, for a negative thickness and for any other value that no machine can have.
    """

    skin_mm: Tensor
    fat_mm: Tensor
    muscle_mm: Tensor
    attenuation: Tensor
    tgc_error: Tensor
    noise_db: Tensor
    clutter_db: Tensor
    f_number: Tensor
    focus_mm: Tensor
    bandwidth: Tensor
    slice_thickness_mm: Tensor
    unevenness_db: Tensor
    layers_db: Tensor
    reverberation: Tensor

    def __post_init__(self) -> None:
        require_positive("console", **{name: getattr(self, name) for name in _POSITIVE})
        require_not_negative("console", **{name: getattr(self, name) for name in _NOT_NEGATIVE})
