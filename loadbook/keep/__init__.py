"""Keeping floor: the book on disk, its records, its trace files and the analytic session."""
