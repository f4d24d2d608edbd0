"""What inspectors' sheets hold beside figures is read where it can mean one thing, else asked about or refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from loadbook.core.errors import IntakeError
from loadbook.core.vocabulary.intake_kinds import BY_KIND
from loadbook.readers.tables.take import take_file
from loadbook.store.book import BookFolder

READ = "part,serial,characteristic,stage,value_mm\n00123,007,bore,before,"
PIECE = "run,part,serial\nR1,00123,"
SIZE = "part,characteristic,kind,nominal_mm,lower_mm,upper_mm\n00123,od,OD,"
RUN = "run,furnace,cycle,started\n"
BESIDE = "part,serial,characteristic,Before HT (mm),after_mm\n00123,"
RIGHT: dict[str, tuple[str, str, list[dict[str, Any]]]] = {
    "an uncertainty behind": ("readings", f"{READ}80.002 ±0.002\n", [{"value_mm": 80.002}]),
    "a tolerance with commas": (
        "readings", READ.replace(",", ";") + "80,002 +/- 0,015 mm\n", [{"value_mm": 80.002}],
    ),
    "the sign of a diameter": ("readings", f"{READ}Ø 80.002\n", [{"value_mm": 80.002}]),
    "a power of ten": ("readings", f"{READ}8.0002E+01\n", [{"value_mm": 80.002}]),
    "quoted decimal commas": ("readings", f'{READ}"80,0021"\n00123,008,bore,before,"80,002"\n',
                              [{"value_mm": 80.0021}, {"value_mm": 80.002}]),
    "thousandths": ("readings", READ.replace("value_mm", "Actual (thou)") + "3149.7\n", [{"value_mm": 80.00238}]),
    "a dash where nothing was read": (
        "readings", f"{BESIDE}007,bore,80.002,–\n00123,008,bore,n/a,80.01\n",
        [{"stage": "before", "value_mm": 80.002}, {"stage": "after", "value_mm": 80.01}],
    ),
    "a stage in more words": ("readings", READ.replace("before", "pre heat treat") + "80.002\n", [{"stage": "before"}]),
    "the heading of every page": ("readings", f"{READ}80.002\n{READ.replace('007', '008')}80.003\n",
                                  [{"value_mm": 80.002}, {"value_mm": 80.003}]),
    "bars between": ("readings", READ.replace(",", "|") + "80.002\n", [{"value_mm": 80.002}]),
    "a nominal with its tolerance": (
        "characteristics", f"{SIZE}300 ±0.05,,\n", [{"nominal_mm": 300.0, "lower_mm": 299.95, "upper_mm": 300.05}],
    ),
    "limits of its own": (
        "characteristics", "part;characteristic;kind;nominal_mm\n00123;od;OD;Ø300 +0,05/0\n",
        [{"nominal_mm": 300.0, "lower_mm": 300.0, "upper_mm": 300.05}],
    ),
    "no line end, and whole": ("readings", READ + "80.002\n00123,007,bore,after,80.005\n00123,008,bore,before,80.001\n"
                               "00123,008,bore,after,80.004", [{}, {}, {}, {"value_mm": 80.004}]),
    "kept as text": ("pieces", f'{PIECE}"=""0011"""\nR1,00123,\'0012\n', [{"serial": "0011"}, {"serial": "0012"}]),
    "serials of a lot": ("pieces", f"{PIECE}24-12\nR1,00123,24-13\nR1,00123,25-0117\n", [{"serial": "24-12"}, {}, {}]),
    "a lot with its quantity": ("pieces", "run,part,serial,quantity\nR1,00123,011-014,4\n", [{"quantity": 4}]),
    "month first, two-digit years": ("runs", f"{RUN}N1,F1,-,3/4/26 7:30\nN2,F1,-,3/24/26 7:30\n",
                                     [{"started": "2026-03-04T06:30:00Z"}, {"started": "2026-03-24T06:30:00Z"}]),
    "a spreadsheet's own date": ("runs", f"{RUN}N1,F1,-,4-Mar-26 7:30\n", [{"started": "2026-03-04T06:30:00Z"}]),
    "day first, the year the same": (
        "runs", f"{RUN}N1,F1,-,24.03.26 7:30\nN2,F1,-,3.03.26 7:30\nN3,F1,-,5.03.26 7:30 Uhr\n",
        [{"started": "2026-03-24T06:30:00Z"}, {"started": "2026-03-03T06:30:00Z"}, {"started": "2026-03-05T06:30:00Z"}],
    ),
    "a check in three letters": (
        "furnace_checks", "furnace,kind,done_on,at_c,passed\nF1,TUS,2026-03-04,600,PASS\n",
        [{"kind": "uniformity survey", "passed": 1}],
    ),
}  # fmt: skip
ASKED = {
    "the nominal itself": ("readings", f"{READ}80 ±0.015\n", "that is the nominal with its tolerance"),
    "only commas that may be thousands": ("readings", f'{READ}"80,002"\n', "decimals or thousands"),
    "commas and points": ("readings", f'{READ}"80,0021"\n00123,008,bore,before,80.002\n', "decimals or thousands"),
    "a range of serials": ("pieces", f"{PIECE}005-008\n", "serial: 4 pieces in one row"),
    "a list of serials": ("pieces", f"{PIECE}SN21 & 24\n", "serial: 4 pieces in one row"),
    "a serial with what is not seen": ("pieces", f"{PIECE}0\u200b11\n", r"cannot be seen.*0\\u200b11"),
    "dots do not settle slashes": (
        "runs", f"{RUN}N1,F1,-,20.03.2026 7:30\nN2,F1,-,04/03/2026 7:30\n", "a.csv:3:started: the order",
    ),
    "two digits that may be the year": ("runs", f"{RUN}N1,F1,-,24.03.26 7:30\n", "the order of day and month"),
    "a time with a point": ("runs", f"{RUN}N1,F1,-,24.03.2026 7.30\n", "the time behind the date"),
    "another table below": ("readings", f"{READ}80.002\nPart no,Serial no,characteristic,stage,value_in\n",
                            "a.csv:3: another heading stands here"),
    "units below the heading": ("readings", READ.replace("00123", ",,,,mm\n00123") + "80.002\n", "the row: a unit"),
    "a report's columns": ("readings", "part,serial,characteristic,stage,Nominal,Actual (mm)\n", "Nominal.*Delete it"),
    "a number cut off": ("readings", READ + "80.002\n" + "".join(
        f"00123,{s},bore,{w},80.00{k}\n" for k, (s, w) in enumerate((("007", "after"), ("008", "before")))
    ) + "00123,008,bore,after,80.0", "a.csv:5:value_mm: the file ends in this number"),
    "letters that look the same": ("pieces", f"{PIECE}\u041005\nR1,00123,A05\n", "serial: the run has \u041005"),
    "a long hyphen": ("pieces", f"{PIECE}A\u201305\nR1,00123,A-05\n", "the same piece"),
    "an operation on a range": (
        "operations", "part,serial,sequence,operation\n00123,007-012,1,milling\n", "serial: 6 pieces in one row",
    ),
    "an operation on a serial without its zeros": (
        "operations", "part,serial,sequence,operation\n00123,7,1,milling\n", "that serial, but 007: the same piece",
    ),
    "a point among commas": ("readings", READ.replace(",", ";") + "80.002\n00123;008;bore;before;80,0\n", "80,002"),
    "titles above": ("readings", "Part: 00123;\nFeature;Nominal;Actual\nbore;80;80,002\n", "lines below have"),
    "another language": ("characteristics", "part,characteristic,kind\n00123,e,planéité\n", "mean 'flatness'"),
    "a heading of another language": ("pieces", "Charge;Teil;Seriennummer\n", "Did you mean 'serial'"),
}  # fmt: skip


