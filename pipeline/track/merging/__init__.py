"""Tracks to eggs: which tracks of an exam show the same egg, and how sure that is.

merge              the three steps in order; start here
stitching          step 1a: tracks broken by a gap, with picture_motion and plane_revisit
pass_merging       step 1b: passes of a probe that turned back, with turn_search
window_alignment   steps 2 and 3: clips of one window, and both windows, with scan_offsets and alignment
egg_matching       how many and which objects of two sets are the same, given likelihood ratios
"""
