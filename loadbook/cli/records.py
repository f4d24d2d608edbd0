"""Commands on records: new, template, take, add, amend, list, show, explain."""

from __future__ import annotations

import json
import os
import re
import sys
from pathlib import Path
from typing import Any

import click

from loadbook.core import money
from loadbook.core.errors import EXIT_COULD_NOT, LoadbookError, UsageError, problem_lines
from loadbook.core.remarks import Remark
from loadbook.core.typed import quote
from loadbook.core.vocabulary.intake_kinds import BY_KIND, BY_TABLE, KINDS, Kind
from loadbook.queries.filters import Filters
from loadbook.render.tables import plain
from loadbook.store import lookup
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option, emit, files_argument, filter_options, format_option, report, to_stderr

LOADS_SHOWN = 8  # runs whose load is remarked on at intake, of one file
KIND_NAMES = tuple(k.kind for k in KINDS)


def kind_named(name: str) -> Kind:
    """An intake kind, in the singular too. Raises UsageError."""
    found = BY_KIND.get(name) or BY_KIND.get(name + "s")
    if found is None:
        from loadbook.core.phrases import did_you_mean

        hint = did_you_mean(name, list(KIND_NAMES))
        raise UsageError(
            f"there is no intake kind {name!r}", remedy=hint + "Kinds: " + ", ".join((*KIND_NAMES, "cycles"))
        )
    return found


@click.command(cls=LoadbookCommand)
@click.argument("folder", metavar="[BOOK]", default="book", type=click.Path(path_type=Path))
@click.option("--units", type=click.Choice(["si", "us"]), default="si", show_default=True, help="What the book shows.")
@click.option("--zone", default="UTC", metavar="AREA/CITY", show_default=True,
              help="Time zone of the shop's clocks.")  # fmt: skip
@click.option("--group-writable", is_flag=True, help="Let the folder's group write the book (not on Windows).")
def new(folder: Path, units: str, zone: str, group_writable: bool) -> None:
    """Start a book in a folder (asks nothing).

    On a shared computer whoever may write the folder may write the book, and whoever may read it may ask everything.
    With --group-writable the members of the folder's group write it (chgrp SHOP BOOK sets another group first; on
    Windows the folder's properties say who may).

    Example: loadbook new shop-book --units us --zone America/Chicago
    """
    if group_writable and os.name == "nt":  # pragma: no cover - not run on the test machine
        raise UsageError("Windows keeps no such modes", remedy="Give the group its rights in the folder's properties")
    with BookFolder.create(folder, units=units, zone=zone, group_writable=group_writable) as book:
        there = quote(str(book.path))
        to_stderr(
            f"A new book in {book.path}. Next: cd {there}, and loadbook template (what to take in, in that order)"
        )


@click.command(cls=LoadbookCommand)
@click.argument("kind", required=False)
@click.option("--units", type=click.Choice(["si", "us"]), help="Units of the example (default: the book's, or si).")
def template(kind: str | None, units: str | None) -> None:
    """Print an intake file's header and an example row (to stdout) and what each column means (to stderr).

    Example: loadbook template readings > readings.csv
    """
    from loadbook.readers.tables import template as forms

    if kind is None:
        emit(["kind", "holds"], [(k.kind, k.title) for k in KINDS] + [("cycles", "Cycles, one TOML file each")])
        return
    if kind in ("cycle", "cycles"):
        from loadbook.readers.cycles.keys import example, key_meanings

        click.echo(example(units or _units_here()), nl=False)
        to_stderr("")
        emit(["table", "key", "holds", "meaning"], key_meanings(), out=sys.stderr)
        return
    found = kind_named(kind)
    system = units or _units_here()
    click.echo(forms.header_and_example(found, system=system), nl=False)
    to_stderr("")
    emit(["column", "needed", "meaning"], forms.meanings(found, system=system), out=sys.stderr)


