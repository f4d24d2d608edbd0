"""Cycles planned and reviewed, trials, advice, control charts."""
