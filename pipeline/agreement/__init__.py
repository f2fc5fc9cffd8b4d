"""A centre's own record: what was estimated, held against what was later known.

``outcome_file`` reads outcomes, ``pairs`` finds the exam that each tells of, ``agreement`` has the statistics,
``figures`` makes them by species and by hand, ``plot`` and ``page`` show them.
"""
