"""The command line: one module for each group of commands, and what they share.

``app`` puts the commands together. ``options`` are the options that several commands share, ``exit_codes`` lists all
exit codes, and ``error_handling`` maps errors to them. ``batch_runner`` runs a batch for a command, ``progress`` shows
how far it is, and ``batch_summary`` prints how it ended.
"""
