"""The sheet as one A4 page: ``report.pdf``."""