@click.command(cls=LoadbookCommand)
@click.argument("kind")
@files_argument()
@click.option("--dry-run", is_flag=True, help="Say what would happen; change nothing.")
@click.option("--keep-good", is_flag=True, help="Take the good rows of a file that also has wrong ones.")
@click.option("--encoding", help="Encoding of a text file that is not UTF-8, e.g. latin-1.")
@click.option("--sheet", help="Sheet of a workbook that has several.")
@click.option("--affirm", metavar="LINES", help="Take values that look like a slip as they are: 12,15 or all.")
@book_option
def take(
    kind: str,
    files: tuple[Path, ...],
    dry_run: bool,
    keep_good: bool,
    encoding: str | None,
    sheet: str | None,
    affirm: str | None,
    book: BookFolder,
) -> None:
    """Take intake files of one KIND into the book: all of a file, or nothing of it.

    Example: loadbook take readings before.csv after.csv --dry-run
    """
    if kind in ("trace", "traces"):
        raise UsageError("traces need the run they belong to", remedy="Use: loadbook trace take FILE --run RUN")
    affirmed = _affirmed(affirm)
    if affirm and len(files) > 1 and affirmed is not None:
        raise UsageError("--affirm names lines of one file", remedy="Take the files one by one")
    failed = 0
    for path in files:
        try:
            if kind in ("cycle", "cycles"):
                from loadbook.readers.cycles.file import take_cycle_file

                taken = take_cycle_file(book, path, dry_run=dry_run)
            else:
                from loadbook.readers.tables.take import take_file

                taken = take_file(
                    book, kind_named(kind).kind, path, dry_run=dry_run, keep_good=keep_good, encoding=encoding,
                    sheet=sheet, affirm=affirmed,
                )  # fmt: skip
                _say(taken.notes, book)
        except LoadbookError as exc:
            failed = max(failed, report(exc))
            if exc.exit_code != EXIT_COULD_NOT:
                break
            continue
        click.echo(taken.sentence())
        for line in problem_lines(taken.refused):
            to_stderr(f"  {line}")
        if taken.added and not dry_run:
            _against_the_load(book, taken.kind)
    sys.exit(failed)


def _against_the_load(book: BookFolder, kind: str) -> None:
    """What speaks against the loads that runs or pieces just taken in make up, on stderr: it stops nothing."""
    if kind not in ("runs", "pieces"):
        return
    from loadbook.queries.load_findings import of_last_intake
    from loadbook.queries.remark_words import words

    found, unseen = of_last_intake(book, kind)
    for run, remarks in list(found.items())[:LOADS_SHOWN]:
        for one in remarks:
            to_stderr(plain(f"  {run}: {words(one, book.units)}"))
    if unseen:
        to_stderr(f"  {unseen} older runs were not looked at for such remarks: loadbook judge RUN does")
    if len(found) > LOADS_SHOWN:
        to_stderr(f"  {len(found)} runs in all have such remarks: loadbook judge RUN shows them")


def _affirmed(text: str | None) -> frozenset[int] | None:
    """Lines as a user lists them; None for all."""
    if text is None:
        return frozenset()
    if text.strip().lower() == "all":
        return None
    words = [w.strip() for w in text.split(",") if w.strip()]
    if not words or not all(w.isascii() and w.isdecimal() and len(w) < 10 for w in words):
        raise UsageError(f"--affirm {text!r} names no lines", remedy="Write --affirm 12,15 or --affirm all")
    return frozenset(map(int, words))


def _say(notes: list[Remark], book: BookFolder) -> None:
    """Remarks on what was taken in, in the book's units."""
    if notes:
        from loadbook.queries.remark_words import words

        for note in notes:
            to_stderr(f"  Note: {words(note, book.units)}")


def _pairs(words: tuple[str, ...]) -> dict[str, str]:
    given = {}
    for word in words:
        name, sign, value = word.partition("=")
        if not sign:
            raise UsageError(f"{word!r} is not of the form column=value", remedy="Write it like shape=ring")
        given[name.strip()] = value
    return given


@click.command(cls=LoadbookCommand)
@click.argument("kind")
@click.argument("values", nargs=-1, required=True, metavar="COLUMN=VALUE...")
@click.option("--affirm", is_flag=True, help="Take values that look like a slip as they are.")
@book_option
def add(kind: str, values: tuple[str, ...], affirm: bool, book: BookFolder) -> None:
    """Add one record by hand.

    Example: loadbook add gauges gauge=G-12 kind=micrometer resolution_um=1
    """
    from loadbook.readers.tables.take import add_row

    found = kind_named(kind)
    notes: list[Remark] = []
    row = add_row(book, found.kind, _pairs(values), affirm=affirm, notes=notes)
    _say(notes, book)
    name = "/".join(str(row[c]) for c in found.key if row.get(c) is not None)
    to_stderr(f"Added to {found.kind}: {name}")
    _against_the_load(book, found.kind)


