"""Clip to frames: a stream of pictures, the sector that holds echoes, and whether a frame is of use.

The modules are imported by name; this page names them only, so that nothing heavy is loaded with it.

frame       Frame, ClipError
clip        open_clip, Clip
identity    identify, RecordingIdentity, file_sha256, file_state
dicom       open_dicom, DicomRecording
regions     read_calibration, Calibration
echoes      echo_weights
fan, slab   the shapes of sectors
sector      find_sector, Sector
region_sector  place_sector
ruler       find_ruler, Ruler
quality     FrameJudge, FrameQuality
clip_quality  ClipQuality
judged      JudgedFrames
recordings  is_recording, is_dicom, is_still
"""
