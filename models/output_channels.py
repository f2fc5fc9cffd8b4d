"""What goes into the network and what comes out: sizes and channels, for code that needs no network."""

from __future__ import annotations

__all__ = ["CHANNELS", "CHANNEL_COUNT", "INPUT_SIDE_PX", "STRIDE"]

INPUT_SIDE_PX = 256  # px, of the square picture that the network sees
STRIDE = 4  # px of the picture to a cell of the answer

# What each output channel says of the object whose middle is near a cell.
CHANNELS = {
    "centre": slice(0, 1),  # logit that a middle is here
    "stage": slice(1, 4),  # logits of follicle, thin-shelled, calcified
    "offset": slice(4, 6),  # from the cell's middle to the object's, in cells
    "shape": slice(6, 9),  # matrix logarithm of the outline's axes, in cells
    "uncertainty": slice(9, 11),  # log of the expected absolute error of offset (cells) and of the log semi-axes
}
CHANNEL_COUNT = 11
