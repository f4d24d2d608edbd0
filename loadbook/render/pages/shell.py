"""The shell of every page: one self-contained HTML file that asks nothing of any network.

Contract, for whoever writes a page:

- Build elements with `markup.el` (and `text`, `join`): text from the book is escaped there and nowhere else. A plain
  str given to any function here is text; only `Html` is markup.
- A page is `page(title, sections, kind=..., summary=..., footer=..., scripts=...)`. `sections` are made by `section`,
  which gives the `<h2>`; below it use `subsection` (`<h3>`), so that headings stay in order. Ids must be unique.
- `scripts` are names of files in `render/web`; each is inlined and named by its SHA-256 in the page's content policy,
  which lets nothing else run and nothing be fetched. No inline `on...` attributes; inline styles work.
- Values a test or a script reads back stand in `markup.data_block(id, data)`, with the keys of `--format json`.
- A verdict is shown by `mark`: a word and a shape, colour only on top. Lines are told apart by dash and a label.
- Everything works in print and without scripts: a script may add (hover, hiding), never hold content.
- Wide tables stack on narrow screens: give each table its column names, and keep cells short.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from loadbook.core import writing

from .markup import Html, data_block, el, join, text, visible

INTERNAL = "INTERNAL: not to leave the shop"
LONGEST_MARGIN = 70  # letters of a title at the foot of a sheet
WIDE = 9  # columns from which a table stacks on a middling screen too
# word of a verdict or state -> shape; the word itself always stands beside it
SHAPES = {
    "kept": "disc", "current": "disc", "accepted": "disc", "closed": "disc",
    "broken": "triangle", "failed": "triangle", "past due": "triangle", "certain": "triangle", "open": "triangle",
    "cannot be told": "ring", "no trace": "ring", "suspected": "ring", "refused": "ring",
    "no cycle": "square", "no due date": "square", "reported": "square",
}  # fmt: skip
_DRAWN = {
    "disc": el("circle", cx=8, cy=8, r=6),
    "triangle": el("path", d="M8 1.5 15 14.5H1Z"),
    "ring": el("path", d="M8 1.5 14.5 8 8 14.5 1.5 8Z", fill="none", stroke="currentColor", stroke_width=2.4),
    "square": el("rect", x=3, y=3, width=10, height=10, fill="none", stroke="currentColor", stroke_width=2),
}
EMPTY = el("td")


def page(
    title: str,
    sections: Sequence[Html],
    *,
    kind: str,
    summary: Any = None,
    footer: Any = None,
    scripts: Sequence[str] = (),
    styles: Sequence[str] = (),
    contents: Sequence[tuple[str, str]] = (),
    internal: bool = False,
    home: Any = None,
) -> str:
    """A complete HTML document with one inlined stylesheet.

    title     the `<h1>` and the document's title; kind  what sort of page, above it ("Run record")
    summary   what must be seen at one glance, above the sections
    footer    provenance or cautions in small print; contents  (section id, words) of a list of links at the top
    internal  say INTERNAL at the head of the page and of every printed sheet;  home  links to the pages around it
    scripts   names of files in `render/web`, inlined in order;  styles  the same, after page.css
    """
    sources = [asset(name) for name in scripts]
    hashes = " ".join(f"'sha256-{_digest(s)}'" for s in sources) or "'none'"
    policy = f"default-src 'none'; style-src 'unsafe-inline'; img-src data:; script-src {hashes}; base-uri 'none'"
    links = None
    if contents:
        items = [el("li", el("a", words, href=f"#{name}")) for name, words in contents]
        links = el("nav", el("ul", items), aria_label="On this page")
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", http_equiv="Content-Security-Policy", content=policy),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="generator", content="loadbook"),
        el("title", f"{title} · {kind}"),
        Html("<style>" + "".join(asset(name) for name in ("page.css", *styles)) + _sheets(title, kind, internal)
             + "</style>"),
    )  # fmt: skip
    body = el(
        "body",
        el(
            "header",
            el("p", INTERNAL, class_="internal") if internal else None,
            el("nav", home, class_="home", aria_label="Around this page") if home else None,
            el("p", kind, class_="kind"),
            el("h1", title),
            links,
        ),
        el("main", el("div", summary, class_="summary") if summary else None, list(sections)),
        el("footer", footer) if footer else None,
        [Html(f"<script>{s}</script>") for s in sources],
    )
    return "<!doctype html>\n" + el("html", Html("\n"), head, Html("\n"), body, Html("\n"), lang="en") + "\n"


def _sheets(title: str, kind: str, internal: bool) -> str:
    """What stands in the margins of each printed sheet: what it is of, page n of m, and INTERNAL."""
    head = f"@top-right{{content:{_quoted(INTERNAL)};font-weight:700}}" if internal else ""
    return (
        f"@page{{{head}@bottom-left{{content:{_quoted(f'{title} · {kind}')}}}"
        '@bottom-right{content:"page " counter(page) " of " counter(pages)}}'
    )


def _quoted(words: str) -> str:
    """Words as a string of a stylesheet: nothing in it but plain letters is left as it is."""
    shown = visible(words if len(words) <= LONGEST_MARGIN else words[: LONGEST_MARGIN - 1] + "…")
    return '"' + "".join(c if c.isascii() and (c.isalnum() or c == " ") else f"\\{ord(c):x} " for c in shown) + '"'


@cache
def asset(name: str) -> str:
    """The text of a file in `render/web`, as it is inlined."""
    found = files("loadbook.render").joinpath("web", name).read_text(encoding="utf-8")
    if "</script" in found.lower() or "</style" in found.lower():
        raise ValueError(f"{name} would end its own element")
    return found


def _digest(source: str) -> str:
    return base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()


def section(title: str, *children: Any, name: str, class_: str | None = None) -> Html:
    """A section with its `<h2>`; name is its id (letters, digits, hyphens)."""
    head = el("h2", title, id=f"{name}-title")
    return el("section", head, list(children), id=name, class_=class_, aria_labelledby=f"{name}-title")


def subsection(title: str, *children: Any) -> Html:
    """A part of a section with its `<h3>`."""
    return el("div", el("h3", title), list(children), class_="part")


def paragraph(*children: Any, class_: str | None = None) -> Html:
    """A paragraph; class_ 'note' is small print, 'caution' a caution."""
    return el("p", list(children), class_=class_)


def definitions(pairs: Iterable[tuple[Any, Any]], *, class_: str = "pairs") -> Html:
    """A definition list of (name, value); pairs without a value are left out. A list as a value is several values."""
    out = []
    for name, value in pairs:
        values = value if isinstance(value, (list, tuple)) else [value]
        values = [v for v in values if v is not None and v != ""]
        if values:
            out.append(el("div", el("dt", name), [el("dd", v) for v in values]))
    return el("dl", out, class_=class_)


def table(
    columns: Sequence[str], rows: Iterable[Sequence[Any]], *, caption: str, figures: Iterable[str] = (),
    drop_empty: bool = True, hide_caption: bool = False,
) -> Html:  # fmt: skip
    """A table. Cells are text, or Html; the first cell of a row is its heading.

    caption  what the table is, for everybody or (hide_caption) for screen readers only
    figures  names of columns of figures: right-aligned, same-width digits
    drop_empty  leave out columns in which no row has anything (never the first)
    """
    lines = [list(row) for row in rows]
    cells = [[text(v) if v is not None else Html("") for v in row] for row in lines]
    kept = [i for i in range(len(columns)) if i == 0 or not drop_empty or any(row[i] for row in cells)]
    right = set(figures)
    kinds = ["figure" if name in right else None for name in columns]
    head = el("tr", [el("th", columns[i], scope="col", class_=kinds[i]) for i in kept])
    body = []
    for line, row in zip(lines, cells, strict=True):
        first, *rest = kept
        out = [el("th", row[first], scope="row", data_head=columns[first], class_=kinds[first] or _words(line[first]))]
        for i in rest:
            if row[i]:
                out.append(el("td", row[i], data_head=columns[i] or None, class_=kinds[i] or _words(line[i])))
            else:  # not shown where a table stacks: it needs no name there
                out.append(EMPTY)
        body.append(el("tr", out))
    title = el("caption", caption, class_="unseen" if hide_caption else None)
    wide = "wide" if len(kept) > WIDE else None
    return el("table", title, el("thead", head), el("tbody", body), class_=wide)


def _words(value: Any) -> str | None:
    """Short text stays on one line in a narrow cell, short words stay whole; long ones may break anywhere."""
    if value is None or isinstance(value, Html) or any(len(w) > 10 for w in str(value).split()):
        return None
    return "whole" if len(str(value)) <= 10 else "words"


def mark(word: str, *, shape: str | None = None, words: Any = None) -> Html:
    """A verdict or state as a shape and its word (words instead of the bare word, where given).

    shape  'disc', 'triangle', 'ring' or 'square'; None = the word's own of SHAPES
    """
    shape = shape or SHAPES.get(word, "square")
    drawn = el("svg", _DRAWN[shape], viewBox="0 0 16 16", width=12, height=12, aria_hidden="true", focusable="false")
    return el("span", drawn, " ", word if words is None else words, class_=f"mark {shape}")


def moment(told: str | None) -> Html | None:
    """A date with a time in a narrow cell: it breaks between the two and nowhere else; None for none."""
    if not told:
        return None
    return join([whole(word) for word in told.split(" ")], " ")


def whole(words: str) -> Html:
    """A few words that never break over two lines."""
    return el("span", words, class_="whole") if words else Html("")


def picture(svg: str, alt: str, caption: Any = None, *, name: str | None = None) -> Html:
    """A ready SVG of our own making (a chart library's, never from the book) as a figure with its alternative text."""
    return el(
        "figure",
        el("div", Html(svg), role="img", aria_label=alt),
        el("figcaption", caption) if caption else None,
        id=name, class_="picture",
    )  # fmt: skip


def chart(name: str, drawing: Html, data: Any, alt: str, caption: Any = None, *, controls: Any = None) -> Html:
    """A slot for a chart: its drawing, the data it was drawn from (block NAME-data), its alternative text.

    drawing  what is seen without any script; controls  what stands below it, some of it for a script to give life to
    """
    return el(
        "figure", el("div", drawing, class_="plot", role="img", aria_label=alt), controls,
        el("figcaption", caption) if caption else None, data_block(f"{name}-data", data), id=name, class_="chart",
    )  # fmt: skip


def more(summary: Any, *children: Any) -> Html:
    """Something told on demand (details/summary)."""
    return el("details", el("summary", summary), list(children))


def sentences(lines: Iterable[Any]) -> Html | None:
    """A list of sentences; None where there are none."""
    items = [el("li", line) for line in lines]
    return el("ul", items) if items else None


def check_page(path: Path, *, force: bool = False, endings: Sequence[str] = (".html", ".htm")) -> None:
    """Refuse another ending, a folder that is not there and a name that is taken before any work. Raises UsageError."""
    writing.check_target(path, endings, what="a page", force=force)


def write_page(path: Path, source: str | bytes, *, force: bool = False) -> None:
    """Write a page or a PDF whole or not at all. Raises UsageError where the file is there and force is not given."""
    with writing.disk_errors("the page", path):
        writing.check(path, over=force, taken="Choose another name, or add --force")
        writing.put(path, source.encode("utf-8") if isinstance(source, str) else source, over=force)


__all__ = [
    "Html", "chart", "data_block", "definitions", "el", "join", "mark", "moment", "more", "page", "paragraph",
    "picture", "section", "sentences", "subsection", "table", "text", "whole", "write_page",
]  # fmt: skip
