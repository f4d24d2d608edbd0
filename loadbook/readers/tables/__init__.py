"""Intake tables (CSV, XLSX): cells, rows, references resolved, one transaction; `take` is the way in."""
