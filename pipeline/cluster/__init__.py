"""Clips are read and exams estimated on many machines, by the workers of a Dask cluster (the extra ``cluster``).

``dask_pool`` is the `pipeline.worker.job_pool.JobPool` of the machine that runs the night: it gives jobs to Dask's
scheduler and takes what comes of them. ``night_on_worker`` is what runs in each of Dask's workers: it does the jobs in
processes under limits, as on one machine. ``messages`` is what the two tell each other, and
``time_limit`` ends waiting for machines that do not answer.
"""
