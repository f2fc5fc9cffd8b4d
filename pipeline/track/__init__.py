"""Follows objects through one clip: detections to tracks, and how the probe moved. ``merging`` joins tracks to eggs.

tracker            links detections frame by frame; association holds its costs, live_track what it knows of one track
track_evidence     how sure a track is, and of what stage
thumbnails         small pictures of the frames; frame_likeness compares every two of them
probe_course       where along its way the probe was in every frame; course_search finds it and the turns of the hand
"""
