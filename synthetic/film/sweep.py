"""Where a probe is in every frame of a clip.

Body coordinates as in synthetic.anatomy.animal. The probe is on the soft skin of the prefemoral window, in front of a
hind leg, and points inward. The limits of its speed are common practice, without a source, for ``FRAMES_PER_SECOND``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

__all__ = [
    "FRAMES_PER_SECOND",
    "MAX_PRESSING_MM",
    "MAX_STEP_MM",
    "MAX_TURN_DEGREES",
    "Direction",
    "Sweep",
    "Window",
]

Window = Literal["left", "right"]
Direction = Literal["tail to head", "head to tail"]
Numbers = NDArray[np.float64]

FRAMES_PER_SECOND = 25
# The largest intended motion from one frame to the next: over the skin (without pressing), and rotation.
MAX_STEP_MM = 1.5
MAX_TURN_DEGREES = 2.5
MAX_PRESSING_MM = 0.4  # change of the pressing depth
_MIDDLE_MM = 40.0  # depth at which the direction of a sweep is read (no source)


@dataclass(frozen=True)
class Sweep:
    """The position of the probe in each of T frames.

    origins : (T, 3) mm, the middle of the face;  rights, downs : (T, 3) unit vectors along the face and away from it
    pressure_mm : (T,) how much deeper than usual the face is pressed in (negative: less deep); included in origins
    contact : (T,) share of the face that touches the skin, 0 to 1
    is_abrupt : (T,) bool, frames reached by a slip, a kick or a lift-off; all other steps are within MAX_STEP_MM and
    MAX_TURN_DEGREES
    turns : frames, ascending, at which the hand turns back: its intended motion across the plane reverses. Where it
    rests in between, the middle of the rest. Kicks, slips, tremor and drift are no turns
    """

    window: Window
    origins: Numbers
    rights: Numbers
    downs: Numbers
    pressure_mm: Numbers
    contact: Numbers
    is_abrupt: NDArray[np.bool_]
    turns: tuple[int, ...] = ()

    @property
    def poses(self) -> Numbers:
        """(T, 6) x, y, z of the middle of the face in mm, and a rotation vector in degrees.

        The rotation is about the body's axes (right-handed, its length is the angle), from the attitude of a probe held
        straight: beam along +x in the left window and along -x in the right one, face from belly to back (+z).
        """
        inward = 1.0 if self.window == "left" else -1.0
        straight = np.array([[0.0, 0.0, 1.0], [0.0, inward, 0.0], [inward, 0.0, 0.0]])
        # Rows: along the face, across the plane, away from the face. The transpose of a rotation is its inverse.
        axes = np.stack([self.rights, np.cross(self.rights, self.downs), self.downs], axis=1)
        vectors = Rotation.from_matrix(axes.transpose(0, 2, 1) @ straight).as_rotvec(degrees=True)
        return np.concatenate([self.origins, vectors], axis=1)

    @property
    def direction(self) -> Direction | None:
        """The way that the scan plane goes along the body; None if the hand turns back, or fans up and down."""
        middles = self.origins + _MIDDLE_MM * self.downs
        along_body = abs(self.rights[:, 1]).mean() < 0.5
        if self.turns or not along_body:
            return None
        return "tail to head" if middles[-1, 1] > middles[0, 1] else "head to tail"
