"""From a recording to frames: decoding, the sector that holds echoes, and the quality of each frame.

Import the modules by name. Nothing is imported here, so that importing the package stays cheap.

clip                 `open_clip`: one recording as a stream of frames
frame                the types of a picture and of a frame, and the errors of a recording
file_types           which files are recordings, by their names
recording_identity   digests that identify a recording whatever its name
video, stills        decoders of videos and of still pictures
display, chroma      decoded pictures as a player shows them: brightness and coarse colour
coded_picture        what a JPEG or JPEG 2000 picture declares, read before it is decoded
dicom                DICOM files: header, pixels, frame times, physical scale
sector               where on the screen the echoes are, and the ruler next to them
quality              which frames can be used, and why the others cannot
"""
