"""Work that may fail badly, in a process of its own under limits of memory and time.

``worker`` starts the process, gives it jobs and ends it at a limit. ``job_pool`` is what does jobs side by side,
wherever the processes are, and ``pool`` that of this machine.
``job_loop`` is what runs in the process. ``limits`` are the limits, ``process_use`` tells how much memory and processor
time a process takes, and ``library_threads`` how many threads it may use; ``server_start`` sets that.
"""
