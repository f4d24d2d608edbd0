"""How much a file from outside may hold, in one place. A file over a limit is refused, with the limit named.

The figures are several times what a shop's recorder or office writes, and small enough that reading at the limit
stays within about 3 GB of memory (DEVELOPERS.md gives what was measured).
"""

import csv
from collections.abc import Iterator
from contextlib import contextmanager

MIB = 1024 * 1024

LARGEST_FILE = 128 * MIB  # bytes of a recorder's or an intake file
LARGEST_TEXT = 1_000_000  # bytes of a cycle, a layout or an SQL file
LARGEST_UNPACKED = 256 * MIB  # bytes of XML in a workbook, unpacked
MOST_PARTS = 2_000  # files inside a workbook
MOST_ROWS = 5_000_000  # rows of a recorder's file
MOST_RECORDS = 250_000  # rows of an intake file
MOST_COLUMNS = 2_000
MOST_CELLS = 10_000_000  # rows times columns
LONGEST_CELL = 32_767  # characters, as many as a spreadsheet's cell holds
LONGEST_NAME = 500  # characters of a column's heading
DEEPEST = 20  # levels of tables and lists in a TOML text
LARGEST_MANIFEST = 64 * MIB  # bytes of a backup's list of files
LARGEST_PACKING = 200  # times its size that a backup may unpack to


@contextmanager
def cells_within_limit() -> Iterator[None]:
    """Within it the csv module refuses a cell beyond LONGEST_CELL; the limit is the whole process's: it is put back."""
    before = csv.field_size_limit(LONGEST_CELL)
    try:
        yield
    finally:
        csv.field_size_limit(before)