# what a run's parameters and verdicts are computed by, beside its trace
_JUDGED_BY = frozenset(("run", "channel", "event", "piece", "part", "material", "calibration", "trace", "setting"))
_JUDGING_SETTINGS = frozenset(("guard_factor", "guard_decides", "zone"))  # the others change no parameter or verdict


@click.command(cls=LoadbookCommand)
@click.argument("kind")
@click.argument("record", metavar="ID")
@click.argument("values", nargs=-1, required=True, metavar="COLUMN=VALUE...")
@click.option("--why", required=True, metavar="TEXT", help="The reason; it is kept for ever.")
@click.option("--who", metavar="NAME", help="Who amends (else LOADBOOK_WHO, else the user name).")
@click.option("--affirm", is_flag=True, help="Amend to a value that looks like a slip.")
@book_option
def amend(
    kind: str, record: str, values: tuple[str, ...], why: str, who: str | None, affirm: bool, book: BookFolder
) -> None:
    """Correct an accepted value; the old one stays, with who, when and why.

    ID is the record's name; parts of a compound name are joined by '/', and #N names a row by number.
    COLUMN= with nothing behind it empties the column.

    Example: loadbook amend parts PN-1001 section_thick_mm=40 --why "drawing revision C"
    """
    from loadbook.readers.tables.change import changed_values, question_reading
    from loadbook.readers.tables.sense import question_amended
    from loadbook.render.book_units import in_units
    from loadbook.store.records import amend as write_amendment

    target = lookup.listed(kind)
    given = _pairs(values)
    with book.write() as conn:
        if target.kind == "settings" and record == money.SETTING:  # there only once it was set
            conn.execute("INSERT OR IGNORE INTO setting (name, value) VALUES (?, '')", (record,))
        row = lookup.find_row(conn, target, record)
        changes = changed_values(conn, target, row, given, book.zone)
        if target.table == "reading" and not affirm:
            question_reading(conn, row, given, changes)
        elif target.kind in BY_KIND and not affirm:
            question_amended(conn, BY_KIND[target.kind], row, list(given), changes)
        name = lookup.record_name(target, row)
        key = lookup.row_key(conn, target.table)
        done = write_amendment(conn, target.table, name, row[key], changes, why, who)
    named = in_units(list(changes), [], book.units)[0]
    to_stderr(f"Amended {target.table} {name}: {', '.join(named)} ({len(done)} recorded)")
    if target.table in _JUDGED_BY and (target.table != "setting" or name in _JUDGING_SETTINGS):
        to_stderr("Parameters and verdicts stay as they were computed until: loadbook recompute")


