"""Asking: read what a question needs, call the calculation floor, give result objects."""
