"""Phantom clips: the moving hand, the screen, the recorder, and the ground truth beside them."""
