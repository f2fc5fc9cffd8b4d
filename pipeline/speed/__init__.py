"""Measures what a night costs in processor time and memory.

`stage_clock` times chosen functions of the program from outside. `clip_costs` says what each stage of one clip costs a
frame, beside bare decoding; `night_costs` what whole batches cost, and how that grows. `film` makes the clips.
"""
