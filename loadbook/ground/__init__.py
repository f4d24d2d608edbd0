"""Ground floor: errors, units, times, the vocabulary and the intake kinds. Standard library only."""
