"""What surrounds a nightly run, so that nobody has to watch it: what it left, what it may begin with, who is told.

``unattended_run`` is the run with all that: ``readiness`` checks disk and clock before it, ``log_file`` writes what
happens, ``night_record`` is what it leaves (``night.json``), and ``command_after`` runs a command of one's own with it.
``status`` gathers what a monitor asks for, with what ``tonight`` will find, and ``status_text`` says it in words.
``upload`` copies finished pages and files to object storage. ``tidying`` finds what may go to free space. ``growth``
measures how nights grow with the years, on ``growth_folders``, and ``growth_plot`` draws it.
"""
