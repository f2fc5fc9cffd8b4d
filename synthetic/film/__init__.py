"""Phantom clips with ground truth: a moving probe, the machine's screen, a recorder, and files on disk.

``sweeping_hand`` and ``fanning_hand`` are what hands intend (``hand_motion``), ``hand_events`` what happens to them;
``hand`` makes a ``sweep`` of both, and ``tissue_motion`` moves the tissue. ``probe_path`` is the path of the scan plane
through it. ``machine`` is the machine, ``screen`` and ``panel_screen`` draw what surrounds its sector on a
``screen_canvas``; ``film`` renders the frames, ``recorder`` and ``camera`` change the pictures on their way into a
file. ``world`` names the models that an animal is made of, ``subjects`` plans animals and clips, ``clips`` writes the
files, side by side in ``filming_processes``, and ``truth`` the ground truth. ``unseen_animals`` are animals that
training never shows.
"""
