"""Tracks to eggs: which tracks of an exam show the same egg, and how sure that is."""