@click.command("list", cls=LoadbookCommand)
@click.argument("kind", required=False)
@click.option("--limit", type=click.IntRange(min=0), help="At most so many rows (0: all; a terminal shows 50).")
@filter_options
@format_option
@book_option
def list_(kind: str | None, limit: int | None, filters: Filters, fmt: str | None, book: BookFolder) -> None:
    """List records of a KIND; with no kind, how many of each the book holds.

    Example: loadbook list runs --furnace F2 --since 2026-01-01
    """
    from loadbook.queries.run_choice import listed_rows

    conn = book.read()
    if kind is None:
        counts = [(k, conn.execute(f"SELECT count(*) FROM {v.table}").fetchone()[0]) for k, v in lookup.LISTED.items()]
        emit(["kind", "records"], counts, fmt)
        return
    target = lookup.listed(kind)
    people = fmt in (None, "table")
    if limit is None and people and sys.stdout.isatty():
        limit = 50
    columns, rows, total = listed_rows(book, target, filters, limit or None)
    hidden = {"typed", "intake_id", "source_text"} | (LONG.get(target.table, set()) if people else set())
    chosen = [c for c in columns if c not in hidden]
    if people:
        key = lookup.row_key(conn, target.table)
        chosen = [
            c
            for c in chosen
            if (c != key or c in target.key or target.table == "reading")
            and (c in target.key or any(r[c] is not None for r in rows))
        ]
    if people and target.table == "run":  # VOID and ABORTED lead: a void run is never seen as kept
        chosen = ["run", "verdict", *(c for c in chosen if c not in ("run", "verdict"))]
        table: list[list[Any]] = [[_verdict(row) if c == "verdict" else row[c] for c in chosen] for row in rows]
    else:
        table = [[row[c] for c in chosen] for row in rows]
    if people:
        from loadbook.render.book_units import as_typed, in_units, without_tails
        from loadbook.render.record import moment_shown

        kept = BY_TABLE.get(target.table)
        asked = {c.name for c in kept.columns if c.type == "yesno"} if kept else set()
        answers: dict[Any, str] = {0: "no", 1: "yes"}
        table = [
            [answers.get(v, v) if name in asked else moment_shown(book, v) for name, v in zip(chosen, row, strict=True)]
            for row in table
        ]
        chosen, table = in_units(chosen, table, book.units)
        without_tails(target.table, chosen, table)
        if target.table == "reading":
            as_typed(chosen, table, [row["typed"] for row in rows])
    note = f"{len(rows)} of {total} {target.kind}; --limit 0 lists all" if total > len(rows) else None
    if people and not rows:
        from loadbook.queries.filters import unknown_words, words_in

        to_stderr(" ".join(filter(None, [f"no {target.kind}.", unknown_words(words_in(conn), filters)])))
        return
    emit(chosen, table, fmt, note=note)


# whole documents and digests inside a column: `show` and the machines' formats have them, a table for people does not
LONG = {"layout": {"text"}, "answer": {"question", "result", "evidence_sha256"}, "trial": {"text"},
        "trace": {"path", "sha256", "source_sha256"}}  # fmt: skip


def _verdict(row: Any) -> str:
    """How a run was judged, after its status where that is not 'done'."""
    return str(row["verdict"]) if row["status"] == "done" else f"{row['status'].upper()}, {row['verdict']}"


@click.command(cls=LoadbookCommand)
@click.argument("kind")
@click.argument("record", metavar="ID")
@format_option
@book_option
def show(kind: str, record: str, fmt: str | None, book: BookFolder) -> None:
    """Show one record: its values, what was typed, what belongs to it, and every amendment.

    Example: loadbook show run R25-086
    """
    from loadbook.render.record import record_sections

    target = lookup.listed(kind)
    row = lookup.find_row(book.read(), target, record)
    sections = record_sections(book, target, row, whole=fmt not in (None, "table"))
    if fmt == "json":
        emit(
            [s.name for s in sections],
            [[[dict(zip(s.columns, r, strict=True)) for r in s.rows] for s in sections]],
            "json",
        )
        return
    if fmt not in (None, "table"):
        emit(sections[0].columns, sections[0].rows, fmt)
        return
    for i, section in enumerate(sections):
        if i:
            click.echo("")
        emit(section.columns, section.rows, None, title=section.title)


def _variant(name: str, known: dict[str, Any]) -> str | None:
    """The definition that a parameter's variant (of a segment, above a temperature, of an event) falls under."""
    from loadbook.core.vocabulary.parameters import term_name

    found = term_name(name)
    return found if found in known else None


def _units_here() -> str:
    """The units of the book that is at hand; metric where there is none."""
    try:
        with BookFolder.find(None) as book:
            return book.units
    except LoadbookError:
        return "si"


def _columns_named(name: str) -> list[str]:
    """What the intake columns of a name hold, one sentence per kind."""
    from loadbook.readers.tables.template import meanings

    out = []
    for kind in BY_TABLE.values():
        spelt = {s: c.name for c in kind.columns for s, _ in c.spellings()}
        if name in spelt:
            need, text = next((need, text) for column, need, text in meanings(kind) if column == spelt[name])
            out.append(f"{spelt[name]}  (column of {kind.kind}, {need}): {text}")
    return out


TERM_WIDE = 26  # characters of a term beside its meaning; a longer one has a line of its own


