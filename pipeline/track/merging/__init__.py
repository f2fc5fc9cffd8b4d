"""Tracks to eggs: which tracks of an exam show the same egg, and how sure that is.

merge              the three steps in order; start here
within_clip        step 1: tracks of one clip, with crossings along the course of the hand; passes
window_alignment   steps 2 and 3: clips of one window, and both windows, with same_place, scan_offsets and alignment
egg_matching       how many and which objects of two sets are the same, given likelihood ratios
"""
