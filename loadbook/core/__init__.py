"""Errors, units, times, files from outside, the vocabulary as data. Standard library only; anything may call it."""