def _list_terms(known: dict[str, Any], first: dict[str, str]) -> None:
    """Every term with its first sentence, by kind, for a terminal: a line or two each."""
    import shutil
    import textwrap

    width = min(shutil.get_terminal_size((80, 24)).columns, 120)
    for kind in dict.fromkeys(t.kind for t in known.values()):
        click.secho(f"{kind}s", bold=True)
        for name in (n for n, t in known.items() if t.kind == kind):
            room = width - TERM_WIDE - 2
            lines = textwrap.wrap(textwrap.shorten(first[name], 2 * room - 4, placeholder=" ..."), room)
            if len(name) > TERM_WIDE:
                click.echo(name)
            for number, line in enumerate(lines):
                head = name if number == 0 and len(name) <= TERM_WIDE else ""
                click.echo(f"{head:<{TERM_WIDE}}  {line}")


@click.command(cls=LoadbookCommand)
@click.argument("term", required=False)
@click.option("--format", "fmt", type=click.Choice(["table", "json"]), help="How to print.")
def explain(term: str | None, fmt: str | None) -> None:
    """Explain a term, a parameter, a fault, a clause, a rule, a method or an intake column; with none, list the terms.

    Example: loadbook explain movement
    """
    import shutil
    import textwrap

    from loadbook.core.figures import unit_words
    from loadbook.core.phrases import nearest
    from loadbook.core.vocabulary.also_called import ALSO_CALLED, term_of
    from loadbook.core.vocabulary.lookup import terms

    from .main import COMMANDS

    system = _units_here()
    known = terms(system)
    of_kind = {t.kind for t in known.values()}
    chosen = None if term is None else next((k for k in of_kind if term.lower() == f"{k}s"), None)
    if term is None or chosen:
        known = {name: t for name, t in known.items() if chosen in (None, t.kind)}
        first = {name: " ".join(t.definition.split(". ")[0].split()).rstrip(".") for name, t in known.items()}
        if fmt is None and sys.stdout.isatty():
            _list_terms(known, first)
        else:
            short = {name: textwrap.shorten(text, 90, placeholder=" ...") for name, text in first.items()}
            emit(["term", "kind", "in short"], [(t.name, t.kind, short[t.name]) for t in known.values()], fmt)
        to_stderr("loadbook explain TERM tells the whole of it; it also knows words of the trade (TUS, ramp, OD)")
        return
    by_fold = {name.lower().replace("_", " "): name for name in known}
    folded = term.lower().replace("_", " ")
    said = None if folded in by_fold else term_of(term)
    name = by_fold.get(folded) or (said[0] if said else _variant(term, known))
    columns = _columns_named(folded.replace(" ", "_")) if name is None else []
    if columns and fmt != "json":
        for line in columns:
            click.echo(textwrap.fill(line, 96))
        return
    if name is None:
        words = by_fold | {w.lower(): w for w in ALSO_CALLED}
        if term in COMMANDS:
            raise LoadbookError(f"{term!r} is a command, not a term", remedy=f"See: loadbook {term} --help")
        close = nearest(folded, list(words))
        hint = f"Did you mean {words[close]!r}? " if close else ""
        used = [n for n, t in known.items() if re.search(rf"\b{re.escape(folded)}\b", t.definition, re.IGNORECASE)]
        if used:
            hint += f"The word stands in the definition of: {', '.join(used[:6])}. "
        raise LoadbookError(f"there is no term {term!r}", remedy=hint + "loadbook explain lists them")
    found = known[name]
    if fmt == "json":
        click.echo(json.dumps(found.__dict__, ensure_ascii=False, indent=1))
        return
    unit = unit_words(found.unit, system)
    wide = min(shutil.get_terminal_size((96, 24)).columns, 96) if sys.stdout.isatty() else 96
    if said:
        click.echo(textwrap.fill(f"{said[1]}. See:" if ": " in said[1] else f"{said[1]}: see", wide) + "\n")
    click.echo(f"{found.name}  ({found.kind}{', ' + unit if unit else ''})")
    for paragraph in found.definition.split("\n"):
        click.echo(textwrap.fill(paragraph.strip(), wide) if paragraph.strip() else "")
    if found.formula:
        click.echo(f"\n  {found.formula}")
    if found.source:
        click.echo("\n" + textwrap.fill(f"Source: {found.source}", wide))
