"""What a fact is, as data: intake columns, words, parameters, clauses, faults, methods. `explain` reads it."""
