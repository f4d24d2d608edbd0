"""The office's workbook: a first sheet to read, tables to filter and print, charts, and what each figure means."""
