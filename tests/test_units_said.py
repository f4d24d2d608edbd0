"""Units above the heading, away from the columns, are offered and never passed over; a switch names no channel."""

from __future__ import annotations

import pytest

from loadbook.readers.recorder.options import Options
from loadbook.readers.recorder.read import Read, look
from loadbook.readers.recorder.source import Source

ROWS = "".join(f"2025-11-03 08:{m:02},{20 + m + m % 3}.5,{70 + 2 * m + m % 2}.5\n" for m in range(60))
LISTED = "Channel,Tag,Unit,High\n1,Load top,degC,1000\n2,Load bottom,degF,2000\n\nDate Time,1,2\n" + ROWS
ABOVE = "Point,1,2\nUnit,degC,degF\nDate Time,,\n" + ROWS
WORDED = "Logger 7\nUnit: F\nTime,TC1,TC2\n" + ROWS


def read(text: str, *channels: str, unit: str = "") -> Read:
    return look(Source("a.csv", text.encode()), Options.named(channel=channels, unit=unit))


@pytest.mark.parametrize(("text", "names"), [(LISTED, ("1", "2")), (ABOVE, ("column 2", "column 3"))])
@pytest.mark.parametrize("unit", ["", "c"])
def test_one_unit_for_all_settles_nothing_where_the_file_says_two(text: str, names: tuple[str, ...], unit: str) -> None:
    found = read(text, *(f"{n}=work" for n in names), unit=unit)
    (question,) = [q for q in found.questions if "unit" in q.text]
    assert "the units above the heading differ" in question.text
    assert "'degC'" in question.text
    assert "'degF'" in question.text
    assert question.option == "--channel NAME=ROLE,UNIT for each"
    settled = read(text, f"{names[0]}=work,c", f"{names[1]}=work,f")
    assert settled.questions == []
    assert settled.reading.values[0, 0] == pytest.approx(20.5)
    assert settled.reading.values[1, 0] == pytest.approx((70.5 - 32.0) / 1.8)


def test_a_unit_above_the_heading_is_offered_and_told_where_another_is_stated() -> None:
    roles = ("TC1=work", "TC2=work")
    (question,) = read(WORDED, *roles).questions
    assert question.text.endswith("(line 2 'Unit: F': is that it?)")
    assert question.option == "--unit f"
    assert read(WORDED, *roles, unit="f").notes == []
    (note,) = [n for n in read(WORDED, *roles, unit="c").notes if "Unit: F" in n]
    assert "the temperatures are taken in °C" in note


def test_a_heading_with_its_own_unit_needs_no_other() -> None:
    text = "Unit: F\nTime,TC1 (C),TC2 (C)\n" + ROWS
    found = read(text, "TC1=work", "TC2=work")
    assert (found.questions, [n for n in found.notes if "Unit" in n]) == ([], [])


def test_a_switch_is_no_name_of_a_channel() -> None:
    rows = "".join(f"2025-11-03T08:{m:02}:00,{20 + m + m % 3}.5,{'true' if m % 2 else 'false'},60\n" for m in range(60))
    found = look(Source("a.csv", f"timestamp,tc_1_c,output_on,level\n{rows}".encode()), Options())
    assert found.layout.shape == "wide"
    assert not any("--shape" in q.option for q in found.questions)


def test_names_that_end_in_both_letters_are_asked_about_one_by_one() -> None:
    rows = "".join(f"2025-11-03T08:{m:02}:00,{20 + m % 3},{68 + m % 5}\n" for m in range(60))
    found = look(Source("a.csv", f"timestamp,setpoint_c,setpoint_f\n{rows}".encode()), Options())
    asked = [q.option for q in found.questions if "no unit" in q.text]
    assert asked == ["--channel setpoint_c=setpoint,c (c, f or k)", "--channel setpoint_f=setpoint,f (c, f or k)"]
