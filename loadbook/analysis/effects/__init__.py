"""Which parameters go with movement: cells of runs, regression inside part numbers, several at once, the words."""
