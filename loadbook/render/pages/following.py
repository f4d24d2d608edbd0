"""A run while it is recorded, as a page that is written anew in place and asks the browser to load it again."""

from __future__ import annotations

from loadbook.analysis.following.so_far import BROKEN, HEADING
from loadbook.queries.following import Look, Seen
from loadbook.queries.judge import local
from loadbook.render.following import (
    ADVISES,
    COLUMNS,
    ahead_words,
    clause_rows,
    facts,
    fault_words,
    look_words,
    low_hold_words,
    state_words,
)
from loadbook.store.book import BookFolder

from .markup import Html, data_block, el
from .shell import definitions, mark, page, paragraph, section, sentences, table

RELOAD_S = 60.0


def following_page(seen: Seen, book: BookFolder, system: str, look: Look | None = None) -> str:
    """The page in units 'si' or 'us'. look: the look that it is of; None where the run is over: it loads itself no
    more."""
    shape = "triangle" if seen.stop or seen.worst in (BROKEN, HEADING) else "ring"
    last = local(seen.at, book) if seen.at else "no sample yet"
    rows = clause_rows(seen, book, system)
    coming = ahead_words(seen, book)
    looked = look_words(look, book)
    if looked:
        looked += " If your clock is well past that, it is no longer followed."
    sections = [
        section("Low hold", sentences(low_hold_words(seen, book, system)), name="low-hold")
        if seen.low_hold else None,
        section("Now", definitions(facts(seen, system)), paragraph(f"Last sample {last}."),
                paragraph(looked) if looked else None, paragraph(seen.assumed) if seen.assumed else None, name="now"),
        section("To come", sentences(coming), name="to-come") if coming else None,
        section("Clauses", table(COLUMNS, rows, caption="Each clause so far", hide_caption=True), name="clauses")
        if rows else None,
        section("Suspected faults", sentences(fault_words(seen, book, system)), name="faults") if seen.faults else None,
        data_block("seen-data", seen.as_dict()),
    ]  # fmt: skip
    first, rest = state_words(seen, book)  # a mark stays on one line
    state = mark(seen.worst or "no cycle", shape=shape, words=f"{first};" if rest else first)
    verdict = el("p", state, f" {rest}" if rest else None, class_="verdict")
    made = page(
        f"{seen.run} so far", [s for s in sections if s is not None], kind="While the furnace runs",
        summary=el("div", verdict, paragraph(ADVISES)), footer=paragraph(ADVISES),
    )  # fmt: skip
    if look is None:
        return made
    again = el("meta", http_equiv="refresh", content=f"{round(min(look.rest_s or RELOAD_S, RELOAD_S))}")
    return made.replace("<title>", f"{Html(again)}<title>", 1)
