"""Reading any recorder's file: the one way in for `trace look`, `trace take` and the tests."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from loadbook.core.errors import IntakeError, LoadbookError, Problem

from .known_forms import KnownForms
from .layout import Layout
from .long import read_long
from .names import read_heading
from .normalise import Reading, normalise
from .numbers import MARKS_OPTION
from .options import Options, Question
from .part import Window, chosen
from .propose import Draft, propose
from .source import Source
from .start_said import start_of, with_hint
from .table import open_table
from .unit_said import with_units_said
from .wide import HEAD_BYTES, Raw, read_fast, read_wide

HEAD_ROWS = 40  # rows below the heading that show what the columns are


@dataclass
class Read:
    """A file as read: its settled layout, the reading, and what is still open (structure first).

    columns  the names of every channel's column, of those left out too
    """

    layout: Layout
    reading: Reading
    questions: list[Question]
    notes: list[str]
    columns: list[tuple[str, ...]] = field(default_factory=list)


def read_raw(source: Source, layout: Layout, *, careful: bool = False) -> Raw:
    """The file by a settled layout: the quick way where the file is clean, else cell by cell."""
    if not careful and not source.is_workbook:
        quick = _quick(source, layout)
        if quick is not None:
            return quick
    table = open_table(source, layout)
    return read_long(table, layout, source.name) if layout.shape == "long" else read_wide(table, layout, source.name)


def _quick(source: Source, layout: Layout) -> Raw | None:
    head = None
    for most in (HEAD_BYTES // 2, HEAD_BYTES):
        try:
            head = open_table(source, layout, most_bytes=most)
        except IntakeError:
            continue  # a preamble longer than that
        if len(head.rows) >= HEAD_ROWS:
            break
    # without a head in so much of it the whole file tells more
    return read_fast(source, head, layout) if head is not None and len(head.rows) >= 4 else None


def look(
    source: Source,
    options: Options,
    *,
    layout: Layout | None = None,
    zone: ZoneInfo | None = None,
    run_started: datetime | None = None,
    known: dict[str, tuple[str, str]] | None = None,
    channels: Sequence[str] = (),
    window: Window | None = None,
    known_forms: KnownForms | None = None,
) -> Read:
    """Read a file as far as it can be, collecting every open question.

    layout    a saved layout; without one (or where the options are about the time) it is proposed
    known_forms  what was found out of other files by the same answers: a form that is known is not found out again
    channels, window  the part of the file that is wanted (part.py); nothing is asked about the rest
    Raises  IntakeError where rows cannot be read at all
    """
    draft, raw = None, None
    if layout is not None and layout.time_columns and not options.about_time:
        settled = options.on(layout)
        raw = read_raw(source, settled)
    elif known_forms is not None and layout is None and (known_form := known_forms.of(source)):
        settled = known_form
        with contextlib.suppress(LoadbookError):  # what it is about is said by the longer way
            raw = read_raw(source, settled)
        raw = None if raw is None or raw.unknown or raw.questions else raw
    if raw is None:
        draft = propose(source, options, layout)
        settled = draft.layout
        raw = _by_draft(source, draft)
        if known_forms is not None and layout is None:
            known_forms.keep(source, draft)
    columns: list[tuple[str, ...]] = [(h.name, h.full) for h in raw.headings]
    columns += [(read_heading(n).name, n) for n in raw.left_out]
    if channels:
        raw = _only(raw, chosen(raw.headings, channels, source.name))
    raw = _renamed(raw, settled, source.name)
    columns += [(h.name, h.full) for h in raw.headings if settled.renamed]
    start, dated = options.start, []
    if start == "file" and settled.time_kind == "clock":
        start = ""  # its times say their days themselves
    if start == "file":
        start, said = start_of(source, settled)
        dated = [f"begun {start}, as {said} (--start file)"]
    reading = normalise(
        raw, settled, where=source.name, start=start, zero=options.zero, stretch=options.stretch, fold=options.fold,
        zone=zone, run_started=run_started, known=known, stated=options.channels, window=window,
        counted_in="" if draft and any("--time-unit" in q.option for q in draft.questions) else " s",
    )  # fmt: skip
    settled = _with_overruled(settled, reading.overruled)
    questions = [*(draft.questions if draft else ()), *reading.questions]
    if draft and any(q.option == MARKS_OPTION for q in draft.questions):
        questions = [q for q in questions if q.option != MARKS_OPTION or q in draft.questions]
    questions = with_hint(questions, source, settled)
    notes = [*(draft.notes if draft else ()), *dated, *reading.notes]
    warm = {c.name for c in reading.channels if c.quantity == "temperature"}
    questions = with_units_said(questions, notes, raw.headings, source, settled, warm)
    return Read(settled, reading, list(dict.fromkeys(questions)), list(dict.fromkeys(notes)), columns)


def must_fit(options: Options, reads: Sequence[Read], where: str) -> None:
    """Raises IntakeError where something is said of a channel that none of the files has: a slip in its name would
    leave the channel that is meant as it was, without a word."""
    columns = [names for read in reads for names in read.columns]
    if lost := options.unfitted(columns):
        names = ", ".join(dict.fromkeys(names[-1] for names in columns))
        raise IntakeError(
            f"no channel fits {' nor '.join(lost)}", [Problem(f"the channels are {names}"[:400], where or None)],
            remedy="Correct the name, or leave it out",
        )  # fmt: skip


def _only(raw: Raw, places: list[int]) -> Raw:
    """Some channels of a file, with what is not understood in them."""
    headings = [raw.headings[i] for i in places]
    names = {n for h in headings for n in (h.name, h.full)}
    unknown = {at: found for at, found in raw.unknown.items() if at[0] in names}
    return replace(raw, headings=headings, values=raw.values[places], flags=raw.flags[places], unknown=unknown)


def _renamed(raw: Raw, layout: Layout, where: str) -> Raw:
    """The channels under the names that the run's other files have. Raises IntakeError where two get one name."""
    if not layout.renamed:
        return raw
    new = [layout.said_of(layout.renamed, h.name, h.full)[-1:] for h in raw.headings]
    headings = [replace(h, name=n[0], full=h.name) if n else h for h, n in zip(raw.headings, new, strict=True)]
    names = [h.name.casefold() for h in headings]
    twice = next((h for h in headings if names.count(h.name.casefold()) > 1), None)
    if twice is not None:
        raise IntakeError(
            f"two channels would have the name {twice.name!r}", [Problem("--rename gives it again", where)],
            remedy="Leave the other one out with --channel NAME=ignore, or give it another name too",
        )  # fmt: skip
    return replace(raw, headings=headings)


def _with_overruled(layout: Layout, overruled: dict[str, str]) -> Layout:
    """The layout with the units of the file that its rules overrule, so that it may be kept."""
    if not overruled:
        return layout
    rules = tuple(replace(r, instead_of=overruled.get(r.name, r.instead_of)) for r in layout.channels)
    return replace(layout, channels=rules)


def _by_draft(source: Source, draft: Draft) -> Raw:
    if draft.layout.shape == "long":
        return read_long(draft.table, draft.layout, source.name)
    quick = read_fast(source, draft.table, draft.layout)
    return quick if quick is not None else read_wide(draft.table, draft.layout, source.name)


def lasting(read: Read, name: str) -> Layout:
    """The layout worth keeping: with a rule for every channel that has a role, without what is this file's alone."""
    rules = list(read.layout.channels)
    for spec in read.reading.channels:
        if spec.role and read.layout.rule(spec.name) is None:
            from .layout import ChannelRule

            rules.append(ChannelRule(spec.name, spec.role))
    return replace(read.layout, name=name, channels=tuple(rules))
