"""What the office takes out of a book for a span of time: runs, clauses, movement, what waits for a person, the past.

The span is a month, or any days from one to another; it may be one customer's part of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from loadbook.analysis.quantiles import quantile
from loadbook.core import times
from loadbook.core.errors import UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.store.book import BookFolder
from loadbook.store.session import start
from loadbook.store.shop import shop_of

from .furnaces import FurnaceChart, furnace_charts
from .month import MONTHS, Month, bounds, figures_of
from .needs import Need, needs
from .past import left_tolerance, word_of
from .result import records

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]
EARLIER = 12  # months before the span that its movement stands beside


@dataclass(frozen=True)
class Period:
    """A span on the shop's clock: what it is called, its first moment and the first one after it, in UTC."""

    name: str
    since: datetime
    until: datetime
    zone: ZoneInfo

    def days(self) -> tuple[date, date]:
        """Its first and its last day on the shop's calendar."""
        return self.since.astimezone(self.zone).date(), (self.until - timedelta(seconds=1)).astimezone(self.zone).date()


@dataclass(frozen=True)
class MonthMoved:
    """Movement as a share of the tolerance, either way, of one month's pieces: median and 95 % of them."""

    month: str
    pieces: int
    median: float
    high: float
    ours: bool


@dataclass
class Office:
    """A span's figures for the office.

    shop      its name, else the book's
    month     runs, clauses and movement, as frames;  runs, movement  their rows with customers, orders and parts
    needs     what waits for a person, of these runs;  decided  what was decided of a run last
    nonconformances  of a run: open, or since when all of them are closed
    charts    control charts of the furnaces that ran (none for one customer)
    past      months before and of the span
    guarded   jobs of these runs that are confidential or export-controlled
    """

    period: Period
    shop: str
    customer: str | None
    month: Month
    runs: list[Row]
    movement: list[Row]
    needs: list[Need]
    decided: dict[str, str]
    nonconformances: dict[str, str]
    charts: list[FurnaceChart]
    past: list[MonthMoved]
    guarded: list[str]


def period(book: BookFolder, month: str | None, first: str | None, last: str | None) -> Period:
    """The span that a month, or days from one to another, mean; a month stands for its days, `last` counts whole.

    Raises UsageError for none of them, for both, and for days that run backwards.
    """
    if month and (first or last):
        raise UsageError("a month and --from or --to are two spans", remedy="Give the month alone, or --from and --to")
    if month:
        since, until = bounds(month, book)
        return Period(f"{MONTHS[int(month[5:]) - 1]} {month[:4]}", since, until, book.zone)
    if not first:
        raise UsageError("no span is given", remedy="Write a month like 2026-03, or --from 2026-01-01 --to 2026-03-31")
    began, end = _day(first, book), _day(last, book, last=True) if last else times.now().astimezone(book.zone).date()
    if end < began:
        raise UsageError(f"--to {last or end} lies before --from {first}", remedy="Change the two round")
    since, until = (times.first_moment(d, book.zone) for d in (began, end + timedelta(days=1)))
    return Period(f"{began.isoformat()} to {end.isoformat()}", since, until, book.zone)


def _day(text: str, book: BookFolder, *, last: bool = False) -> date:
    """A day, or the first or the last day of a month (2026-03)."""
    if len(text) == 7:
        since, until = bounds(text, book)
        return ((until - timedelta(seconds=1)) if last else since).astimezone(book.zone).date()
    return times.parse_date(text)


_PIECES = """
SELECT p.run, p.part, p.quantity, p.job, coalesce(j.customer, t.customer) AS customer, j.purchase_order,
       j.confidential, j.export_controlled
FROM piece AS p JOIN run AS r ON r.run = p.run JOIN part AS t ON t.part = p.part LEFT JOIN job AS j ON j.job = p.job
WHERE r.started >= ? AND r.started < ? ORDER BY r.started, p.piece_id
"""
_SHARES = """
SELECT started, customer, abs(movement_share_of_tolerance) AS share FROM movement
WHERE set_aside IS NULL AND movement_share_of_tolerance IS NOT NULL AND started >= ? AND started < ?
"""
_DECIDED = "SELECT run, decision, person, at FROM approval WHERE first_article_of IS NULL ORDER BY at, approval_id"


def office_of(book: BookFolder, span: Period, customer: str | None = None) -> Office:
    """The span's figures, of everybody or of one customer.

    Raises UsageError for a customer that the book does not know.
    """
    if customer is not None:
        customer = _known(book, customer)
    figures = figures_of(book, span.name, span.since, span.until, customer)
    pieces = [dict(r) for r in book.read().execute(_PIECES, [times.stored(m) for m in (span.since, span.until)])]
    if customer is not None:
        pieces = [p for p in pieces if p["customer"] == customer]
        theirs = {p["run"] for p in pieces}
        figures.runs = figures.runs[figures.runs["run"].isin(theirs)]
        figures.verdicts = figures.verdicts[figures.verdicts["run"].isin(theirs)]
    orders = {p["job"]: p["purchase_order"] for p in pieces if p["job"]}
    movement = [m | {"purchase_order": orders.get(m["job"]), "left_tolerance": _left(m)}
                for m in records(figures.movement)]  # fmt: skip
    runs = _runs(records(figures.runs), pieces, movement, customer)
    mine = {r["run"] for r in runs}
    waiting = [n for n in needs(book) if n.run in mine]
    if customer is not None:
        waiting = _theirs(waiting, movement, {p["part"] for p in pieces})
    decided = {}
    for r in book.read().execute(_DECIDED):
        told = ", ".join(x for x in (r["person"], times.local_day(r["at"], book.zone)) if x)
        decided[r["run"]] = "decided" if customer is not None else f"{r['decision']} ({told})"
    guarded = sorted({p["job"] for p in pieces if p["confidential"] or p["export_controlled"]})
    return Office(
        span, shop_of(book).name or f"Book {book.path.resolve().name}", customer, figures, runs, movement, waiting,
        decided, _nonconformances(book),
        [] if customer is not None or not runs else furnace_charts(book, span.since, span.until),
        _past(book, span, customer), guarded,
    )  # fmt: skip


