"""Several methods on the same frames: figures with intervals over animals, and paired differences.

`statistics` makes each figure a function of how often each animal counts, `resampling` draws those numbers and turns
them into intervals, `entries` collects what is compared, and `compare` and `comparison_table` do and show it.
`animal_strata`, `object_strata` and `recording_strata` are the kinds of animals and objects by which figures are given,
`stated_trust` what a method's own confidence is worth.
"""
