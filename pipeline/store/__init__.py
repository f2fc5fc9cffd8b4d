"""What the nightly runs keep: the SQLite store, its schema and lock, and files that are written whole or not at all."""
