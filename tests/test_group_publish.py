"""Publishing to a group: whole, repeatable, and without what stays in the house."""

from __future__ import annotations

import hashlib
import json
import re
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from loadbook.cli.main import cli
from loadbook.core.errors import DamageError, NotFoundError, UsageError
from loadbook.group import manifest
from loadbook.group.duck import DuckEngine
from loadbook.group.manifest import folder_of, read_current
from loadbook.group.publish import publish
from loadbook.group.published import PublishOptions
from loadbook.group.read import open_group
from loadbook.group.target import Store
from loadbook.group.verify import verify_group
from loadbook.queries.plants import GroupSource
from loadbook.queries.reports import run_report
from loadbook.queries.sql import ask_sql
from loadbook.store.book import BookFolder
from loadbook.store.checked_files import CheckedFiles

from .groupcase import EVERYTHING, SECRETS, files, made_books, made_published, made_target, shop, texts  # noqa: F401 - fixtures
from .smallbook import put, reading, run, trace


def later(monkeypatch: pytest.MonkeyPatch, **by: float) -> None:
    """Publications from now on are made so much later."""
    now = manifest.times.now() + timedelta(**by)
    monkeypatch.setattr(manifest.times, "now", lambda: now)


def test_the_same_book_gives_the_same_bytes_anywhere(books: dict[str, BookFolder], tmp_path: Path) -> None:
    first = publish(books["Linz"], str(tmp_path / "one"), "Linz")
    again = publish(books["Linz"], str(tmp_path / "one"), "Linz")
    publish(books["Linz"], (tmp_path / "two").as_uri(), "Linz")
    assert first.changed
    assert (again.changed, again.files, again.already) == (False, 0, first.files)
    assert files(str(tmp_path / "one")) == files(str(tmp_path / "two"))


def test_an_object_store_holds_the_same_files(books: dict[str, BookFolder], tmp_path: Path) -> None:
    address = f"memory://{tmp_path.name}/group"
    publish(books["Linz"], address, "Linz")
    assert publish(books["Linz"], address, "Linz").files == 0
    publish(books["Linz"], str(tmp_path / "one"), "Linz")
    there, here = (read_current(Store(t), f"plants/{folder_of('Linz')}") for t in (address, str(tmp_path / "one")))
    assert there is not None
    assert here is not None
    assert there.sha256 == here.sha256
    assert run_report(GroupSource(address), "month_summary").rows == (
        run_report(GroupSource(str(tmp_path / "one")), "month_summary").rows
    )
    with pytest.raises(UsageError, match="open no network"):
        ask_sql(GroupSource(address), "SELECT 1")


def test_a_file_of_an_object_store_that_is_not_what_was_published_is_refused(
    books: dict[str, BookFolder], tmp_path: Path
) -> None:
    address = f"memory://{tmp_path.name}/group"
    publish(books["Linz"], address, "Linz")
    group = open_group(address)
    entry = group.plants[0].of("reading")[0]
    store = Store(address)
    whole = store.read(entry.path)
    for data, error, said in (
        (whole[:-1] + bytes([whole[-1] ^ 1]), DamageError, "not what was published"),
        (None, NotFoundError, "no such file"),
    ):
        if data is None:
            store.remove(entry.path)
        else:
            store.put(entry.path, data)
        with pytest.raises(error, match=said):
            DuckEngine(group, {"reading"})
    store.put(entry.path, whole)
    engine = DuckEngine(group, {"reading"})
    assert engine.table("SELECT count(*) FROM reading")[1] == [(sum(e.rows for e in group.plants[0].of("reading")),)]
    copies = {Path(file).parent for file in engine.files}
    engine.close()
    assert copies
    assert not any(folder.exists() for folder in copies)


def test_only_what_changed_is_written(tmp_path: Path) -> None:
    book = shop(tmp_path / "book")
    where = str(tmp_path / "group")
    publish(book, where, "Linz")
    before = files(where)
    put(book, "reading", reading("R2", "after", 100.03, None, repeat=2))
    done = publish(book, where, "Linz")
    new = set(files(where)) - set(before)
    assert {n.split("/")[2].split("-")[0] for n in new} == {"manifest", "2026", "unnamed", "current"}
    assert done.files == 1, "one table of one month"
    assert all(files(where)[n] == data for n, data in before.items())


