"""DICOM recordings: headers checked before anything is decoded, pixels, scale and frame times."""
