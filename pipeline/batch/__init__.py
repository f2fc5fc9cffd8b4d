"""The nightly run: plan, read what is new, estimate, write, resume."""