def test_what_stays_in_the_house(books: dict[str, BookFolder], tmp_path: Path) -> None:
    where = str(tmp_path / "group")
    done = publish(books["Linz"], where, "Linz")
    told = texts(where)
    assert not [s for s in SECRETS if s in told]
    assert (done.withheld.jobs, done.withheld.runs, done.withheld.parts) == (2, 3, 2)
    assert done.runs == 2
    rows = list(ask_sql(GroupSource(where), "SELECT run FROM runs ORDER BY run").rows())
    assert rows == [("Linz/R1",), ("Linz/R2",)], "R5 held a part number that is export-controlled"
    assert '"runs":3' in told
    everything = publish(books["Linz"], where, "Linz", EVERYTHING)
    assert everything.runs == 5
    told = texts(where)
    assert [s for s in SECRETS if s not in told] == []


@pytest.mark.parametrize(
    ("keep", "seen"),
    [
        (PublishOptions(customers=True), "Brightwater"),
        (PublishOptions(people=True), "A. Operator"),
        (PublishOptions(notes=True), "told by phone"),
    ],
)
def test_each_option_publishes_what_it_names_and_no_more(
    keep: PublishOptions, seen: str, books: dict[str, BookFolder], tmp_path: Path
) -> None:
    publish(books["Linz"], str(tmp_path / "group"), "Linz", keep)
    told = texts(str(tmp_path / "group"))
    groups = ({"Brightwater", "PO-4711"}, {"A. Operator", "I. Inspector", "D. Decider"})
    allowed = next((g for g in groups if seen in g), set(SECRETS) - groups[0] - groups[1])
    assert {s for s in SECRETS if s in told} == allowed


