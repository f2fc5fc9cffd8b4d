"""Sizes and channels of the network's input and output, for code that does not need the network itself."""

from __future__ import annotations

__all__ = ["CHANNELS", "CHANNEL_COUNT", "INPUT_SIDE_PX", "LOG_AXIS_RANGE", "LOG_ERROR_RANGE", "STRIDE"]

INPUT_SIDE_PX = 256  # side of the square picture that goes in
STRIDE = 4  # px of the picture to one cell of the output grid

# What each output channel says about the object whose centre is near a cell.
CHANNELS = {
    "centre": slice(0, 1),  # logit that a centre is here
    "stage": slice(1, 4),  # logits of follicle, thin-shelled, calcified
    "offset": slice(4, 6),  # from the cell's middle to the object's centre, in cells
    "shape": slice(6, 9),  # matrix logarithm of the outline's axes, in cells
    "uncertainty": slice(9, 11),  # log of the expected absolute error of offset (cells) and of the log semi-axes
}
CHANNEL_COUNT = 11

# Limits of the logarithms that the network puts out: an untrained one may give anything, and exp() would overflow.
LOG_AXIS_RANGE = (-4.0, 6.0)  # "shape": semi-axes of 0.02 to 400 cells, smaller and larger than in any picture
LOG_ERROR_RANGE = (-6.0, 4.0)  # "uncertainty": errors of 0.0025 to 55
