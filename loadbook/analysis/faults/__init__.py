"""Suspected sensor faults: one detector a file, what they look at (channels), how findings are joined (find)."""
