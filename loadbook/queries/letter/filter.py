"""What a letter to one customer may name: the one place that decides what is theirs and what is another's.

Theirs are the part asked about and the pieces that ran for them (the job's customer, else the part's). Everything
else of the book is another's: customers, part numbers, jobs, purchase orders, serials, heat numbers, and runs in
which none of their pieces lay. Another's work is told by class alone ("11 runs of similar rings"), and never where a
job is confidential or export-controlled, nor where fewer than LEAST_IN_A_CLASS runs would stand behind the words.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from loadbook.core.errors import LoadbookError, UsageError
from loadbook.core.wording import COMMON, key, words

if TYPE_CHECKING:
    from loadbook.store.book import BookFolder

LEAST_IN_A_CLASS = 3
LONGEST_NAME = 8  # words of a name that may stand apart in a text
_PIECES = """
SELECT p.run, p.part, p.serial, p.heat_number, p.job, coalesce(j.customer, t.customer) AS customer,
       coalesce(j.confidential, 0) OR coalesce(j.export_controlled, 0) AS guarded
FROM piece AS p JOIN part AS t ON t.part = p.part LEFT JOIN job AS j ON j.job = p.job
"""


def same(one: str | None, other: str | None) -> bool:
    """Two spellings of one name: capitals, spaces and hyphens apart."""
    return bool(one and other) and key(str(one)) == key(str(other))


@dataclass
class OwnRecords:
    """What one customer's letter may name.

    customer  None where the book tells no customer;  part the part asked about
    runs      runs with pieces of theirs;  forbidden  key -> what it is, of everything that is another's
    names     their own names, as words: another's name that is only a part of one of them tells nothing there
    telling   single words of other customers' names that tell who is meant (checked in people's own sentences)
    guarded   runs with a confidential or export-controlled job of another;  own_guarded  the same of their own
    """

    customer: str | None
    part: str | None
    runs: frozenset[str] = frozenset()
    forbidden: dict[str, str] = field(default_factory=dict)
    names: set[tuple[str, ...]] = field(default_factory=set)
    telling: dict[str, str] = field(default_factory=dict)
    guarded: frozenset[str] = frozenset()
    own_pieces: frozenset[tuple[str, str]] = frozenset()
    shared_parts: frozenset[tuple[str, str]] = frozenset()

    def owns(self, run: str, part: str) -> bool:
        """All pieces of a part in a run are theirs."""
        return (run, part) in self.own_pieces and (run, part) not in self.shared_parts

    def found(self, text: str, free: bool = False) -> list[str]:
        """What a text names of another's: ['part PN-2', ...].

        free  a sentence that a person wrote: figures and single words of names count too. In our own sentences
              figures are figures.
        """
        said = words(text)
        ours = self._ours(said)
        out = []
        for start in range(len(said)):
            joined = ""
            for end, word in enumerate(said[start : start + LONGEST_NAME], start + 1):
                joined += word
                what = self.forbidden.get(joined)
                if what is not None and (free or not joined.isdigit()) and not _inside(start, end, ours):
                    out.append(what)
        if free:
            out += [self.telling[w] for w in said if w in self.telling]
        return list(dict.fromkeys(out))

    def _ours(self, said: list[str]) -> list[tuple[int, int]]:
        """Where their own names stand among the words."""
        out = []
        for start in range(len(said)):
            for length in range(1, LONGEST_NAME + 1):
                if tuple(said[start : start + length]) in self.names:
                    out.append((start, start + length))
        return out

    def safe(self, text: str | None, instead: str = "") -> str:
        """A value of the book if it names nothing of another's, else other words."""
        return instead if text is None or self.found(text, free=True) else text


def _inside(start: int, end: int, spans: list[tuple[int, int]]) -> bool:
    return any(a <= start and end <= b for a, b in spans)


def mine(book: BookFolder, part: str | None, job: str | None, to: str | None = None) -> OwnRecords:
    """Whose letter it is and what it may name.

    part, job  what the answer is about;  to  who the letter is written to, where it says
    Raises     UsageError where the part is one customer's and the job or the addressee another's
    """
    conn = book.read()
    customer = _customer(conn, part, job, to)
    out = OwnRecords(customer, part)
    own_runs: set[str] = set()
    own_serials: set[str] = set()
    guarded: set[str] = set()
    own_pieces: set[tuple[str, str]] = set()
    others_pieces: set[tuple[str, str]] = set()
    rows = conn.execute(_PIECES).fetchall()
    for r in rows:
        theirs = same(r["customer"], customer) if customer is not None else r["customer"] is None and r["part"] == part
        if theirs:
            own_runs.add(r["run"])
            own_pieces.add((r["run"], r["part"]))
            own_serials.update(key(str(v)) for v in (r["serial"], r["heat_number"]) if v)
            out.names.update(tuple(words(str(v))) for v in (r["run"], r["part"], r["job"]) if v)
        else:
            others_pieces.add((r["run"], r["part"]))
            if r["guarded"]:
                guarded.add(r["run"])
    out.runs, out.guarded = frozenset(own_runs), frozenset(guarded)
    out.own_pieces, out.shared_parts = frozenset(own_pieces), frozenset(own_pieces & others_pieces)
    for kind, name in _others(conn, customer, part, own_runs):
        _forbid(out, kind, name, own_serials)
    for r in rows:
        if (r["run"], r["part"]) not in own_pieces:
            for kind in ("serial", "heat_number"):
                if r[kind]:
                    _forbid(out, kind.replace("_", " "), str(r[kind]), own_serials)
    for own in (customer, part):  # their own names are theirs, whoever else uses them
        if own:
            out.forbidden.pop(key(own), None)
            out.names.add(tuple(words(own)))
    _tell(out, conn)
    return out


