"""Measures how good the program is, by comparing what a batch or another method found with the ground truth.

A data set comes from `ground_truth` (or `egg_free_data_set`), and what a batch or another method found in it from
`results`, which reads our own output and public formats; `methods` runs a function of anybody's over the clips, `peers`
holds classical ones, and `comparison` measures several methods on the same frames. `detection_matching` matches the
two. Each ``*_metrics`` module measures one thing; `data_set_metrics` collects all of it, and `metrics_table`,
`counting_table` and `metrics_plots` show it to people. `frame_rates` compares the counts of clips that `thinned_scans`
reads at several frame rates, and `turn_metrics` measures the turns of the probe that are found. `label_metrics`
compares two networks on reviewed frames, `other_trackers` compares our tracks with those of other libraries, and
`counting_speed` measures the cost of counting. `input_files` measures how files are read. `export` writes a data set
for other programs.
"""
