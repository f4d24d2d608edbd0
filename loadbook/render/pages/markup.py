"""HTML out of values: the one place where text becomes markup. Whatever is not `Html` already is escaped here.

`el("td", value, class_="right")` is the only way an element comes to be; there is no other string glue. Control and
direction characters become visible as everywhere else (`tables.plain`), and text with right-to-left letters stands in
a `bdi` of its own, so that it cannot turn the words around it.

Our own, because a template engine escapes but does neither of these: measured on the page's shell with Jinja2, it took
330 lines for 323, and 1.6 times the time for a table.
"""

from __future__ import annotations

import html
import json
import re
import unicodedata
from collections.abc import Iterable
from functools import cache
from typing import Any

from loadbook.core.figures import true_minus
from loadbook.render.tables import exact, plain

VOID = frozenset({"meta", "input", "br", "hr", "col", "wbr"})  # of HTML; SVG's empty elements are closed
_JOINERS = ("\u200c", "\u200d")  # they hold letters of some scripts, and emoji, together; harmless in a page
_SPECIAL = re.compile("[&<>\"']")
_UNIT = re.compile(r"(?<=\d) (?=(?:[°%µ×]|(?:mm|min|in|h|s|MPa|ksi|mbar|kg|lb|(?:ten-)?thousandths?)\b))")


class Html(str):
    """Text that is markup already. Made by this module only."""

    __slots__ = ()


def visible(words: str) -> str:
    """Words with control and direction characters made visible; what joins letters and emoji stays.

    >>> visible("a\\u202eb")
    'a\\\\u202eb'
    """
    return words if words.isprintable() else "".join(c if c in _JOINERS else plain(c) for c in words)


def tied(words: str) -> str:
    """Words in which a figure and its unit stay on one line, with true minus signs. For what is shown only: nothing
    stored or compared.

    >>> tied("-80 °C/h, 3 pieces")
    '−80\\xa0°C/h, 3 pieces'
    """
    words = true_minus(words)
    return _UNIT.sub("\u00a0", words) if " " in words else words


def text(value: Any) -> Html:
    """A value as escaped text, on one line; a figure stays with its unit; None is nothing.

    >>> text("<b> & 'c'")
    '&lt;b&gt; &amp; &#x27;c&#x27;'
    """
    if isinstance(value, Html):
        return value
    shown = visible(value if isinstance(value, str) else plain(value))
    escaped = _escaped(tied(shown))
    if not shown.isascii() and any(unicodedata.bidirectional(c) in ("R", "AL", "AN") for c in shown):
        return Html(f"<bdi>{escaped}</bdi>")
    return Html(escaped)


def join(children: Iterable[Any], between: str = "") -> Html:
    """Children one after the other: Html as it is, all else as text; lists are opened, None is left out."""
    out: list[str] = []
    for child in children:
        if child is None:
            continue
        out.append(join(child) if isinstance(child, (list, tuple)) else text(child))
    return Html(_escaped(between).join(out))


def el(name: str, /, *children: Any, **attributes: Any) -> Html:
    """An element. Attributes: a last underscore is dropped, others become hyphens (class_, aria_label, data_run);
    True is an attribute without a value, None and False are none.

    >>> el("p", "a < b", el("b", "c"), class_="note", hidden=True)
    '<p class="note" hidden>a &lt; b<b>c</b></p>'
    """
    head = f"<{name}"
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        head += f" {_key(key)}" if value is True else f' {_key(key)}="{_attribute(value)}"'
    return Html(f"{head}>" if name in VOID and not children else f"{head}>{join(children)}</{name}>")


@cache
def _key(key: str) -> str:
    return key.rstrip("_").replace("_", "-")


def _attribute(value: Any) -> str:
    return _escaped(visible(value if isinstance(value, str) else plain(value)))


def _escaped(words: str) -> str:
    return html.escape(words) if _SPECIAL.search(words) else words  # most have nothing to escape


def data_block(name: str, data: Any) -> Html:
    """Data inside the page: `<script type="application/json" id=NAME>`, read by the page's script and by tests.

    data  anything that `tables.exact` takes; not-a-number becomes null
    """
    body = json.dumps(exact(data), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    body = body.replace("<", "\\u003c")
    if not body.isprintable():
        body = "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in body)
    return Html(f'<script type="application/json" id="{_attribute(name)}">{body}</script>')