def _theirs(waiting: Sequence[Need], movement: Sequence[Row], parts: set[str]) -> list[Need]:
    """What waits about one customer's pieces, or about the whole load, without what people wrote of it."""
    pieces = {f"{m['part']} {m['serial']}" for m in movement}
    theirs = {"after reading": pieces, "suspected reading": pieces, "first piece": parts}
    out = []
    for n in waiting:
        if n.what == "nonconformance":
            out.append(replace(n, subject=None, why="on record"))
        elif n.subject in theirs.get(n.what, {n.subject}):
            out.append(n)
    return out


def _nonconformances(book: BookFolder) -> dict[str, str]:
    out: dict[str, str] = {}
    for r in book.read().execute(
        "SELECT run, min(closed_on IS NOT NULL) AS closed, max(closed_on) AS last FROM nonconformance GROUP BY run"
    ):
        out[r["run"]] = f"nonconformance closed {r['last']}" if r["closed"] else "nonconformance open"
    return out


def _known(book: BookFolder, customer: str) -> str:
    """The customer as the book writes it."""
    sql = "SELECT customer FROM job UNION SELECT customer FROM part WHERE customer IS NOT NULL"
    known = sorted(r[0] for r in book.read().execute(sql))
    for name in known:
        if name.casefold() == customer.strip().casefold():
            return str(name)
    raise UsageError(
        f"the book has no customer {customer!r}", remedy=f"{did_you_mean(customer, known)}List them with: loadbook sql "
        '"select distinct customer from job"',
    )  # fmt: skip


def _runs(runs: list[Row], pieces: Sequence[Row], movement: Sequence[Row], customer: str | None) -> list[Row]:
    """Runs with whose pieces they held, of what orders and parts, and how these moved."""
    held: dict[str, list[Row]] = {}
    for p in pieces:
        held.setdefault(p["run"], []).append(p)
    moved: dict[str, list[Row]] = {}
    for m in movement:
        moved.setdefault(m["run"], []).append(m)
    out = []
    for r in runs:
        mine, its = held.get(r["run"], []), moved.get(r["run"], [])
        shares = [abs(m["movement_share_of_tolerance"]) for m in its if m["movement_share_of_tolerance"] is not None]
        told = {
            "verdict": word_of(r), "customer": _listed(p["customer"] for p in mine),
            "purchase_order": _listed(p["purchase_order"] for p in mine), "part": _listed(p["part"] for p in mine),
            "cycle": cycle_of(r),
            "left_tolerance": len({(m["part"], m["serial"]) for m in its if m["left_tolerance"]}),
            "most_of_tolerance": max(shares, default=None),
        }  # fmt: skip
        if customer is not None:  # what people wrote of a run may be about anybody's pieces
            told |= {"note": None, "operator": None, "pieces": sum(int(p["quantity"]) for p in mine)}
        out.append(r | told)
    return out


def cycle_of(row: Row) -> str | None:
    """A cycle with its revision, as people write it: 'SR-600 B'."""
    return f"{row['cycle']} {row['cycle_revision'] or ''}".strip() if row["cycle"] else None


def _left(m: Row) -> bool | None:
    """Did a piece leave its tolerance; None where there is none, or no movement to tell it by."""
    if m["set_aside"] is not None or (m["lower_mm"] is None and m["upper_mm"] is None):
        return None
    return left_tolerance(m)


def _listed(values: Any) -> str | None:
    return "; ".join(dict.fromkeys(str(v) for v in values if v)) or None


def _past(book: BookFolder, span: Period, customer: str | None) -> list[MonthMoved]:
    """Movement as a share of the tolerance month by month: EARLIER months before the span, and its own."""
    first = span.days()[0].replace(day=1)
    for _ in range(EARLIER):
        first = (first - timedelta(days=1)).replace(day=1)
    began = times.first_moment(first, book.zone)
    with start(book, {"movement"}) as session:
        found = session.frame(_SHARES, [times.without_zone(m) for m in (began, span.until)])
    if customer is not None:
        found = found[found["customer"] == customer]
    return _by_month(found, book, span)


def _by_month(found: pd.DataFrame, book: BookFolder, span: Period) -> list[MonthMoved]:
    began = found["started"].dt.tz_localize("UTC")
    local = began.dt.tz_convert(book.zone.key)
    # the days of the span's first month that lie before it belong to the past
    ours = (began >= span.since).rename("ours")
    out = []
    for (month, mine), shares in found["share"].groupby([local.dt.strftime("%Y-%m").rename("month"), ours]):
        median, high = (quantile(shares, q) for q in (0.5, 0.95))
        out.append(MonthMoved(str(month), len(shares), median, high, bool(mine)))
    return out
