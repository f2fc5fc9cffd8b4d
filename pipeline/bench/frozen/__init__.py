"""Frozen benchmarks: phantoms that a versioned file defines, so that figures can be compared years later.

`definition` reads the file, `clip_contents` says what a clip holds, `contents_check` compares that with what was
frozen, and `making` films what is missing.
"""
