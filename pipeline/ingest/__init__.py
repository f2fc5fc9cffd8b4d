"""Clip to frames: a stream of pictures, the sector that holds echoes, and whether a frame is of use.

The modules are imported by name; this page names them only, so that nothing heavy is loaded with it.

frame          Frame, Picture, ClipError
clip           open_clip, Clip
identity       identify_recording, RecordingIdentity, file_sha256, file_state
recordings     is_recording, is_dicom, is_still
video          open_video, open_embedded_video        display      pictures as players show them
colours        what a picture has beside its brightness, coarsely
stills         pictures, folders and pages of them
dicom          open_dicom, DicomRecording     dicom_header what is asked of one before anything is decoded
dicom_pixels   its pictures                   palette      colours by number         fragments  a stream in pieces
header_reader  headers of bounded size        frame_times  when each frame was taken
regions        read_region_calibration, RegionCalibration  region_sector  find_sector_with_regions
echoes         find_echoes                    beams        what a shape of a sector makes of them
fan, slab      the shapes of sectors          apex, fan_search  which fan
sector         find_sector, Sector            outline      what plain screen leaves blank
ruler          find_ruler, Ruler
beam_map       BeamMap                        flow         ColourDopplerDetector
quality        FrameQualityAssessor, FrameQuality       judged       UsableFrames              clip_quality  ClipQuality
"""
