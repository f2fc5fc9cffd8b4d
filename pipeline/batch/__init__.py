"""The nightly run: find exams, read new clips, estimate, write the files, and resume after an interruption.

``run`` is the run from beginning to end, and ``exam_processor`` takes its exams through it; ``exam_job`` is what a
worker does for one of them. ``clip_reuse`` gives each clip's scan, from the store or by reading the clip, and
``exam_scans`` those of whole exams for measuring and learning.
``workers`` are the processes that read clips and estimate exams, ``identification`` has them compute digests, and
``refused_recordings`` remembers what killed or outlasted one. ``duplicates`` finds recordings that are there twice.
``animal_background`` and ``stored_summaries`` give what is known from earlier runs. ``run_context`` is what all exams
of a run share; ``run_report`` and ``events`` are what it reports at the end and on the way. ``known_exams`` are those
that need no look, by their ``exam_basis`` and the ``result_version``; ``gone_recordings`` finds those whose recordings
are gone, ``moved_recordings`` notes it on their sheets, and ``damaged_results`` finds what the disk has changed.
``settling`` waits for recordings that are still being copied, ``animal_folders`` orders an animal's exams. ``overview``
brings the files over all exams up to date: ``season_overview`` writes those of the ``seasons_in_store`` that have
changed, ``overview_facts`` is what is remembered of them. ``nightly_copy`` copies what people said.
"""
