"""What a letter to one customer may say: the one place that decides whose a word is.

A text of the book or of a kept answer goes into a letter in two ways only (`OwnRecords.say`): as a phrase of the trade
(core/trade_phrases.py, in that list's spelling), or as a key of the customer's own: the part asked about, their parts,
jobs and orders, the runs in which their pieces lay, and the cycles of those runs. Theirs are the pieces that ran for
them (the job's customer, else the part's), piece by piece: a run may hold another's as well. Free text is never said;
what a person types for the letter is looked at for names of others (`found`), and so is the whole letter before it
leaves.

Another's work is told by class alone ("11 runs of similar rings"), and never where a job is confidential or
export-controlled, nor where fewer than LEAST_IN_A_CLASS runs would stand behind the words.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

from loadbook.core.errors import LoadbookError, NotFoundError, UsageError
from loadbook.core.phrases import did_you_mean
from loadbook.core.remarks import Remark
from loadbook.core.trade_phrases import WORDS, phrase, single_words
from loadbook.core.vocabulary.parameters import PLANNED
from loadbook.core.wording import COMMON, key, words
from loadbook.queries.mechanism_words import ELEMENTS

if TYPE_CHECKING:
    from loadbook.store.book import BookFolder

Source = Literal["typed", "key", "ours"]  # who wrote a text: a person for this letter, the customer's keys, we
LEAST_IN_A_CLASS = 3
LONGEST_NAME = 8  # words of a name that may stand apart in a text
LEAST_OF_A_KEY, LEAST_OF_A_NAME = 4, 8  # letters and figures from which a key, or a name of letters, is one anywhere
# figures of remarks that are words of our own
_OURS = {
    "parameter": frozenset(PLANNED),
    "factor": frozenset(("setup", "atmosphere", "furnace")),
    "against": frozenset(("shrinkage", "growth", "increase")),
    "shared": frozenset(("diameter", "runout")),
    "which": frozenset(("section", "pair")),
    "element": frozenset(ELEMENTS),
}
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
    """What one customer's letter may say.

    customer  None where the book tells no customer;  part the part asked about
    keys      kind of key -> their own, as the book spells them;  pieces their (run, part, serial)
    runs      runs with pieces of theirs;  own_pieces, shared_parts  (run, part) with pieces of theirs; of another's too
    forbidden  key -> what it is, of everything that is another's
    names     their own names, as words: another's name that is only a part of one of them tells nothing there
    telling   single words of other customers' names that tell who is meant (checked in people's own sentences)
    guarded   runs with a confidential or export-controlled job of another
    left_out  what was asked for and not said, for the shop to know
    """

    customer: str | None
    part: str | None
    runs: frozenset[str] = frozenset()
    forbidden: dict[str, str] = field(default_factory=dict)
    names: set[tuple[str, ...]] = field(default_factory=set)
    telling: dict[str, str] = field(default_factory=dict)
    guarded: frozenset[str] = frozenset()
    keys: dict[str, frozenset[str]] = field(default_factory=dict)
    pieces: frozenset[tuple[str, str, str]] = frozenset()
    own_pieces: frozenset[tuple[str, str]] = frozenset()
    shared_parts: frozenset[tuple[str, str]] = frozenset()
    left_out: list[str] = field(default_factory=list)

    def owns(self, run: str, part: str) -> bool:
        """All pieces of a part in a run are theirs."""
        return (run, part) in self.own_pieces and (run, part) not in self.shared_parts

    def say(self, kind: str, text: str | None) -> str | None:
        """A text of the book as the letter may say it, None where it may not; that is noted in `left_out`.

        kind  of word ('setup', 'place', ...: see core/trade_phrases.py) or of key ('run', 'cycle', ...)
        """
        if not text:
            return None
        word = phrase(kind, text) if kind in WORDS else None
        if word is None and text in self.keys.get(kind, ()) and not self.found(text, free=True):
            word = text
        if word is None and (kind in WORDS or kind in self.keys):
            self.leave_out(f"{kind.replace('_', ' ')} {text!r}")
        return word

    def cleared(self, remark: Remark) -> Remark:
        """A remark with the figures that the letter may show: numbers, and texts that `say` lets through."""
        return replace(remark, figures={k: self._figure(k, v, remark) for k, v in remark.figures.items()})

    def _figure(self, name: str, value: Any, remark: Remark) -> Any:
        if isinstance(value, str):
            if name in _OURS:
                return value if value in _OURS[name] else None
            return self.say(str(remark.figures.get("factor")) if name == "level" else name, value)
        if isinstance(value, list):
            return value if all(isinstance(v, (int, float)) for v in value) else None
        return value if value is None or isinstance(value, (int, float)) else None

    def leave_out(self, what: str) -> None:
        if what not in self.left_out:
            self.left_out.append(what)

    def found(self, text: str, free: bool = False, ours: bool = False) -> list[str]:
        """What a text names of another's: ['part PN-2', ...].

        free  a sentence that a person wrote: figures and single words of names count too. In our own sentences
              figures are figures.
        ours  a sentence that holds no text of the book but keys of theirs: a single word of letters is the trade's
              word there, whoever is called so ('Air', 'Test')
        """
        said = words(text)
        own = self._own(said)
        out = []
        for start in range(len(said)):
            joined = ""
            for end, word in enumerate(said[start : start + LONGEST_NAME], start + 1):
                joined += word
                what = self.forbidden.get(joined)
                if what is None or _inside(start, end, own):
                    continue
                if free or not (joined.isdigit() or (ours and end - start == 1 and joined.isalpha())):
                    out.append(what)
        if free:
            out += [self.telling[w] for w in said if w in self.telling]
            out += self._hidden("".join(said))
        return list(dict.fromkeys(out))

    def _hidden(self, letters: str) -> list[str]:
        """What stands among a text's letters when nothing parts them any more: a key with a letter before it, a name
        with a space after every letter. Names too short to be told from other words there are left to `found`."""
        own = ["".join(name) for name in self.names]
        out = []
        for name, what in self.forbidden.items():
            if len(name) < (LEAST_OF_A_KEY if any(map(str.isdigit, name)) else LEAST_OF_A_NAME):
                continue
            at = letters.find(name)
            while at >= 0:
                end = at + len(name)
                # 1003 in 10031 is another number
                cut = (name[0].isdigit() and letters[:at][-1:].isdigit()) or (
                    name[-1].isdigit() and letters[end:][:1].isdigit()
                )
                if not cut and not any(
                    letters.find(n, max(0, end - len(n)), at + len(n)) >= 0 for n in own if name in n
                ):
                    out.append(what)
                    break
                at = letters.find(name, at + 1)
        return out

    def _own(self, said: list[str]) -> list[tuple[int, int]]:
        """Where their own names stand among the words."""
        out = []
        for start in range(len(said)):
            for length in range(1, LONGEST_NAME + 1):
                if tuple(said[start : start + length]) in self.names:
                    out.append((start, start + length))
        return out


def _inside(start: int, end: int, spans: list[tuple[int, int]]) -> bool:
    return any(a <= start and end <= b for a, b in spans)


def mine(book: BookFolder, part: str | None, job: str | None, to: str | None = None) -> OwnRecords:
    """Whose letter it is and what it may say.

    part, job  what the answer is about;  to  who the letter is written to, where it says
    Raises     UsageError where the part is one customer's and the job or the addressee another's, or where the part
               ran for several and neither tells which
    """
    conn = book.read()
    return _records(conn, _customer(conn, part, job, to), part)


def of_customer(book: BookFolder, name: str) -> OwnRecords:
    """What a page that goes to a customer of the book may say. Raises NotFoundError for one that the book has not."""
    conn = book.read()
    listed = _customers(conn)
    found = next((n for n in listed if n == name), None) or next((n for n in listed if same(n, name)), None)
    if found is None:
        raise NotFoundError(
            f"the book has no customer {name!r}",
            remedy=did_you_mean(name, listed).strip()
            or "Customers stand with their parts and jobs: loadbook list jobs",
        )
    return _records(conn, found, None)


def _records(conn: Any, customer: str | None, part: str | None) -> OwnRecords:
    out = OwnRecords(customer, part)
    own: list[Any] = []
    others: list[Any] = []
    guarded: set[str] = set()
    for r in conn.execute(_PIECES):
        is_theirs = same(r["customer"], customer) if customer else r["customer"] is None and r["part"] == part
        (own if is_theirs else others).append(r)
        if r["guarded"] and not is_theirs:
            guarded.add(str(r["run"]))
    out.pieces = frozenset((r["run"], r["part"], r["serial"]) for r in own)
    out.runs, out.guarded = frozenset(r["run"] for r in own), frozenset(guarded)
    out.own_pieces = frozenset((r["run"], r["part"]) for r in own)
    out.shared_parts = out.own_pieces & frozenset((r["run"], r["part"]) for r in others)
    out.keys = _keys(conn, customer, part, own)
    out.names = {tuple(words(str(v))) for r in own for v in (r["run"], r["part"], r["job"]) if v}
    spare = {key(str(v)) for r in own for v in (r["serial"], r["heat_number"]) if v}
    for kind, name in _others(conn, customer, part, out.runs):
        _forbid(out, kind, name, spare)
    for r in others:
        for kind in ("serial", "heat_number"):
            if r[kind]:
                _forbid(out, kind.replace("_", " "), str(r[kind]), spare)
    for theirs in filter(None, (customer, part)):  # their own names are theirs, whoever else uses them
        out.forbidden.pop(key(theirs), None)
        out.names.add(tuple(words(theirs)))
    _tell(out, conn)
    return out


def _keys(conn: Any, customer: str | None, part: str | None, own: list[Any]) -> dict[str, frozenset[str]]:
    """The customer's own keys, by kind."""
    parts = {r["part"] for r in own}
    listed = conn.execute("SELECT part, material, customer FROM part").fetchall()
    parts |= {p["part"] for p in listed if same(p["customer"], customer) or (customer is None and p["part"] == part)}
    jobs = [j for j in conn.execute("SELECT * FROM job") if same(j["customer"], customer)]
    runs = {r["run"] for r in own}
    cycles = [r for r in conn.execute("SELECT run, cycle, cycle_revision FROM run") if r["run"] in runs]
    measured = conn.execute("SELECT part, characteristic FROM characteristic")
    found = {
        "part": [*parts, part],
        "run": runs,
        "material": [p["material"] for p in listed if p["part"] in parts],
        "characteristic": [c["characteristic"] for c in measured if c["part"] in parts],
        "cycle": [r["cycle"] for r in cycles],
        "cycle_revision": [r["cycle_revision"] for r in cycles],
        **{name: [j[name] for j in jobs] for name in ("job", "purchase_order", "drawing_revision")},
    }
    return {kind: frozenset(str(v) for v in values if v) for kind, values in found.items()}


