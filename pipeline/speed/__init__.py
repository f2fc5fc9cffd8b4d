"""Measures what a night costs in processor time and memory.

`stage_clock` times chosen functions of the program from outside. `clip_costs` says what each stage of one clip costs a
frame, beside bare decoding; `network_costs` what the network alone costs, beside what its operations and bytes allow;
`night_costs` what whole batches cost, and how that grows, and `night_table` prints it. `film` makes the clips.
"""
