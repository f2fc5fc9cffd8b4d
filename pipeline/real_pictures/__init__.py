"""Measures the detector and the counting on real pictures that somebody has: folders that are named, never kept.

``found_objects`` reads one recording as an exam of its own. `ovals` compares outlines with those of experts, `egg_free`
counts what is found where nothing is, `look_alikes` tells how often a dark round region is taken for a follicle,
`tracked_sweeps` compares the map of a sweep with the tracked probe (files by `meta_image`), and `constructed_motion`
slides a window over real pictures with a known number of ovals. `folders` runs them all, `table` prints them.
"""
