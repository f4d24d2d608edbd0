"""Charts as files (Altair), in a terminal, and the pen for small pictures."""
