"""Studies: networks trained alike but for one thing, and measured on the same pictures.

`definition` reads ``configs/studies``, `run_study` trains and measures what is missing, `study_sections` shows it.
"""
