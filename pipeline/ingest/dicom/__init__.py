"""DICOM recordings: headers checked before anything is decoded, pixels, frame times and physical scale.

recording      `open_dicom`: a DICOM file as a stream of pictures
header         the header, checked;  header_reader bounds what is read of it
fragments      where the compressed frames are in the file
decoders       which library decodes which compression;  lossless_jpeg is one that pydicom lacks
pixels         stored pixels to brightness and chroma;  palette handles PALETTE COLOR
frame_times    when each frame was taken
regions        scale and position of the echoes, from the Sequence of Ultrasound Regions
"""
