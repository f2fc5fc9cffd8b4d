"""What persists between runs: the SQLite database of an output folder, its lock, and files that are written atomically.

``store`` is the database as the rest of the program uses it, ``schema`` its tables and version.
"""
