"""How well input files are read: damaged files, decoding speed and sector accuracy."""