def _customer(conn: Any, part: str | None, job: str | None, to: str | None) -> str | None:
    of_part = _one(conn, "SELECT customer FROM part WHERE part = ?", part)
    senders = [] if of_part else _senders(conn, part)
    if len(senders) == 1:
        (of_part,) = senders
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
        found = others[0] if len(others) == 1 else None
        if senders and not any(same(found, s) for s in senders):
            raise UsageError(
                f"part {part} ran for several customers, and the letter does not say for whom it is",
                remedy="Name one with --to as the book spells it, or answer again with --job",
            )
        return found
    if others:
        raise UsageError(
            f"the answer is about work of {customer}, and --to names {others[0]}",
            remedy="A letter goes to the customer whose work it is about",
        )
    return customer


def _senders(conn: Any, part: str | None) -> list[str]:
    """The customers for whose jobs pieces of a part ran, each once."""
    rows = conn.execute(
        "SELECT DISTINCT j.customer FROM piece AS p JOIN job AS j USING (job) WHERE p.part = ? ORDER BY 1", (part,)
    )
    return list({key(str(r[0])): str(r[0]) for r in rows}.values())


def _others(conn: Any, customer: str | None, part: str | None, own_runs: frozenset[str]) -> Iterator[tuple[str, str]]:
    """(what it is, name) of everything that belongs to somebody else."""
    for name in _customers(conn):
        if not same(name, customer):
            yield "customer", name
    for name, owner in conn.execute("SELECT part, customer FROM part"):
        if name != part and not same(owner, customer):
            yield "part", name
    own_specifications = set()
    jobs = conn.execute("SELECT job, customer, purchase_order, specification FROM job").fetchall()
    for _, owner, _, specification in jobs:
        if same(owner, customer) and specification:
            own_specifications.add(key(specification))
    for job, owner, order, specification in jobs:
        if not same(owner, customer):
            yield "job", job
            if order:
                yield "purchase order", order
            if specification and key(specification) not in own_specifications:
                yield "specification", specification
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
    own = {*words(out.customer or ""), *COMMON, *single_words()}
    for name in others:
        for word in words(name):
            if len(word) >= 4 and count[word] == 1 and word not in own:
                out.telling[word] = f"customer {name}"


