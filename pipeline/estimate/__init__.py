"""Eggs to counts, stages, sizes, confidence and flags."""
