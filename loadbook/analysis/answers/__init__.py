"""How much the next ones will move: cells, design, fit, back-test, bound, refusal, what would narrow it."""
