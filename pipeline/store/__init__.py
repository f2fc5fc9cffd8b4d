"""What persists between runs: the database of an output folder, its lock, and files that are written atomically.

``store`` is the database as the rest of the program uses it (`records`), ``schema`` its tables. `output_database` says
which database a folder has. Each kind has a module behind the interface of `database`: `sqlite_database`, and
`postgresql_database` with ``server_...``. SQL that must be worded for each is in `sql_functions` and `column_types`. A
folder on a drive that others share needs the second (`network_drives`). ``lock`` keeps two runs apart, with either.

``seen_folders`` is another database, of what need not be looked at again. Versions are made and changed by
``revisions`` (Alembic, `schema_versions`), an SQLite file after a copy (`dated_copies`). ``exam_lists`` orders and
filters exams for the review. Each row has a hash (`row_hashes`), by which `damaged_rows` finds what the disk has
changed.
"""
