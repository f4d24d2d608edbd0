"""Taking in: text and workbook readers, recorder layouts, the intake of each kind."""
