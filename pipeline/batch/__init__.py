"""The nightly run: find exams, read new clips, estimate, write the files, and resume after an interruption.

``run`` is the run from beginning to end, and ``exam_processor`` takes its exams through it; ``exam_job`` is what a
worker does for one of them. ``clip_reuse`` gives each clip's
scan, from the store or by reading the clip, and ``exam_scans`` those of whole exams for measuring and learning.
``clip_workers`` are the processes that read clips and estimate exams, ``identification`` has them compute digests, and
``refused_recordings`` remembers what killed or outlasted one. ``duplicates`` finds recordings that are there twice.
``animal_background`` and ``stored_summaries`` give what is known from earlier runs. ``run_context`` is what all exams
of a run share; ``run_report`` and ``events`` are what it reports at the end and on the way. ``known_exams`` are those
that need no look, by their ``exam_basis``; ``moved_recordings`` notes those whose recordings are gone, and
``damaged_results`` what the disk has changed. ``settling`` waits for recordings that are still being copied,
``animal_folders`` orders an animal's exams, and ``overview`` writes the files over all exams, for those
``seasons_in_store`` that have changed. ``nightly_copy`` copies what people said.
"""
