"""Phantom clips with ground truth: a moving probe, the machine's screen, a recorder, and files on disk.

``hand`` moves the probe and ``tissue_motion`` the tissue; ``probe_path`` is the path of the scan plane through it.
``film`` renders the frames, ``screen`` draws what surrounds the sector, ``recorder`` and ``camera`` change the pictures
on their way into a file. ``clips`` writes the files and ``truth`` the ground truth. ``unseen_animals`` are animals that
training never shows.
"""
