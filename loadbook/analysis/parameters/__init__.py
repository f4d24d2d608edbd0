"""The parameters of a run, one family a file; `compute` is the way in."""
