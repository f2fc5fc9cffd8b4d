"""Frames to detections, and the visible signs of a shell that a person can check on the picture.

The signs are the bright wall, the shadow behind the egg and how bright it is inside.
"""
