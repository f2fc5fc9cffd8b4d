"""The command line of ``clutchlight``: its commands, their options, progress and exit codes."""