@pytest.mark.parametrize("name", RIGHT)
def test_what_can_mean_one_thing_is_read(name: str, book: BookFolder, tmp_path: Path) -> None:
    kind, text, wanted = RIGHT[name]
    table = BY_KIND[kind].table
    last = book.read().execute(f"SELECT max(rowid) FROM {table}").fetchone()[0] or 0
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    taken = take_file(book, kind, tmp_path / "a.csv")
    rows = book.read().execute(f"SELECT * FROM {table} WHERE rowid > ? ORDER BY rowid", (last,)).fetchall()
    assert len(rows) == len(wanted) == taken.added
    for row, values in zip(rows, wanted, strict=True):
        assert {k: row[k] for k in values} == pytest.approx(values)


def test_what_stands_behind_a_reading_is_kept_and_told(book: BookFolder, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(RIGHT["an uncertainty behind"][1], encoding="utf-8")
    assert [n.code for n in take_file(book, "readings", tmp_path / "a.csv").notes] == ["tolerance_left"]
    assert "80.002 ±0.002" in book.read().execute("SELECT typed FROM reading").fetchone()["typed"]


@pytest.mark.parametrize("name", ASKED)
def test_what_can_mean_two_is_asked_or_refused(name: str, book: BookFolder, tmp_path: Path) -> None:
    kind, text, says = ASKED[name]
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    with pytest.raises(IntakeError, match=says):
        take_file(book, kind, tmp_path / "a.csv")
