"""Measures how input files are read, without any detection: damaged files, reading speed and sectors.

`sample_files` writes small intact files of every kind, `file_damage` damages them, and `fuzz` reads them by the
thousand in a `worker_process`. `reading_speed` compares reading a clip with decoding it. `sector_accuracy` compares
found sectors with those that `simulated_screens` shows. `input_report` puts the three together.
"""
