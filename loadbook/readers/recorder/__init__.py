"""Any recorder's file: source, grid, names, times, layout, normalising; `read` and `take` are the ways in."""
