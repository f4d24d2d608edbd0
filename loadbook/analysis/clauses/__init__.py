"""The clauses of a cycle: what limits and segments demand, and on which series; `judge` is the way in."""
