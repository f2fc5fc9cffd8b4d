"""Work that may fail badly, in a process of its own under limits of memory and time.

``worker`` starts the process, gives it jobs and ends it at a limit. ``job_loop`` is what runs in the process.
``limits`` are the limits, and ``process_memory`` tells how much memory a process holds.
"""
