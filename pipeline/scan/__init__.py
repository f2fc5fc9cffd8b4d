"""Reads each clip once: frames to detections, tracks, the best picture of each track and the clip's scale.

clip_scan        the scan itself; start here
frame_consumer   what a class that collects something over a clip looks like; track_signs, best_frames, probe_motion and
                 detection_table are such classes
serialization    a finished scan as bytes for the store; packed_scan hands these on, with what a run must know of them
"""
