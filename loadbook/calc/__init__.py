"""Calculation floor: pure functions of arrays and records. No files, no SQL, no terminal."""
