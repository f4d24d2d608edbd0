"""What stands in one file: of the newest months each month, of a year that is over the whole year.

A question opens every file of its tables, and for a month of one plant that costs more than reading it. So a year
stands in one file a table once late readings of it are few: when the plant's newest run began LATE months after its
end. The traces of a month that is so far back stand in one pack. Both follow from the book, not from a clock: the same
book, the same publication.
"""

from __future__ import annotations

from dataclasses import dataclass

LATE = 3  # months


@dataclass(frozen=True)
class Periods:
    """The periods of a plant. settled_before: the month ('2026-01') that is LATE months before its newest run."""

    settled_before: str

    @classmethod
    def until(cls, newest: str | None) -> Periods:
        """Of a plant whose newest run began in that month (None: it has none)."""
        if newest is None:
            return cls("")
        months = int(newest[:4]) * 12 + int(newest[5:7]) - 1 - LATE
        return cls(f"{months // 12:04}-{months % 12 + 1:02}")

    def settled(self, month: str) -> bool:
        """Are the month's traces to stand in packs?"""
        return month < self.settled_before

    def of(self, month: str) -> str:
        """The period that a month's rows stand in.

        >>> [Periods.until("2026-04").of(month) for month in ("2025-12", "2026-01")]
        ['2025', '2026-01']
        >>> Periods.until("2026-03").of("2025-12"), Periods.until("2026-03").of("2024-12")
        ('2025-12', '2024')
        """
        return month[:4] if self.settled(f"{month[:4]}-12") else month
