"""Attacks on the program itself, each with a number: what must stop no night, lose no record and forge no signature.

``run_attacks`` runs them all. `kills` ends processes at any moment, `hostile_files` hands in recordings and side files
that were made to do harm, `bit_flips` changes single bits of the databases, `forgeries` changes what people said behind
the program's back, and `strangers` sends requests without login. ``sample_folder`` is what they attack, ``victim`` runs
in processes that are killed, and ``attack_report`` holds what came of it.
"""
