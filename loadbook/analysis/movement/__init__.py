"""How much parts moved: working scales, set-asides, treatments compared, content, lots, scatter, blunders."""
