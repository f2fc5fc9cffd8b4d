"""The job, in the order in which data flows: exams, ingest, detect, track, scan, estimate, store, report, batch."""
