"""The answers a user gives on the command line, and the questions they settle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from loadbook.core.errors import OpenQuestion

from .layout import Layout, Settings, fits, named_value, parse_channel_option, with_rules

ORDERS = {"day-first": "dmy", "month-first": "mdy", "year-first": "ymd"}


@dataclass(frozen=True)
class Question:
    """Something that the file does not settle, and the option that does."""

    text: str
    option: str


# the options of the command line whose names are not the settings': one value of a list, and what is stated, not found
_FIELDS = {
    "sentinel": "open_values", "blank": "missing_values", "reading": "readings", "floor": "floors", "scale": "scales",
    "believe": "believed", "rename": "renamed", "channel": "channels", "time_format": "written_time",
}  # fmt: skip


@dataclass(frozen=True)
class Options(Settings):
    """What was answered beforehand: settings, how the time is to be read, and what belongs to one file only.

    start    the moment of the first row, or its date where the file has clock times without dates; 'run' takes the
             run's own start, 'file' what a line above the heading, or the file's name, says
    zero     the moment of count 0, for times that count from one
    stretch  which part of a file is meant whose clock begins again: '1', '2', ...; 'days' (each the next day), 'all'
    fold     'first' or 'second' pass of a repeated hour
    These four are never kept in a layout.
    """

    date_order: str = ""
    time: tuple[str, ...] = ()
    time_kind: str = ""
    time_unit: str = ""
    epoch: str = ""
    fold: str = ""
    start: str = ""
    zero: str = ""
    stretch: str = ""

    @classmethod
    def named(cls, **given: Any) -> Options:
        """Options by the names that they have on the command line; `channel` as its texts.

        >>> Options.named(sentinel=("850",), channel=["TC *=work"]).open_values
        ('850',)
        """
        if "channel" in given:
            given["channel"] = tuple(parse_channel_option(text) for text in given["channel"])
        return cls(**{_FIELDS.get(name, name): value for name, value in given.items()})

    @property
    def about_time(self) -> bool:
        """Do the options say how the time column is to be read."""
        return bool(
            self.date_order or self.time or self.time_kind or self.time_unit or self.epoch or self.written_time
            or self.heading or self.columns or self.shape
        )  # fmt: skip

    def unfitted(self, columns: Sequence[tuple[str, ...]]) -> list[str]:
        """What is said of channels by a name or pattern that fits none of these columns, each given by its names."""
        said = [("channels", rule.name) for rule in self.channels]
        for name in ("open_values", "missing_values", "readings", "floors", "scales", "renamed"):
            said += [(name, named_value(text)[0]) for text in getattr(self, name)]
        said += [("believed", pattern) for pattern in self.believed]
        option = {field: name for name, field in _FIELDS.items()}
        return [
            f"--{option[name]} {pattern!r}"
            for name, pattern in said
            if pattern and not any(fits(pattern, *names) for names in columns)
        ]

    def on(self, layout: Layout) -> Layout:
        """The layout with the answers that need no look at the file."""
        stated: dict[str, Any] = {}
        for item in fields(Settings):
            value = getattr(self, item.name)
            if value and item.name != "channels":
                stated[item.name] = _joined(getattr(layout, item.name), value) if isinstance(value, tuple) else value
        if stated.get("thousands") == "none":
            stated["thousands"] = ""
        return with_rules(replace(layout, **stated), self.channels)


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
