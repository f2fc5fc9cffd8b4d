"""Clip to frames: a stream of pictures, the sector that holds echoes, and whether a frame is of use."""
