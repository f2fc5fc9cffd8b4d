"""What persists between runs: the SQLite database of an output folder, its lock, and files that are written atomically.

``store`` is the database as the rest of the program uses it (`records`), ``schema`` its tables. ``seen_folders`` is
another one, of what need not be looked at again. Their versions are made
and changed by ``revisions`` (Alembic, `schema_versions`), after a copy (`dated_copies`). ``exam_lists`` orders and
filters exams for the review. Each row has a hash (`row_hashes`), by which `damaged_rows` finds what the disk has
changed.
"""