@pytest.mark.thorough
def test_a_killed_publication_leaves_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = shop(tmp_path / "book")
    where = str(tmp_path / "group")
    publish(book, where, "Linz")

    def runs() -> list[tuple[object, ...]]:
        return DuckEngine(open_group(where), {"run", "reading"}).table(
            "SELECT (SELECT count(*) FROM run), (SELECT count(*) FROM reading)"
        )[1]

    before = runs()
    run(book, "R9", 20, month=5)
    put(book, "reading", reading("R9", "before", 100.0, None), reading("R9", "after", 100.4, None))
    whole, create = Store.put, Store.create
    kinds: list[str] = []

    def dying(store: Store, name: str, data: bytes) -> bool:
        kind = re.sub(r"-[0-9a-f]{24}", "", name.rpartition("/")[2])
        if kind not in kinds:
            kinds.append(kind)
            half = Path(store.url(name)).with_suffix(".part")
            half.parent.mkdir(parents=True, exist_ok=True)
            half.write_bytes(data[: len(data) // 2])
            raise KeyboardInterrupt
        whole(store, name, data)
        return True

    while "current-000002.json" not in kinds:  # dies at one kind of file more each time, the pointer last of all
        monkeypatch.setattr(Store, "put", dying)
        monkeypatch.setattr(Store, "create", dying)
        with pytest.raises(KeyboardInterrupt):
            publish(book, where, "Linz")
        monkeypatch.setattr(Store, "put", whole)
        monkeypatch.setattr(Store, "create", create)
        assert runs() == before
    assert kinds[-4:] == ["tables.json", "manifest.json", "unnamed.json", "current-000002.json"]
    assert publish(book, where, "Linz").changed
    assert runs() != before
    halves = [n for n in files(where) if n.endswith(".part")]
    assert halves
    publish(book, where, "Linz")
    assert [n for n in files(where) if n in halves] == halves, "another publication may be writing them"
    later(monkeypatch, days=3)
    publish(book, where, "Linz")
    assert not [n for n in files(where) if n in halves]


def test_a_part_that_another_machine_left_goes_like_any_unnamed_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = shop(tmp_path / "book")
    where = str(tmp_path / "group")
    publish(book, where, "Linz")
    left = Store(where).folder / "plants" / folder_of("Linz") / ".run-0.parquet.00000000-1-0123abcd.part"  # type: ignore[operator]
    left.write_bytes(b"half")
    publish(book, where, "Linz")
    assert left.exists(), "its process may be alive"
    later(monkeypatch, days=3)
    publish(book, where, "Linz")
    assert not left.exists()


def test_a_link_of_a_published_files_size_is_not_taken_for_it(tmp_path: Path) -> None:
    book = shop(tmp_path / "book")
    where = str(tmp_path / "group")
    publish(book, where, "Linz")
    file = next((tmp_path / "group").rglob("run-*.parquet"))
    (tmp_path / "elsewhere").write_bytes(bytes(file.stat().st_size))
    file.unlink()
    file.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UsageError, match="this is a link"):
        publish(book, where, "Linz")
    file.unlink()
    publish(book, where, "Linz")
    assert file.read_bytes()[:4] == b"PAR1"


def test_readers_of_the_publication_before_keep_their_files(tmp_path: Path) -> None:
    book = shop(tmp_path / "book")
    where = str(tmp_path / "group")
    publish(book, where, "Linz")
    reader = DuckEngine(open_group(where), {"reading"})
    count = "SELECT count(*) FROM reading"
    before = reader.table(count)[1]
    put(book, "reading", reading("R2", "after", 100.03, None, repeat=2))
    for _ in range(3):
        publish(book, where, "Linz")
        assert reader.table(count)[1] == before
    assert DuckEngine(open_group(where), {"reading"}).table(count)[1] != before


@pytest.mark.parametrize("name", ["Werk Süd & Co.", "CON", "con", "..", "a\\b", "工場", "'; DROP", "x" * 80])
def test_any_name_of_a_plant_is_a_safe_folder(name: str, books: dict[str, BookFolder], tmp_path: Path) -> None:
    folder = folder_of(name)
    assert folder.isascii()
    assert folder == folder.lower()
    assert set(folder) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    if name in ("..", "'; DROP"):
        publish(books["Linz"], str(tmp_path / "group"), name)
        assert {p.name for p in (tmp_path / "group" / "plants").iterdir()} == {folder}
        assert list(ask_sql(GroupSource(str(tmp_path / "group")), "SELECT DISTINCT plant FROM runs").rows()) == [
            (name,)
        ]


@pytest.mark.parametrize("name", ["", "  ", "a/b", "a\nb", "x" * 81, "a\x00b", "a\u202eb"])
def test_a_name_that_would_confuse_is_refused(name: str, books: dict[str, BookFolder], tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="plant's name"):
        publish(books["Linz"], str(tmp_path / "group"), name)
    assert not (tmp_path / "group").exists()


def test_a_strangers_target_leads_nowhere(target: str, tmp_path: Path) -> None:
    base = Path(target) / "plants" / folder_of("Linz")
    pointer = json.loads((base / "current-000001.json").read_text())
    listed = Path(target) / pointer["manifest"]
    text = listed.read_text()
    listed.write_text(text + " ")
    with pytest.raises(DamageError, match="not what was published"):
        open_group(target)
    listed.write_text(text)
    (base / "current-000001.json").write_text(json.dumps({**pointer, "manifest": "../../secret.json"}))
    with pytest.raises(DamageError, match="cannot be the name"):
        open_group(target)
    with pytest.raises(NotFoundError, match="no plant"):
        open_group(str(tmp_path / "nothing"))


def test_the_manifest_says_what_was_published(target: str) -> None:
    found = open_group(target).plants[0].current.manifest
    assert found.head["kept"] == dict.fromkeys(
        ("customers", "people", "notes", "confidential", "export_controlled", "words"), False
    )
    assert {e.period for e in found.of("reading")} == {"2026-03", "2026-04"}
    assert {e.period for e in found.of("gauge")} == {None}


# -- lists by month ---------------------------------------------------------------------------------


def test_an_hours_publication_opens_only_what_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = shop(tmp_path / "book")
    trace(book, "R2", "t-april")
    where = str(tmp_path / "group")
    publish(book, where, "Linz")
    put(book, "reading", reading("R2", "after", 100.03, None, repeat=2))
    read, looked = [], []
    whole, why_not = Store.read, CheckedFiles.why_not
    monkeypatch.setattr(Store, "read", lambda store, name: read.append(name) or whole(store, name))
    monkeypatch.setattr(
        CheckedFiles, "why_not", lambda of, path, name, *a: looked.append(name) or why_not(of, path, name, *a)
    )
    assert publish(book, where, "Linz").changed
    assert {n.split("/")[2] for n in looked} == {"2026-04"}, "the month of the new reading alone"
    assert not [n for n in read if "2026-03" in n or "reference" in n]
    read.clear()
    looked.clear()
    assert not publish(book, where, "Linz").changed
    assert looked == []
    group = open_group(where)
    assert [p.current.manifest.files for p in group.plants] == [len(group.plants[0].current.manifest.entries())]
    read.clear()
    assert {e.period for e in group.plants[0].of("run", ["2026-03"])} == {"2026-03"}
    assert [e.run for e in open_group(where).plants[0].of(manifest.TRACE, ["2026-04"])] == ["R2"]
    assert [n.split("/")[2:] for n in read if "-04/" in n and "traces" not in n] == []


def test_a_file_that_is_gone_or_damaged_is_written_anew_wherever_it_stands(
    books: dict[str, BookFolder], tmp_path: Path
) -> None:
    where, address = str(tmp_path / "group"), f"memory://{tmp_path.name}/group"
    for target in (where, address):
        for _ in range(2):
            publish(books["Linz"], target, "Linz")
        store = Store(target)
        assert not publish(books["Linz"], target, "Linz").files
        manifested = open_group(target).plants[0].current.manifest
        gone = manifested.of("piece", ["2026-03"])[0]
        store.remove(gone.path)
        assert publish(books["Linz"], target, "Linz").files == 1
        listed = manifested.parts["2026-03/tables"]
        for text in (b"{}", None):
            store.remove(listed.path)
            if text is not None:
                store.put(listed.path, text)
            assert any(listed.path in line for line in verify_group(target).wrong)
            with pytest.raises((DamageError, NotFoundError), match="group publish"):
                DuckEngine(open_group(target), {"piece"})
            publish(books["Linz"], target, "Linz")
            assert verify_group(target).wrong == []
        assert open_group(target).plants[0].current.sha256 == open_group(where).plants[0].current.sha256


def test_a_publication_of_an_earlier_form_is_to_be_published_anew(
    target: str, books: dict[str, BookFolder], monkeypatch: pytest.MonkeyPatch
) -> None:
    base = Path(target) / "plants" / folder_of("Linz")
    old = json.dumps({"format": 1, "plant": "Linz", "files": []}).encode()
    (base / "manifest-0.json").write_bytes(old)
    pointer = {
        "manifest": f"plants/{base.name}/manifest-0.json",
        "sha256": hashlib.sha256(old).hexdigest(),
        "before": {},
    }
    (base / "current-000001.json").write_text(json.dumps({**pointer, "unnamed": {}}))
    with pytest.raises(DamageError, match="earlier version") as told:
        open_group(target)
    assert "group publish TARGET --plant NAME" in str(told.value)
    assert any("earlier version" in line for line in verify_group(target).wrong)
    assert publish(books["Linz"], target, "Linz").changed
    assert verify_group(target).wrong == []
    later(monkeypatch, days=3)
    publish(books["Linz"], target, "Linz")
    assert not (base / "manifest-0.json").exists()


def test_plants_says_what_each_published_of_a_month(target: str) -> None:
    told = CliRunner().invoke(cli, ["group", "plants", target, "--month", "2026-03", "--format", "json"])
    rows = json.loads(told.output)
    size = {p.name: p.of(manifest.TRACE, ["2026-03"])[0].bytes for p in open_group(target).plants}
    assert rows == [
        {"plant": p, "month": "2026-03", "runs": 1, "readings": 2, "traces": 1, "trace_bytes": size[p]}
        for p in ("Graz Süd", "Linz")
    ]
    told = CliRunner().invoke(cli, ["group", "plants", target, "--month", "March"])
    assert told.exit_code == 2
    assert "not a month" in told.output
