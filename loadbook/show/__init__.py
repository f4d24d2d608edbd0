"""Showing: tables, charts, pages, the workbook."""
