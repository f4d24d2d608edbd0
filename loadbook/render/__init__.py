"""What people see: tables, charts, pages, letter, workbook. Draws result objects and decides nothing."""
