"""Detections to tracks within a clip, and tracks to eggs over revisits, clips and windows."""
