"""Furnace hours of a cycle before it is run, quoted from this furnace's own past runs; and what they cost."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from loadbook.analysis.planning.hours import FEWEST, Asked, Done, Pace, Quote, asked_hours, varied
from loadbook.analysis.planning.stock import UNKNOWN, Stock
from loadbook.analysis.trace.model import Cycle
from loadbook.core.figures import share_words
from loadbook.core.money import Price
from loadbook.core.phrases import many
from loadbook.core.vocabulary.parameters import PLANNABLE
from loadbook.store.run_records import load_cycle

from .stock import stock_of

MOST = 60  # past runs that are looked at, the newest ones
_TOOK = ("hold_start_h", "hold_end_h", "cycle_hours")
_FIGURE = "max(CASE WHEN p.source = '{}' AND p.parameter = '{}' THEN p.value END) AS {}"
_FIGURES = [_FIGURE.format(source, n, n) for source, names in (("asked", PLANNABLE), ("trace", _TOOK)) for n in names]
_RUNS = f"""
SELECT run.run, run.cycle, run.cycle_revision, cycle.process, {", ".join(_FIGURES)}
FROM run JOIN cycle ON cycle.cycle = run.cycle AND cycle.revision = run.cycle_revision
JOIN parameter AS p ON p.run = run.run AND p.channel IS NULL
WHERE run.furnace = ? AND run.status = 'done'
GROUP BY run.run ORDER BY run.started DESC
"""
LIKE_THIS, PROCESS, ANY = "by this program", "of this process", "of this furnace"


@dataclass(frozen=True)
class Hours:
    """Hours of one furnace for a program, and what they cost where a price is set.

    of   which past runs they rest on: LIKE_THIS (the same segments), PROCESS or ANY
    """

    furnace: str | None
    quote: Quote
    of: str
    price: Price | None = None

    @property
    def cost(self) -> tuple[float, float | None, float | None] | None:
        """(money, low, high) in the price's currency; None where no price is set for the furnace."""
        at = None if self.price is None else self.price.of(self.furnace, self.quote.at)
        if at is None:
            return None
        per = at / self.quote.at
        q = self.quote
        return at, None if q.low is None else q.low * per, None if q.high is None else q.high * per

    def as_dict(self) -> dict[str, Any]:
        """For machines: hours, and money where a price is set."""
        q, cost = self.quote, self.cost
        return {
            "furnace": self.furnace, "hours": q.at, "hours_low": q.low, "hours_high": q.high, "level": q.level,
            "asked_hours": q.asked, "asked_hours_of_runs": q.were_asked and list(q.were_asked),
            "beyond_runs": q.beyond, "runs": q.runs, "runs_of": self.of,
            "load_by": list(q.by), "cost": cost and cost[0],
            "cost_low": cost and cost[1], "cost_high": cost and cost[2],
            "currency": self.price.currency if cost and self.price else None,
        }  # fmt: skip

    def said(self) -> str:
        """'14.2 h (13.1 to 15.0)'; without past runs '12.8 h by the program'."""
        q = self.quote
        if q.low is None or q.high is None:
            return f"{q.at:.1f} h by the program"
        return f"{q.at:.1f} h ({q.low:.1f} to {q.high:.1f})"

    def money(self) -> str:
        """'1,207 EUR (1,114 to 1,275)'; '' where no price is set."""
        cost = self.cost
        if cost is None or self.price is None:
            return ""
        at, low, high = cost
        if low is None or high is None:
            return self.price.said(at)
        return f"{self.price.said(at)} ({self.price.said(low).split(' ')[0]} to {self.price.said(high).split(' ')[0]})"

    def sentence(self) -> str:
        """The quotation in a sentence: hours, what they rest on, money."""
        where = f" on {self.furnace}" if self.furnace else ""
        q, money = self.quote, self.money()
        rests = f"from {many(q.runs, 'past run')} {self.of}"
        rests += f", for a load of this {' and '.join(q.by)}" if q.by else ""
        if q.low is None or q.level is None:
            rests = f"{many(q.runs, 'past run') if q.runs else 'no past run'} {self.of}, too few to say what it takes"
        else:
            rests += f"; such intervals held {share_words(q.level)} of them"
        if q.beyond and q.were_asked is not None:
            rests += (
                f", whose programs ask for {q.were_asked[0]:.1f} to {q.were_asked[1]:.1f} h where this one asks for "
                f"{q.asked:.1f} h: beyond what was run"
            )
        return f"Furnace hours{where}: {self.said()}, {rests}." + (f" {money}." if money else "")


