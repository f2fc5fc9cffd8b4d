"""Synthetic animals: bodies, clutches, organs and how they are packed."""
