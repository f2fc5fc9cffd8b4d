"""What people said: answers, signatures, outcomes and accounts, in one SQLite file that cannot be computed again.

Stored. `journal` is the file (``people.sqlite``, `schema`) as the rest of the program uses it: entries are only added,
and form a hash chain (`chain`) whose end is also in ``people.head`` (`head_file`). `loss` tells a new folder from one
whose file was lost, ``revisions`` make and change its tables (Alembic), and `earlier_files` moves what earlier versions
kept elsewhere. `dated_copies` makes copies while others read and write, and `restoring` puts one back.

Meant. `answers` defines the kinds of answers, `event_log` stores them by exam with the snapshots that they refer to,
`signatures` says which exams are signed, `outcome_record` keeps what was later learned of the eggs, and `users` who may
log in, or is chosen from the list at the machine itself.
"""
