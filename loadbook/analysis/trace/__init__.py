"""A run's trace: its records, sensors, corrections and validity, phases, rates, soak, dose, conduction and lag."""