def _customers(conn: Any) -> list[str]:
    listed = conn.execute("SELECT customer FROM part UNION SELECT customer FROM job ORDER BY 1")
    return [str(r[0]) for r in listed if r[0]]


def _one(conn: Any, sql: str, value: str | None) -> str | None:
    row = conn.execute(sql, (value,)).fetchone() if value is not None else None
    return str(row[0]) if row and row[0] else None


def others_classes(
    book: BookFolder, my: OwnRecords, comparables: Iterable[dict[str, Any]], like: tuple[str | None, str | None]
) -> list[tuple[int, str, str, bool]]:
    """Another's comparable runs: (how many, shape, family, whether like what is asked), LEAST_IN_A_CLASS or more.

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
            alike = phrase("family", row["family"]) or "", phrase("shape", row["shape"]) or ""
            classes.setdefault(alike, set()).add(c["run"])
    out = []
    asked = phrase("family", like[0]) or "", phrase("shape", like[1]) or ""
    for (family, shape), runs in sorted(classes.items(), key=lambda i: (-len(i[1]), i[0])):
        if len(runs) < LEAST_IN_A_CLASS:
            continue
        out.append((len(runs), shape, family, (family, shape) == asked and bool(shape)))
    return out


def refuse_leaks(my: OwnRecords, texts: Iterable[tuple[str, Source]]) -> None:
    """The last look before anything is written: every text, with who wrote it.

    Raises LoadbookError that says what would have been named.
    """
    for text, source in texts:
        if hits := my.found(text, free=source == "typed", ours=source == "ours"):
            raise LoadbookError(
                f"the letter would name {hits[0]}, which belongs to another customer; it is not written",
                remedy="Look at the answer with: loadbook answer --show, and write the letter without that text",
            )
