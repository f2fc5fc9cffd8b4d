"""Exams: one animal, one date, one or more clips, and what people recorded about them.

``exam_search`` finds the exams under a folder, ``folder_search`` the folders that may be exams, ``exam_folder`` reads
one of these as an ``exam``, ``exam_file`` is its optional ``exam.toml``, and ``path_checks`` rejects unsafe files and
names. ``seasons`` divides exams by date. ``folder_names`` gives the names of output files. ``outcomes`` are what became
of an animal's eggs, ``outcome_file`` reads them. ``species`` holds the reference values of species.
"""
