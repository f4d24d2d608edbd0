"""Cycle files: what they may say, and every fault with its file and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from loadbook.core.errors import IntakeError, NotFoundError, UsageError
from loadbook.readers.cycles.file import parse_cycle, read_cycle_file
from loadbook.readers.cycles.keys import EXAMPLE, LIMITS_KEYS, LIMITS_OPTIONS, example, key_meanings
from loadbook.render.book_units import in_units
from loadbook.store.book import BookFolder
from loadbook.store.records import add_intake
from loadbook.store.run_records import cycle_tables, load_cycle, same_cycle

HEAD = """[cycle]
id = "00123"
revision = "A"
title = "t"
process = "stress relief"
atmosphere = "air"
"""
HEAT = '[[segment]]\nkind = "heat"\ntarget = "1150 F"\nrate_max = "200 F/h"\n'


def faults(text: str) -> list[str]:
    with pytest.raises(IntakeError) as caught:
        parse_cycle(text, "c.toml")
    return [str(p) for p in caught.value.problems]


def test_units_are_read_as_written() -> None:
    cycle = parse_cycle(HEAD + HEAT + '[limits]\nspread = "75 F diff"\ndoor = "250 F"\nlead = "250 F diff"\n').cycle
    assert cycle.cycle == "00123"
    assert cycle.segments[0].target_c == pytest.approx(621.111, abs=5e-4)
    assert cycle.segments[0].rate_max_c_per_h == pytest.approx(111.111, abs=5e-4)
    assert {x.quantity: x.value for x in cycle.limits} == pytest.approx(
        {"spread": 41.6667, "event_work": 121.1111, "lead": 138.8889}, abs=5e-5
    )


def test_the_example_reads_whole() -> None:
    cycle = parse_cycle(EXAMPLE).cycle
    assert [s.kind for s in cycle.segments] == ["heat", "hold", "heat", "hold", "cool"]
    assert cycle.segments[3].minutes == 120.0
    slow = cycle.limits[0]  # rate_min with an allowance became a limit above 425 °C
    assert (slow.quantity, slow.relation, slow.value, slow.segment, slow.above_c) == ("cooling_rate", "min", 50, 5, 425)
    assert [x.number for x in cycle.limits] == list(range(1, len(cycle.limits) + 1))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            HEAD + HEAT.replace("rate_max", "rate_mx"),
            "c.toml:10:rate_mx: 'rate_mx' is not a key of [[segment]]. Did you mean 'rate_max'?",
        ),
        (HEAD + HEAT.replace("1150", "11500"), "c.toml:9:target: target is hotter than any furnace (found '11500 F'). "
                                               "Check its digits and its unit"),
        (HEAD + HEAT.replace('"1150 F"', "1150"), "c.toml:9:target: target has no unit (found '1150'). "
                                                  'Write "1150 C" or "1150 F"'),
        (
            HEAD + HEAT + '[limits]\nspread = "40 C"\n',
            "c.toml:12:spread: '40 C' is a temperature where a difference is needed (found '40 C'). "
            "Write '40 C diff'",
        ),
        (
            HEAD + HEAT + '[limits]\ndoor = "40 C diff"\n',
            "c.toml:12:door: '40 C diff' is a difference where a temperature is needed (found '40 C diff'). "
            "Leave out 'diff'",
        ),
        (HEAD.replace('revision = "A"\n', "") + HEAT, "c.toml:1: [cycle] has no revision. Add revision: its revision; "
                                                      "a cycle that a run has used is changed by a new revision"),
        (HEAD, "c.toml: there is no [[segment]]. Add at least one [[segment]] with its kind"),
        (
            HEAD + HEAT + "[limts]\n",
            "c.toml:11: [limts] is not part of a cycle. Did you mean 'limits'?",
        ),
        (HEAD + HEAT.replace('"heat"', '"heet"'), "c.toml:8:kind: kind is not one of the words it may be (found "
                                                  "'heet'). Did you mean 'heat'?"),
        (HEAD + '[[segment]]\nkind = "heat"\n', 'c.toml:7: a heat has no target. Add target = "620 C"'),
        (
            HEAD + HEAT + '[[limit]]\nquantity = "spread"\nmax = "40 C diff"\nscope = "distance"\n',
            'c.toml:14:scope: scope = "distance" and within belong together',
        ),
        (
            HEAD + HEAT + '[[limit]]\nquantity = "soak"\nmin = "60 min"\nsegment = 1\n',
            "c.toml:14:segment: segment 1 is not a hold",
        ),
        (
            HEAD + HEAT + '[[limit]]\nquantity = "heating_rate"\nmax = "60 C/h"\nrule = "rate/thickness"\n',
            'c.toml:14:rule: a thickness rule needs per. Add per = "25 mm"',
        ),
        (
            HEAD + HEAT + '[[limit]]\nquantity = "event_work"\nmax = "60 C"\n',
            'c.toml:12:quantity: event_work needs its event. Add event = "door opened"',
        ),
        (
            HEAD + HEAT + 'may_slow_below = "400 C"\nrate_min = "10 C/h"\n',
            "c.toml:11:may_slow_below: may_slow_below does not go with this segment. A heat may slow above a "
            "temperature, a cool below one",
        ),
        (
            HEAD + '[[segment]]\nkind = "hold"\ntarget = "600 C"\nband_class = 2\n',
            'c.toml:10:band_class: a band_class without its unit (found \'2\'). Add band_class_unit = "C" or "F": the '
            "two editions are not each other's conversion",
        ),
        (
            HEAD + HEAT + 'rate_min = "300 F/h"\n',
            "c.toml:11:rate_min: the least allowed is above the most allowed (found '300 F/h')",
        ),
    ],
)  # fmt: skip
def test_a_fault_is_said_with_its_line_and_its_mend(text: str, said: str) -> None:
    assert faults(text) == [said]


def test_no_toml_is_said_with_its_line() -> None:
    found = faults(HEAD + "[[segment]\n")
    assert len(found) == 1 and found[0].startswith("c.toml:7: ")


def test_all_faults_are_said_at_once() -> None:
    text = HEAD + HEAT.replace("rate_max", "rat_max") + '[limits]\nspred = "40 C diff"\ndoor = 60\n'
    assert len(faults(text)) == 3


def test_band_by_class() -> None:
    hold = '[[segment]]\nkind = "hold"\ntarget = "600 C"\nband_class = 2\nband_class_unit = '
    assert parse_cycle(HEAD + hold + '"C"\n').cycle.segments[0].band_low_c == 6.0
    assert parse_cycle(HEAD + hold + '"F"\n').cycle.segments[0].band_high_c == pytest.approx(10 / 1.8)


def test_a_hold_takes_the_target_before_it() -> None:
    cycle = parse_cycle(HEAD + HEAT + '[[segment]]\nkind = "hold"\nminutes = 30\n').cycle
    assert cycle.segments[1].target_c == cycle.segments[0].target_c


def test_a_file_that_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_bytes(b"\xff\xfe[cycle]")
    with pytest.raises(IntakeError, match="not UTF-8 text"):
        read_cycle_file(path)
    with pytest.raises(NotFoundError, match="there is no such file"):
        read_cycle_file(tmp_path / "none.toml")


def test_a_cycle_comes_back_from_the_book_as_it_was(tmp_path: Path) -> None:
    found = parse_cycle(EXAMPLE)
    book = BookFolder.create(tmp_path / "b")
    with book.write() as conn:
        add_intake(conn, "cycles", cycle_tables(found.cycle, found.source_text), rows_read=1)
    conn = book.read()
    assert load_cycle(conn, "SR-620") == found.cycle
    assert same_cycle(conn, "SR-620", "A", found.source_text) is True
    assert same_cycle(conn, "SR-620", "A", "other") is False
    assert same_cycle(conn, "SR-620", "B", "other") is None
    with pytest.raises(NotFoundError, match="no revision 'Z'"):
        load_cycle(conn, "SR-620", "Z")
    with pytest.raises(NotFoundError, match="no cycle 'SR'"):
        load_cycle(conn, "SR")
    with book.write() as conn:
        second = parse_cycle(EXAMPLE.replace('revision = "A"', 'revision = "B"'))
        add_intake(conn, "cycles", cycle_tables(second.cycle, second.source_text), rows_read=1)
    with pytest.raises(UsageError, match=r"more than one may be in use.*A \(not run yet\), B \(not run yet\)"):
        load_cycle(book.read(), "SR-620")
    assert load_cycle(book.read(), "SR-620", "B").revision == "B"


def test_the_revision_in_use_is_taken_where_there_is_no_doubt(book: BookFolder) -> None:
    """The newest one, once it is run and no other is any more; a later run of an older one leaves the question open."""
    for revision in ("A", "B"):
        with book.write() as conn:
            found = parse_cycle(EXAMPLE.replace('revision = "A"', f'revision = "{revision}"'))
            add_intake(conn, "cycles", cycle_tables(found.cycle, found.source_text), rows_read=1)

    def ran(name: str, day: str, revision: str, status: str = "done") -> None:
        with book.write() as conn:
            row = {"run": name, "furnace": "F1", "cycle": "SR-620", "cycle_revision": revision, "status": status,
                   "started": f"2026-{day}T08:00:00Z"}  # fmt: skip
            add_intake(conn, "runs", {"run": [row]}, rows_read=1)

    ran("X1", "03-01", "A")
    with pytest.raises(UsageError, match=r"A \(last run 2026-03-01\), B \(not run yet\)"):
        load_cycle(book.read(), "SR-620")
    ran("X2", "03-05", "B")
    ran("X3", "03-09", "A", status="void")
    assert load_cycle(book.read(), "SR-620").revision == "B"
    ran("X4", "03-10", "A")
    with pytest.raises(UsageError, match="more than one may be in use"):
        load_cycle(book.read(), "SR-620")


def test_an_allowance_to_slow_while_heating() -> None:
    text = HEAD + HEAT + 'rate_min = "100 F/h"\nmay_slow_above = "1000 F"\n'
    cycle = parse_cycle(text).cycle
    assert cycle.segments[0].rate_min_c_per_h is None
    (limit,) = cycle.limits
    assert (limit.quantity, limit.relation, limit.segment, limit.phase) == ("heating_rate", "min", 1, "heating")
    assert limit.below_c == pytest.approx(537.778, abs=5e-4) and limit.above_c is None
    assert limit.typed == "100 F/h, may slow above 1000 F"


def test_every_key_of_a_cycle_file_has_a_meaning() -> None:
    told = {(table, key): meaning for table, key, _, meaning in key_meanings()}
    assert all(told.values())
    names = {key for table, key in told if table == "[limits]"}
    phased = {n for meaning in told.values() for n in meaning.partition("; also ")[2].split(", ") if n}
    assert names | phased == set(LIMITS_KEYS) | set(LIMITS_OPTIONS)


def test_limits_are_listed_with_their_units() -> None:
    """In a book of °F a limit of 30 °F between thermocouples is never told as 16.7."""
    limits = parse_cycle(example("us"), "c.toml").cycle.limits
    columns = ["quantity", "phase", "relation", "value", "floor"]
    rows = [[x.quantity, x.phase, x.relation, x.value, x.floor] for x in limits]
    for system, hot, apart in (("us", 1200.0, 30.0), ("si", 648.889, 16.6667)):
        names, told = in_units(columns, rows, system)
        assert names == ["quantity", "phase", "relation", "value", "unit", "floor"]
        of = {(r[0], r[1]): r[3:] for r in told}
        degree = "°F" if system == "us" else "°C"
        assert of["over_temperature", "any"] == [pytest.approx(hot, abs=1e-3), degree, None]
        assert of["spread", "hold"] == [pytest.approx(apart, abs=1e-3), degree, None]
        assert of["soak", "hold"] == [60.0, "min", 30.0]
        assert of["work_tcs", "any"] == [4.0, "", None]
        assert of["gap", "any"] == [300.0, "s", None]
