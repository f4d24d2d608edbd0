"""The lines under the digest chain: the bytes of the standard library's encoder, whatever stands in a row."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadbook.store import chain
from loadbook.store.book import BookFolder
from loadbook.store.chain import lines
from loadbook.store.records import add_intake

TEXTS = st.text(st.characters(codec="utf-8"), max_size=8) | st.sampled_from(
    ["", ",}]\n", "}]\n", '"', "\\", "\x00", "\u2028", "\x1c", "\x7f", "é", "\U0001f525", "\udc80", "NULL"]
)
FLOATS = st.floats() | st.sampled_from([-0.0, 0.0, 1e22, 5e-324, 0.1, 1e16, 123456789.0])
INTEGERS = st.integers(-(2**63), 2**63 - 1)
KINDS = [TEXTS, FLOATS, INTEGERS, FLOATS | INTEGERS, TEXTS | FLOATS | INTEGERS | st.booleans(), st.none()]


@st.composite
def some_rows(draw: st.DrawFn) -> tuple[list[int], dict[str, list[Any]]]:
    count = draw(st.integers(0, 6))
    names = draw(st.lists(st.sampled_from(["part", "value", "value_mm", "run", "typed", "a", 'odd"é']), unique=True))
    columns = {}
    for name in names:
        cell = draw(st.sampled_from(KINDS))
        cell = cell | st.none() if draw(st.booleans()) else cell
        columns[name] = draw(st.lists(cell, min_size=count, max_size=count))
    return draw(st.lists(INTEGERS, min_size=count, max_size=count)), columns


@given(some_rows())
def test_a_line_is_what_the_standard_encoder_writes(given_rows: tuple[list[int], dict[str, list[Any]]]) -> None:
    keys, columns = given_rows
    wanted = ""
    for at, key in enumerate(keys):
        cells = {name: values[at] for name, values in columns.items() if values[at] is not None}
        wanted += json.dumps([key, cells], ensure_ascii=True, separators=(",", ":"), sort_keys=True) + "\n"
    assert lines(keys, columns) == wanted


@pytest.mark.parametrize(
    "value",
    [0.25, -0.0, 0.0, 7, -3, True, 2**53, float("inf"), float("nan")],
    ids=repr,
)
def test_the_link_is_of_what_the_book_gives_back(value: Any, book: BookFolder) -> None:
    """Whatever type a row is given in, and however the book then keeps it."""
    rows = [
        {"gauge": "G 8", "kind": "plug", "expansion_per_k": 1e-5, "calibrated_until": "2027-01-01"},
        {"gauge": "G 9", "kind": "plug\x00é", "expansion_per_k": value if value >= 0 else None, "resolution_mm": None},
    ]
    furnaces = [{"furnace": "F 8", "atmosphere": "air", "max_temp_c": value}]
    with book.write() as conn:
        add_intake(conn, "test", {"gauge": rows, "furnace": furnaces}, rows_read=3)
    assert chain.check(book.read()) == []


def test_rows_and_columns_make_the_same_link(book: BookFolder) -> None:
    """More rows than are made into lines at a time, and rows whose columns differ."""
    count = 2_003
    rows = [{"furnace": f"F {i}", "atmosphere": "air", **({"zones": i} if i % 3 == 1 else {})} for i in range(count)]
    columns = {
        "zones": [row.get("zones") for row in rows],
        "furnace": [row["furnace"] for row in rows],
        "note": [None] * count,
        "atmosphere": ["air"] * count,
    }
    found = []
    for given_as in (rows, columns):
        with pytest.raises(RuntimeError, match="undone"), book.write() as conn:
            add_intake(conn, "furnaces", {"furnace": given_as}, rows_read=count, taken_by="tester")
            assert chain.check(conn) == []
            kept = conn.execute("SELECT furnace, zones, note FROM furnace ORDER BY furnace_id DESC LIMIT 3").fetchall()
            head = conn.execute("SELECT rows_added FROM intake ORDER BY intake_id DESC").fetchone()[0]
            found.append((list(map(tuple, kept)), head))
            raise RuntimeError("undone")
    assert found[0] == found[1]
    assert found[0][1] == count
