"""Folders and side files to exams: one animal, one date, one or more clips, and what a person noted beside them."""