def _customer(conn: Any, part: str | None, job: str | None, to: str | None) -> str | None:
    of_part = _one(conn, "SELECT customer FROM part WHERE part = ?", part)
    of_job = _one(conn, "SELECT customer FROM job WHERE job = ?", job)
    if of_part and of_job and not same(of_part, of_job):
        raise UsageError(
            f"part {part} is on record for {of_part}, job {job} for {of_job}: a letter to one would show the other's",
            remedy="Correct the part or the job (loadbook amend), or answer again without the job",
        )  # fmt: skip
    customer = of_job or of_part
    named = OwnRecords(customer, part, forbidden={key(n): n for n in _customers(conn) if not same(n, customer)})
    if customer is not None:
        named.names.add(tuple(words(customer)))
    others = named.found(to, free=True) if to is not None else []
    if customer is None:  # nobody on record: the addressee, where the book knows them
        return others[0] if len(others) == 1 else None
    if others:
        raise UsageError(
            f"the answer is about work of {customer}, and --to names {others[0]}",
            remedy="A letter goes to the customer whose work it is about",
        )
    return customer


def _others(conn: Any, customer: str | None, part: str | None, own_runs: set[str]) -> Iterator[tuple[str, str]]:
    """(what it is, name) of everything that belongs to somebody else."""
    for name in _customers(conn):
        if not same(name, customer):
            yield "customer", name
    for name, owner in conn.execute("SELECT part, customer FROM part"):
        if name != part and not same(owner, customer):
            yield "part", name
    for job, owner, order in conn.execute("SELECT job, customer, purchase_order FROM job"):
        if not same(owner, customer):
            yield "job", job
            if order:
                yield "purchase order", order
    for (run,) in conn.execute("SELECT run FROM run"):
        if run not in own_runs:
            yield "run", run


def _forbid(out: OwnRecords, kind: str, name: str, own: set[str]) -> None:
    joined = key(name)
    if joined and joined not in own and not (joined.isdigit() and len(joined) < 3) and len(joined) > 1:
        out.forbidden.setdefault(joined, f"{kind} {name}")


def _tell(out: OwnRecords, conn: Any) -> None:
    """Words that stand in one other customer's name alone, and in no name of theirs."""
    others = [n for n in _customers(conn) if not same(n, out.customer)]
    count = Counter(w for n in others for w in set(words(n)))
    own = set(words(out.customer or ""))
    for name in others:
        for word in words(name):
            if len(word) >= 4 and count[word] == 1 and word not in own and word not in COMMON:
                out.telling[word] = f"customer {name}"


def _customers(conn: Any) -> list[str]:
    listed = conn.execute("SELECT customer FROM part UNION SELECT customer FROM job ORDER BY 1")
    return [str(r[0]) for r in listed if r[0]]


def _one(conn: Any, sql: str, value: str | None) -> str | None:
    row = conn.execute(sql, (value,)).fetchone() if value is not None else None
    return str(row[0]) if row and row[0] else None


def others_classes(
    book: BookFolder, my: OwnRecords, comparables: Iterable[dict[str, Any]], like: tuple[str | None, str | None]
) -> list[str]:
    """Another's comparable runs in words: '11 runs of similar rings', classes of at least LEAST_IN_A_CLASS runs.

    comparables  rows with run and part;  like (family, shape) of what is asked about
    """
    classes: dict[tuple[str, str], set[str]] = {}
    for c in comparables:
        if my.owns(c["run"], c["part"]) or c["run"] in my.guarded:
            continue
        row = book.read().execute(
            "SELECT m.family, p.shape FROM part AS p JOIN material AS m USING (material) WHERE p.part = ?", (c["part"],)
        ).fetchone()  # fmt: skip
        if row is not None:
            classes.setdefault((my.safe(row["family"]), my.safe(row["shape"])), set()).add(c["run"])
    out = []
    for (family, shape), runs in sorted(classes.items(), key=lambda i: (-len(i[1]), i[0])):
        if len(runs) < LEAST_IN_A_CLASS:
            continue
        thing = f"{shape}s" if shape else "pieces"
        alike = (family, shape) == like and bool(shape)
        out.append(f"{len(runs)} runs of similar {thing}" if alike else f"{len(runs)} runs of {thing}"
                   + (f" of {family}" if family else ""))  # fmt: skip
    return out


def refuse_leaks(my: OwnRecords, texts: Iterable[tuple[str, bool]]) -> None:
    """The last look before anything is written. texts: (text, written by a person).

    Raises LoadbookError that says what would have been named.
    """
    for text, free in texts:
        if hits := my.found(text, free):
            raise LoadbookError(
                f"the letter would name {hits[0]}, which belongs to another customer; it is not written",
                remedy="Look at the answer with: loadbook answer --show, and write the letter without that text",
            )
