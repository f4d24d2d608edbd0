"""The questions over a group of plants."""
