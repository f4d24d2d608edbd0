"""The letter as a page and as PDF, with its picture."""
