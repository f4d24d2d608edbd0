"""Cycle files in TOML: keys, tables, and taking one in."""
