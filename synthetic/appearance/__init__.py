"""How machines differ: from echoes along beams to the grey of a stored picture, without moving anything it shows.

machine_appearance : all of it, in order;  random_settings : how settings are drawn
contact_gap, beam_density, gain, grey_map : along the beams;  persistence : over the frames of a clip
speckle_reduction, edge_filters, shading, overlays, picture_noise, compression : on the picture
marks : a bank of words and symbols for the overlays;  smoothing : small filters that the others use
"""
