"""Taking intake files in: counts, units, all or nothing, the same file twice, what settles what."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from loadbook.cli.main import cli
from loadbook.core.errors import IntakeError
from loadbook.core.vocabulary.intake_kinds import KINDS, Kind
from loadbook.readers.tables.resolve import HINTS
from loadbook.readers.tables.take import add_row, take_file
from loadbook.readers.tables.template import header_and_example, meanings
from loadbook.store import chain
from loadbook.store.book import BookFolder

Run = Callable[..., subprocess.CompletedProcess[str]]


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_bytes(text.encode())
    return path


def count(book: BookFolder, table: str) -> int:
    return int(book.read().execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def test_counts_in_one_sentence(book: BookFolder, tmp_path: Path) -> None:
    text = "furnace,atmosphere\nF1,air\nF2,vacuum\nF3,argon\n"
    taken = take_file(book, "furnaces", write(tmp_path, "f.csv", text))
    assert taken.sentence() == "f.csv: 3 rows read, 2 added, 1 already in the book"


def test_the_same_file_twice_adds_nothing(book: BookFolder, tmp_path: Path) -> None:
    path = write(tmp_path, "f.csv", "furnace,atmosphere\nF2,vacuum\n")
    take_file(book, "furnaces", path)
    again = take_file(book, "furnaces", write(tmp_path, "renamed.csv", "furnace,atmosphere\nF2,vacuum\n"))
    assert (again.added, again.already) == (0, 1)
    assert "taken in before" in again.sentence()
    assert count(book, "intake") == 2


def test_all_or_nothing_and_keep_good(book: BookFolder, tmp_path: Path) -> None:
    path = write(tmp_path, "f.csv", "furnace,atmosphere,zones\nF2,vacuum,3\nF3,argon,many\nF4,air,1\n")
    with pytest.raises(IntakeError) as caught:
        take_file(book, "furnaces", path)
    assert str(caught.value) == (
        "f.csv: 1 of 3 rows refused. Nothing was taken in; --keep-good takes the other 2\n"
        "  f.csv:3:zones: this is not a number (found 'many'). Write digits, with the unit in the column's name only"
    )
    assert count(book, "furnace") == 1
    taken = take_file(book, "furnaces", path, keep_good=True)
    assert taken.sentence() == "f.csv: 3 rows read, 2 added, 1 refused: line 3"
    restored = write(tmp_path, "g.csv", "furnace,atmosphere,zones\nF2,vacuum,3\nF3,argon,2\nF4,air,1\n")
    assert take_file(book, "furnaces", restored).sentence() == "g.csv: 3 rows read, 1 added, 2 already in the book"
    assert chain.check(book.read()) == []


def test_dry_run_changes_nothing(book: BookFolder, tmp_path: Path) -> None:
    path = write(tmp_path, "f.csv", "furnace,atmosphere\nF2,vacuum\n")
    assert take_file(book, "furnaces", path, dry_run=True).sentence() == "f.csv: 1 row read, 1 would be added"
    assert count(book, "furnace") == 1
    assert count(book, "intake") == 1


def test_leading_zeros_stay(book: BookFolder, tmp_path: Path) -> None:
    take_file(book, "parts", write(tmp_path, "p.csv", "part,material\n000042,42CrMo4\n1e5,42CrMo4\n"))
    assert {r[0] for r in book.read().execute("SELECT part FROM part")} == {"00123", "000042", "1e5"}


def test_units_in_names_are_converted_and_what_was_typed_is_kept(book: BookFolder, tmp_path: Path) -> None:
    text = "part,material,length_in,section_thick_in,mass_lb\nA,42CrMo4,16.5,1.5,20\n"
    take_file(book, "parts", write(tmp_path, "p.csv", text))
    row = (
        book.read().execute("SELECT length_mm, section_thick_mm, mass_kg, typed FROM part WHERE part = 'A'").fetchone()
    )
    assert tuple(row)[:3] == (pytest.approx(419.1), pytest.approx(38.1), pytest.approx(9.0718474))
    assert json.loads(row[3]) == {"length_in": "16.5", "section_thick_in": "1.5", "mass_lb": "20"}


def test_a_difference_in_fahrenheit_is_no_temperature(book: BookFolder, tmp_path: Path) -> None:
    text = "furnace,atmosphere,uniformity_f,max_temp_f\nF2,vacuum,25,2000\n"
    take_file(book, "furnaces", write(tmp_path, "f.csv", text))
    row = book.read().execute("SELECT uniformity_c, max_temp_c FROM furnace WHERE furnace = 'F2'").fetchone()
    assert tuple(row) == (pytest.approx(13.8889, abs=1e-4), pytest.approx(1093.3333, abs=1e-4))


def test_decimal_commas_in_a_semicolon_file(book: BookFolder, tmp_path: Path) -> None:
    text = "\ufeffpart;material;length_mm;mass_kg\r\nA;42CrMo4;151,5;2\r\nB;42CrMo4;1234,25;3,5\r\n"
    take_file(book, "parts", write(tmp_path, "p.csv", text))
    assert [r[0] for r in book.read().execute("SELECT length_mm FROM part WHERE part <> '00123'")] == [151.5, 1234.25]
    with pytest.raises(IntakeError, match="could mean thousands"):
        take_file(
            book, "parts", write(tmp_path, "q.csv", "part;material;length_mm\nC;42CrMo4;1.234,5\nD;42CrMo4;1,5\n")
        )


def test_a_key_with_other_values_is_refused(book: BookFolder, tmp_path: Path) -> None:
    with pytest.raises(IntakeError) as caught:
        take_file(book, "parts", write(tmp_path, "p.csv", "part,material,shape\n00123,42CrMo4,plate\n"))
    assert "already in the book with shape = ring" in str(caught.value)
    assert "loadbook amend parts 00123 shape=plate --why" in str(caught.value)


def test_a_key_with_other_values_is_told_in_the_units_of_the_file(book: BookFolder, tmp_path: Path) -> None:
    """Inches and °F as typed, and a command that can be followed as it stands."""
    header = "furnace,atmosphere,uniformity_f,max_temp_f\n"
    take_file(book, "furnaces", write(tmp_path, "f.csv", header + "F 2,vacuum,25,2000\n"))
    with pytest.raises(IntakeError) as caught:
        take_file(book, "furnaces", write(tmp_path, "g.csv", header + "F 2,vacuum,25,2050\n"))
    said = str(caught.value)
    assert "already in the book with max_temp_f = 2000 (found '2050')" in said
    assert 'loadbook amend furnaces "F 2" max_temp_f=2050 --why TEXT' in said


def test_cells_with_line_breaks_keep_physical_lines(book: BookFolder, tmp_path: Path) -> None:
    text = 'furnace,atmosphere,note,zones\nF2,vacuum,"two\nlines",3\nF3,argon,,x\n'
    with pytest.raises(IntakeError, match=r"f.csv:4:zones: this is not a number"):
        take_file(book, "furnaces", write(tmp_path, "f.csv", text))


READINGS = "part,serial,characteristic,stage,value_mm\n"


def test_a_reading_finds_its_only_run(book: BookFolder, tmp_path: Path) -> None:
    take_file(book, "characteristics", write(tmp_path, "c.csv", "part,characteristic,kind\n00123,face,flatness\n"))
    path = write(tmp_path, "r.csv", READINGS + "00123,007,bore,before,80.001\n00123,007,face,after,0.02\n")
    assert take_file(book, "readings", path).added == 2
    assert {r[0] for r in book.read().execute("SELECT run FROM reading")} == {"R1"}


def test_a_reading_of_a_serial_in_two_runs_asks_which(book: BookFolder, tmp_path: Path) -> None:
    take_file(book, "runs", write(tmp_path, "u.csv", "run,furnace,cycle,started\nR2,F1,-,2026-03-05T08:00\n"))
    take_file(book, "pieces", write(tmp_path, "p.csv", "run,part,serial\nR2,00123,007\n"))
    with pytest.raises(IntakeError) as caught:
        take_file(book, "readings", write(tmp_path, "r.csv", READINGS + "00123,007,bore,before,80.001\n"))
    assert "which run this reading belongs to is not clear" in str(caught.value)
    assert "the serial went through R1, R2" in str(caught.value)


def test_a_hint_is_given_to_each_of_a_few_wrong_names(book: BookFolder, tmp_path: Path) -> None:
    part = book.read().execute("SELECT part FROM part").fetchone()[0]
    lines = [f"{part}x{n // 2}x,1,od,before,80.0" for n in range(2 * HINTS + 2)]
    (tmp_path / "r.csv").write_text("\n".join(["part,serial,characteristic,stage,value_mm", *lines]) + "\n")
    with pytest.raises(IntakeError) as caught:
        take_file(book, "readings", tmp_path / "r.csv")
    problems = [p for p in caught.value.problems if "no part of that name" in p.what]
    assert [f"Did you mean '{part}'" in (p.remedy or "") for p in problems] == [True] * 2 * HINTS + [False] * 2


def test_a_reading_without_its_pair_is_kept(book: BookFolder, tmp_path: Path) -> None:
    taken = take_file(book, "readings", write(tmp_path, "r.csv", READINGS + "00123,007,bore,after,80.001\n"))
    assert taken.added == 1
    assert count(book, "reading") == 1


def test_hardness_is_kept_in_its_own_unit(book: BookFolder, tmp_path: Path) -> None:
    with pytest.raises(IntakeError, match="the unit of this hardness is missing"):
        take_file(book, "characteristics", write(tmp_path, "c.csv", "part,characteristic,kind\n00123,core,hardness\n"))
    take_file(
        book, "characteristics", write(tmp_path, "d.csv", "part,characteristic,kind,unit\n00123,core,hardness,HRC\n")
    )
    with pytest.raises(IntakeError, match="a reading of hardness does not belong in this column"):
        take_file(book, "readings", write(tmp_path, "r.csv", READINGS + "00123,007,core,after,58\n"))
    text = "part,serial,characteristic,stage,value\n00123,007,core,after,58.5\n"
    take_file(book, "readings", write(tmp_path, "s.csv", text))
    assert tuple(book.read().execute("SELECT value, value_mm FROM reading").fetchone()) == (58.5, None)


def test_stated_parameters_come_in_any_unit(book: BookFolder, tmp_path: Path) -> None:
    text = (
        "run,parameter,value,unit\nR1,heating_rate_peak_c_per_h,180,F/h\nR1,hold_mean_c,1150,F\n"
        "R1,spread_soak_peak_c,18,F diff\nR1,soak_minutes,2,h\n"
    )
    take_file(book, "parameters", write(tmp_path, "p.csv", text))
    rows = book.read().execute("SELECT parameter, value, unit, source FROM parameter ORDER BY parameter_id").fetchall()
    assert [tuple(r) for r in rows] == [
        ("heating_rate_peak_c_per_h", pytest.approx(100.0), "c_per_h", "stated"),
        ("hold_mean_c", pytest.approx(621.1111), "c", "stated"),
        ("spread_soak_peak_c", pytest.approx(10.0), "c_diff", "stated"),
        ("soak_minutes", pytest.approx(120.0), "min", "stated"),
    ]


def test_a_run_asks_for_its_cycles_revision_where_there_are_several(book: BookFolder, tmp_path: Path) -> None:
    from loadbook.readers.cycles.file import take_cycle_file
    from loadbook.readers.cycles.keys import EXAMPLE

    take_cycle_file(book, write(tmp_path, "a.toml", EXAMPLE))
    take_cycle_file(book, write(tmp_path, "b.toml", EXAMPLE.replace('revision = "A"', 'revision = "B"')))
    with pytest.raises(IntakeError, match="with other words"):
        take_cycle_file(book, write(tmp_path, "c.toml", EXAMPLE + "# changed\n"))
    head = "run,furnace,cycle,started\n"
    with pytest.raises(IntakeError, match="has several revisions"):
        take_file(book, "runs", write(tmp_path, "r.csv", head + "R2,F1,SR-620,2026-03-05T08:00\n"))
    with pytest.raises(IntakeError, match=r"Did you mean 'SR-620'\?"):
        take_file(book, "runs", write(tmp_path, "s.csv", head + "R2,F1,SR-62O,2026-03-05T08:00\n"))


@pytest.mark.parametrize("system", ["si", "us"])
def test_every_template_can_be_taken_in(tmp_path: Path, system: str) -> None:
    from loadbook.readers.cycles.file import take_cycle_file
    from loadbook.readers.cycles.keys import EXAMPLE, example

    made = BookFolder.create(tmp_path / "b", units=system)
    cycle = EXAMPLE.replace('revision = "A"', 'revision = "B"')
    take_cycle_file(made, write(tmp_path, "us.toml", example("us")))
    take_cycle_file(made, write(tmp_path, "c.toml", cycle))
    for kind in KINDS:
        path = write(tmp_path, f"{kind.kind}.csv", header_and_example(kind, system=system))
        assert take_file(made, kind.kind, path).added == 1, kind.kind
    assert chain.check(made.read()) == []


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.kind)
def test_a_us_template_names_no_metric_unit(kind: Kind) -> None:
    """Names that the user may write otherwise are left out; `scale` and `supports_at_mm` are keys of the book."""
    told = " ".join(text.split(". Other units by name")[0] for name, _, text in meanings(kind, system="us")
                    if name != "scale")  # fmt: skip
    shown = f"{told} {header_and_example(kind, system='us').replace('supports_at_mm', '')}"
    assert not re.search(r"°C|\bmm\b|_mm\b|µm|[{|}]|\d C\b", shown), shown


def test_a_template_is_in_the_units_of_the_book(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    BookFolder.create(tmp_path / "b", units="us").close()
    for folder, length, target in ((tmp_path, "length_mm", '"620 C"'), (tmp_path / "b", "length_in", '"1150 F"')):
        monkeypatch.chdir(folder)
        cli(["template", "parts"], standalone_mode=False)
        told = capsys.readouterr()
        assert f",{length}," in told.out
        assert f"\n{length} " in told.err
        cli(["template", "cycle"], standalone_mode=False)
        assert f"target = {target}" in capsys.readouterr().out


def test_add_by_hand(book: BookFolder) -> None:
    row = add_row(book, "gauges", {"gauge": "G2", "kind": "micrometer", "resolution_um": "1"})
    assert row["resolution_mm"] == 0.001
    with pytest.raises(IntakeError, match="gauges has no such column"):
        add_row(book, "gauges", {"gauge": "G3", "kind": "micrometer", "resolutoin_um": "1"})


def test_amend_by_hand(book: BookFolder, loadbook: Run) -> None:
    done = loadbook("amend", "parts", "00123", "section_thick_in=2", "--why", "drawing C", cwd=book.path)
    assert done.returncode == 0, done.stderr
    assert book.read().execute("SELECT section_thick_mm FROM part").fetchone()[0] == 50.8
    wrong = loadbook("amend", "parts", "00123", "materiel=x", "--why", "y", cwd=book.path)
    assert wrong.returncode == 2
    assert "Did you mean 'material'?" in wrong.stderr


def test_hostile_values_stay_text(book: BookFolder, loadbook: Run) -> None:
    name = "[/red]\x1b[31m=1+1<b>[rev a]"
    assert loadbook("add", "furnaces", f"furnace={name}", "atmosphere=air", cwd=book.path).returncode == 0
    shown = loadbook("list", "furnaces", cwd=book.path).stdout
    assert "[/red]\\x1b[31m=1+1<b>[rev a]" in shown
    assert "\x1b" not in shown
    assert json.loads(loadbook("list", "furnaces", "--format", "json", cwd=book.path).stdout)[1]["furnace"] == name


def test_where_can_only_read(book: BookFolder, loadbook: Run) -> None:
    good = loadbook("list", "pieces", "--where", "serial > '007'", "--format", "csv", cwd=book.path)
    assert good.stdout.count("\n") == 2
    for text in ("1); DELETE FROM chain; --", "load_extension('x')", "1) UNION SELECT * FROM (SELECT 1"):
        bad = loadbook("list", "pieces", "--where", text, cwd=book.path)
        assert bad.returncode == 2, text
    assert chain.check(book.read()) == []


@pytest.mark.parametrize(
    ("kind", "text", "says"),
    [
        ("parts", "List of parts,\n,\npart,material\nP,42CrMo4\n", "a.csv:1: the header stands in line 3"),
        ("parts", "part;material;length_mm\nP;42CrMo4;1.200\n", "Write 1200 or 1.2000"),
        ("readings", "part,serial,characteristic,stage,value_mm\n00123,7,bore,before,80\n", "Did you mean '007'?"),
    ],
)
def test_what_spreadsheets_leave_is_refused_with_its_mend(
    kind: str, text: str, says: str, book: BookFolder, tmp_path: Path
) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(IntakeError) as caught:
        take_file(book, kind, path)
    assert says in str(caught.value)
    path.write_text("part;material;length_mm;mass_kg\nP;42CrMo4;180.125;9.4\n", encoding="utf-8")
    assert take_file(book, "parts", path).added == 1, "another figure says what the point is"


@pytest.mark.parametrize(
    ("days", "began"),
    [
        (("04.03.2026 7:30", "20.03.2026 20:00"), ["2026-03-04T06:30:00Z", "2026-03-20T19:00:00Z"]),
        (("3/4/2026 12:30 AM", "3/20/2026 8:00 PM"), ["2026-03-03T23:30:00Z", "2026-03-20T19:00:00Z"]),
        (("03/04/2026 07:30", "04/05/2026 08:00"), None),
        (("03/14/2026 07:30", "14/03/2026 08:00"), None),
    ],
)
def test_dates_are_read_where_the_file_settles_their_order(
    days: tuple[str, ...], began: list[str] | None, book: BookFolder, tmp_path: Path
) -> None:
    path = tmp_path / "a.csv"
    rows = "".join(f"N{k},F1,-,{day}\n" for k, day in enumerate(days))
    path.write_text(f"run,furnace,cycle,started\n{rows}", encoding="utf-8")
    if began is None:
        with pytest.raises(IntakeError, match="the order of day and month is not clear"):
            take_file(book, "runs", path)
        return
    notes = take_file(book, "runs", path).notes
    assert [n.figures["date"] for n in notes if n.code == "dates_read"] == [days[1]], "and it is said what was read"
    found = book.read().execute("SELECT started, typed FROM run WHERE run LIKE 'N%' ORDER BY run").fetchall()
    assert [r[0] for r in found] == began
    assert [json.loads(r[1])["started"] for r in found] == list(days), "what was typed is kept"


def test_a_first_line_that_names_the_separator_is_no_header(book: BookFolder, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("sep=;\r\npart;material;length_mm\r\nP;42CrMo4;180,5\r\nQ;42CrMo4;x\r\n", encoding="utf-8")
    with pytest.raises(IntakeError, match=r"a\.csv:4:length_mm"):
        take_file(book, "parts", path)
    assert take_file(book, "parts", path, keep_good=True).added == 1
