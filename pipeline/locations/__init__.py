"""Where recordings are: in folders of this machine, or on object storage such as S3.

``location`` is what both have in common, so that all else reads them in the same way: a `pathlib.Path` is one kind of
location, ``object_path`` is the other. ``object_file`` is one open object, ``storage_errors`` are its errors in plain
words, and ``file_state`` shows whether a file has changed.
"""
