"""Self-contained HTML pages: shell, markup, the run's record, the month."""
