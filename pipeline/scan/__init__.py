"""One clip, read once: frames to detections, tracks and the pictures worth keeping."""
