"""The answers a user gives on the command line, and the questions they settle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from loadbook.core.errors import OpenQuestion

from .layout import ChannelRule, Layout, with_rules

ORDERS = {"day-first": "dmy", "month-first": "mdy", "year-first": "ymd"}


@dataclass(frozen=True)
class Question:
    """Something that the file does not settle, and the option that does."""

    text: str
    option: str


@dataclass(frozen=True)
class Options:
    """What was answered beforehand; everything '' or empty is still open.

    start    the moment of the first row, or its date where the file has clock times without dates; 'run' takes the
             run's own start, 'file' what a line above the heading, or the file's name, says
    zero     the moment of count 0, for times that count from one
    stretch  which part of a file is meant whose clock begins again: '1', '2', ...; 'days' (each the next day), 'all'
    fold     'first' or 'second' pass of a repeated hour
    These four are never kept in a layout.
    """

    encoding: str = ""
    delimiter: str = ""
    decimal: str = ""
    thousands: str = ""
    sheet: str = ""
    shape: str = ""
    date_order: str = ""
    time: tuple[str, ...] = ()
    time_kind: str = ""
    time_unit: str = ""
    epoch: str = ""
    zone: str = ""
    unit: str = ""
    sentinel: tuple[str, ...] = ()
    blank: tuple[str, ...] = ()
    reading: tuple[str, ...] = ()
    blank_times: str = ""
    repeated_times: str = ""
    short_rows: str = ""
    status: str = ""
    skip: tuple[str, ...] = ()
    channel: tuple[ChannelRule, ...] = field(default=())
    time_format: str = ""
    heading: str = ""
    columns: str = ""
    floor: tuple[str, ...] = ()
    scale: tuple[str, ...] = ()
    believe: tuple[str, ...] = ()
    fold: str = ""
    start: str = ""
    zero: str = ""
    stretch: str = ""

    @property
    def about_time(self) -> bool:
        """Do the options say how the time column is to be read."""
        return bool(
            self.date_order or self.time or self.time_kind or self.time_unit or self.epoch or self.time_format
            or self.heading or self.columns or self.shape
        )  # fmt: skip

    def on(self, layout: Layout) -> Layout:
        """The layout with the answers that need no look at the file."""
        plain: dict[str, Any] = {
            name: value
            for name in (
                "encoding", "delimiter", "decimal", "thousands", "sheet", "shape", "zone", "unit",
                "blank_times", "repeated_times", "short_rows", "status", "heading", "columns",
            )
            if (value := getattr(self, name))
        }  # fmt: skip
        if plain.get("thousands") == "none":
            plain["thousands"] = ""
        if self.time_format:
            plain["written_time"] = self.time_format
        lists: dict[str, Any] = {
            "open_values": _joined(layout.open_values, self.sentinel),
            "missing_values": _joined(layout.missing_values, self.blank),
            "readings": _joined(layout.readings, self.reading),
            "skip": _joined(layout.skip, self.skip),
            "floors": _joined(layout.floors, self.floor),
            "scales": _joined(layout.scales, self.scale),
            "believed": _joined(layout.believed, self.believe),
        }
        return with_rules(replace(layout, **plain, **lists), self.channel)


def _joined(old: tuple[str, ...], new: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*old, *new)))


def stop(questions: Sequence[Question], where: str) -> None:
    """Raise OpenQuestion where anything is open; all of it is told at once."""
    distinct = list(dict.fromkeys(questions))
    if not distinct:
        return
    if len(distinct) == 1:
        raise OpenQuestion(distinct[0].text, where=where, option=distinct[0].option)
    text = f"{len(distinct)} questions are open" + "".join(f"\n  {q.text}: {q.option}" for q in distinct)
    raise OpenQuestion(text + "\n  All of them must be answered", where=where, option=" and ".join(_short(distinct)))


def _short(questions: Sequence[Question]) -> list[str]:
    return list(dict.fromkeys(q.option.split(" ")[0] for q in questions))
