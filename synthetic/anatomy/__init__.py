"""Synthetic animals: bodies, clutches and organs in three dimensions, packed without overlap.

bodies : kinds of ellipsoids, and sets of them;  species : ranges of sizes, from ``configs/phantoms``
clutch : eggs and follicles;  organs : everything else;  packing : bodies pushed apart
animal : a complete animal;  limits : checks of settings
"""
