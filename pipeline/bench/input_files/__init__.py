"""Measures how input files are read, without any detection: damaged and hostile files, reading speed and sectors.

`sample_files` writes small intact files of every kind, `file_damage` damages them, and `fuzz` reads them by the
thousand. `hostile_media` are files that were made to exhaust the machine. `reading_trial` reads both in a worker.
`reading_speed` compares reading a clip with decoding it. `sector_accuracy` compares found sectors with those that
`simulated_screens` shows. `input_report` puts them together.
"""
