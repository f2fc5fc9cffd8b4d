"""Follows objects through one clip: detections to tracks, and how the probe moved. ``merging`` joins tracks to eggs.

tracker            links detections frame by frame; association holds its costs, live_track what it knows of one track
track_evidence     how sure a track is, and of what stage
probe_turns        where the probe turned back, from thumbnails of the frames; turn_mapping maps between the two passes
speckle_distance   how far the probe travelled, as a probe_path
"""