class Quotes:
    """Quotations from one book, its past runs read once a furnace."""

    def __init__(self, conn: sqlite3.Connection, price: Price | None = None) -> None:
        self.conn, self.price = conn, price
        self._runs: dict[str, list[tuple[Done, tuple[str, ...], str]]] = {}
        self._cycles: dict[tuple[str, str], Cycle] = {}
        self._paces: dict[tuple[str, tuple[str, ...], str, Stock], tuple[Pace, str]] = {}

    def of(
        self, cycle: Cycle, furnace: str | None, settings: Mapping[str, float] | None = None, stock: Stock | None = None
    ) -> Hours | None:
        """Furnace hours of a cycle with these settings asked, for such a load; None where its program states none."""
        asked = asked_hours(varied(cycle, settings or {}))
        if asked is None:
            return None
        pace, which = self._pace(cycle, furnace, stock or UNKNOWN) if furnace is not None else (Pace([]), ANY)
        return Hours(furnace, pace.quote(asked), which, self.price)

    def furnace_of(self, cycle: Cycle, part: str | None = None) -> str | None:
        """The furnace that ran a cycle (any revision; of this part) most often; None where none did."""
        like = "" if part is None else " AND EXISTS (SELECT 1 FROM piece WHERE piece.run = run.run AND part = ?)"
        row = self.conn.execute(
            f"SELECT furnace FROM run WHERE cycle = ? AND furnace IS NOT NULL{like}"
            " GROUP BY furnace ORDER BY count(*) DESC, furnace LIMIT 1",
            (cycle.cycle,) if part is None else (cycle.cycle, part),
        ).fetchone()
        if row is None and part is not None:
            return self.furnace_of(cycle)
        return None if row is None else str(row[0])

    def _pace(self, cycle: Cycle, furnace: str, stock: Stock) -> tuple[Pace, str]:
        kinds = _kinds(cycle)
        key = furnace, kinds, cycle.process, stock
        if key not in self._paces:
            past = self._past(furnace)
            same = [d for d, k, process in past if k == kinds and process == cycle.process]
            process = [d for d, _, p in past if p == cycle.process]
            found = ((same, LIKE_THIS), (process, PROCESS), ([d for d, *_ in past], ANY))
            runs, which = next((f for f in found if len(f[0]) >= FEWEST), found[0] if same else found[2])
            self._paces[key] = Pace(runs[:MOST], stock), which
        return self._paces[key]

    def _past(self, furnace: str) -> list[tuple[Done, tuple[str, ...], str]]:
        if furnace not in self._runs:
            out = []
            for row in self.conn.execute(_RUNS, (furnace,)):
                if (
                    any(row[n] is None for n in _TOOK)
                    or not row["hold_start_h"] < row["hold_end_h"] <= row["cycle_hours"]
                ):
                    continue
                key = row["cycle"], row["cycle_revision"]
                if key not in self._cycles:
                    self._cycles[key] = load_cycle(self.conn, *key)
                ran = self._cycles[key]
                asked = asked_hours(varied(ran, {n: row[n] for n in PLANNABLE if row[n] is not None}))
                if asked is not None and asked.total > 0:
                    took = Asked(row["hold_start_h"], row["hold_end_h"] - row["hold_start_h"],
                                 row["cycle_hours"] - row["hold_end_h"])  # fmt: skip
                    done = Done(row["run"], asked, took, stock_of(self.conn, row["run"]))
                    out.append((done, _kinds(ran), str(row["process"])))
            self._runs[furnace] = out
        return self._runs[furnace]


def _kinds(cycle: Cycle) -> tuple[str, ...]:
    return tuple(s.kind for s in cycle.segments)
