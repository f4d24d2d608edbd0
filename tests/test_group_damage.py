"""A group in a folder: damaged, exchanged and linked files, and two publications of one plant at the same time."""

from __future__ import annotations

import contextlib
import hashlib
import json
import random
import shutil
import threading
from datetime import timedelta
from pathlib import Path

import pytest

from loadbook.cli.main import cli
from loadbook.core.errors import BusyError, DamageError, LoadbookError, NotFoundError
from loadbook.group import manifest, switch
from loadbook.group.duck import DuckEngine
from loadbook.group.manifest import PLANTS, folder_of, read_current
from loadbook.group.publish import publish
from loadbook.group.published import PublishOptions
from loadbook.group.read import open_group
from loadbook.group.recompute import recompute_group
from loadbook.group.target import Store
from loadbook.group.verify import verify_group
from loadbook.queries.plants import GroupSource
from loadbook.queries.sql import ask_sql
from loadbook.store import checked_files
from loadbook.store.book import BookFolder

from .groupcase import made_books, made_published, made_target, shop  # noqa: F401 - fixtures
from .smallbook import put, reading

BASE = f"{PLANTS}/{folder_of('Linz')}"


def named(target: str, start: str) -> list[Path]:
    return sorted((Path(target) / BASE).rglob(f"{start}-*.parquet"))


def flip(file: Path, at: int) -> None:
    data = bytearray(file.read_bytes())
    data[at] ^= 1
    file.write_bytes(data)


def run(*words: str) -> int:
    try:
        cli(list(words), standalone_mode=False)
    except SystemExit as end:
        return int(end.code or 0)
    return 0


@pytest.mark.parametrize("start", ["reading", "samples", "run"])
def test_no_changed_byte_of_a_file_is_read(start: str, target: str) -> None:
    view = {"reading": "readings", "samples": "samples", "run": "runs"}[start]
    file = named(target, start)[0]
    whole = file.read_bytes()
    chance = random.Random(17)
    for _ in range(6):
        flip(file, chance.randrange(len(whole)))
        with pytest.raises(DamageError) as told:
            DuckEngine(open_group(target), {view})
        assert file.name in (told.value.where or "")
        file.write_bytes(whole)
    DuckEngine(open_group(target), {view})


@pytest.mark.thorough
def test_a_month_copied_over_another_is_refused_and_left_out_only_by_option(
    target: str, capsys: pytest.CaptureFixture[str]
) -> None:
    march, april = (next((Path(target) / BASE / f"2026-0{n}").glob("reading-*.parquet")) for n in (3, 4))
    shutil.copy(march, april)
    query = "SELECT DISTINCT run FROM readings WHERE plant = 'Linz'"
    with pytest.raises(DamageError, match="--without-damaged"):
        ask_sql(GroupSource(target), query)
    found = ask_sql(GroupSource(target), query, without_damaged=True)
    assert list(found) == [("Linz/R1",)]
    assert [x.path for x in found.left_out] == [april.relative_to(target).as_posix()]
    assert run("group", "sql", target, query, "--without-damaged") == 3
    assert "loadbook group verify" in capsys.readouterr().err


@pytest.mark.thorough
def test_a_trace_found_good_is_not_read_again(target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    count = "SELECT count(*) FROM samples"
    assert list(ask_sql(GroupSource(target), count)) == [(240,)]
    with monkeypatch.context() as patched:
        patched.setattr(checked_files.hashlib, "file_digest", lambda *_: pytest.fail("read again"))
        open_group(target).sound([manifest.TRACE])
    flip(named(target, "samples")[0], 200)
    with pytest.raises(DamageError):
        ask_sql(GroupSource(target), count)
    found = ask_sql(GroupSource(target), count, without_damaged=True)
    assert list(found) == [(120,)]
    assert [x.run for x in found.left_out] == ["Linz/R1"]


def test_a_published_trace_that_is_a_link_leads_nowhere(target: str, tmp_path: Path) -> None:
    file = named(target, "samples")[0]
    elsewhere = tmp_path / "secret.parquet"
    file.rename(elsewhere)
    file.symlink_to(elsewhere)
    with pytest.raises(DamageError, match="regular file"):
        ask_sql(GroupSource(target), "SELECT count(*) FROM samples")
    file.unlink()
    elsewhere.rename(file)
    month = file.parent
    month.rename(tmp_path / "month")
    month.symlink_to(tmp_path / "month", target_is_directory=True)
    with pytest.raises(DamageError, match="a link in the place of a folder"):
        ask_sql(GroupSource(target), "SELECT count(*) FROM samples")


@pytest.mark.parametrize("value", [float("inf"), None, [], "../../x", 10**400])
@pytest.mark.parametrize("key", ["path", "bytes", "files"])
def test_a_strangers_manifest_is_refused_in_plain_words(key: str, value: object, target: str) -> None:
    """Its digests are right: whoever wrote it wrote the pointer too."""
    pointer = sorted((Path(target) / BASE).glob("current-*.json"))[-1]
    told = json.loads(pointer.read_text())
    file = Path(target) / told["manifest"]
    head = json.loads(file.read_text())
    for part in head["parts"].values():
        part[key] = value
    file.write_text(json.dumps(head))
    pointer.write_text(json.dumps(told | {"sha256": hashlib.sha256(file.read_bytes()).hexdigest()}))
    if value == 10**400:  # a number that nothing here is led astray by, or that Python does not read
        with contextlib.suppress(LoadbookError):
            ask_sql(GroupSource(target), "SELECT count(*) FROM runs")
    else:
        with pytest.raises((DamageError, NotFoundError)):
            ask_sql(GroupSource(target), "SELECT count(*) FROM runs")


@pytest.mark.parametrize("head", [{"plant": None}, {"plant": 7}, {"kept": []}, {"parts": {"../../x/tables": {}}}, {}])
def test_a_manifest_whose_head_is_not_one_is_refused(head: dict[str, object], target: str) -> None:
    pointer = sorted((Path(target) / BASE).glob("current-*.json"))[-1]
    told = json.loads(pointer.read_text())
    file = Path(target) / told["manifest"]
    said = json.loads(file.read_text())
    file.write_text(json.dumps(said | head if head else {k: v for k, v in said.items() if k != "plant"}))
    pointer.write_text(json.dumps(told | {"sha256": hashlib.sha256(file.read_bytes()).hexdigest()}))
    with pytest.raises(DamageError, match="not what was published"):
        open_group(target)


def test_a_list_of_files_that_is_a_link_leads_nowhere(target: str, tmp_path: Path) -> None:
    file = sorted((Path(target) / BASE).rglob("tables-*.json"))[0]
    file.rename(tmp_path / "list.json")
    file.symlink_to(tmp_path / "list.json")
    with pytest.raises(DamageError, match="regular file"):
        ask_sql(GroupSource(target), "SELECT count(*) FROM runs")


def test_a_published_file_that_never_ends_is_not_read(target: str) -> None:
    pointer = sorted((Path(target) / BASE).glob("current-*.json"))[-1]
    with pointer.open("r+b") as out:
        out.truncate(1 << 40)
    with pytest.raises(DamageError, match="larger than 512 MiB"):
        ask_sql(GroupSource(target), "SELECT count(*) FROM runs")
    with pointer.open("r+b") as out:
        out.truncate(100 << 20)
    with pytest.raises(DamageError, match="not what was published"):
        ask_sql(GroupSource(target), "SELECT count(*) FROM runs")


def test_recomputing_reads_no_damaged_record(target: str) -> None:
    flip(named(target, "run-record")[0], 300)
    with pytest.raises(DamageError, match="not what was published"):
        recompute_group(target)


def test_verify_names_each_and_publishing_again_puts_it_right(
    target: str, books: dict[str, BookFolder], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("group", "verify", target) == 0
    assert "nothing wrong" in capsys.readouterr().out
    bad = [named(target, "samples")[0], named(target, "reading")[0]]
    for file in bad:
        flip(file, 250)
    gone = named(target, "gauge")[0]
    gone.unlink()
    assert run("group", "verify", target) == 3
    told = capsys.readouterr().out
    assert "3 wrong" in told and all(f.name in told for f in [*bad, gone])
    assert publish(books["Linz"], target, "Linz").files == 3
    assert verify_group(target).wrong == []
    recompute_group(target)
    mine = next((Path(target) / "recomputed" / folder_of("Linz")).rglob("finding-*.parquet"))
    flip(mine, 100)
    assert any("group recompute TARGET --again" in line for line in verify_group(target).wrong)
    recompute_group(target, again=True)
    assert verify_group(target).wrong == []
    (Path(target) / BASE / "current-000001.json").write_text("{}")
    assert any("not what was published" in line for line in verify_group(target).wrong)
    with pytest.raises(NotFoundError):
        verify_group(f"{target}/nothing")


def test_an_object_store_is_put_right_by_writing_all_anew(books: dict[str, BookFolder], tmp_path: Path) -> None:
    address = f"memory://{tmp_path.name}/group"
    publish(books["Linz"], address, "Linz")
    store = Store(address)
    entry = open_group(address).plants[0].of(manifest.TRACE)[0]
    store.put(entry.path, store.read(entry.path)[:-1] + b"x")
    assert len(verify_group(address).wrong) == 1
    with pytest.raises(DamageError):
        DuckEngine(open_group(address), {"samples"})
    publish(books["Linz"], address, "Linz", again=True)
    assert verify_group(address).wrong == []


# -- two publications of one plant --------------------------------------------------------------


def between(monkeypatch: pytest.MonkeyPatch, do: list[object]) -> None:
    """Do something else after a publication has written its files, and before it counts."""
    whole = switch.switch

    def late(*args: object) -> object:
        if do:
            do.pop()()  # type: ignore[operator]
        return whole(*args)  # type: ignore[arg-type]

    monkeypatch.setattr("loadbook.group.publish.switch", late)


@pytest.mark.parametrize("where", ["folder", "store"])
def test_the_second_of_two_publications_is_told_so(where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = shop(tmp_path / "book")
    target = str(tmp_path / "group") if where == "folder" else f"memory://{tmp_path.name}/group"
    publish(book, target, "Linz")
    put(book, "reading", reading("R2", "after", 100.03, None, repeat=2))
    between(monkeypatch, [lambda: publish(book, target, "Linz", PublishOptions(notes=True))])
    with pytest.raises(BusyError, match="came first"):
        publish(book, target, "Linz")
    current = read_current(Store(target), BASE)
    assert current is not None
    assert current.manifest.head["kept"]["notes"]
    assert verify_group(target).wrong == []
    assert publish(book, target, "Linz").changed
    assert verify_group(target).wrong == []


def test_what_another_publication_is_writing_is_not_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit 0, then unreadable: the other one had removed what it found unnamed twice."""
    book = shop(tmp_path / "book")
    target = str(tmp_path / "group")
    publish(book, target, "Linz")
    put(book, "reading", reading("R2", "after", 100.03, None, repeat=2))
    notes, people = PublishOptions(notes=True), PublishOptions(people=True)
    between(monkeypatch, [lambda: (publish(book, target, "Linz", notes), publish(book, target, "Linz", people))])
    with pytest.raises(BusyError):
        publish(book, target, "Linz")
    assert verify_group(target).wrong == []


def test_a_file_about_to_be_removed_is_not_relied_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = shop(tmp_path / "book")
    target = str(tmp_path / "group")
    publish(book, target, "Linz")
    publish(book, target, "Linz", PublishOptions(notes=True))
    began = manifest.times.now()
    for day, keep in ((3, PublishOptions(people=True)), (4.5, PublishOptions())):
        monkeypatch.setattr(manifest.times, "now", lambda day=day: began + timedelta(days=day))
        publish(book, target, "Linz", keep)
    # what only the first publication named waits to be removed now: taken up again, it goes under another name
    current = read_current(Store(target), BASE)
    assert current is not None
    waiting = {n for n in current.unnamed if current.going(n)}
    assert waiting.isdisjoint(e.path for e in current.manifest.entries())
    monkeypatch.setattr(manifest.times, "now", lambda: began + timedelta(days=30))
    assert publish(book, target, "Linz").removed > 0
    assert verify_group(target).wrong == []


def test_readers_and_writers_at_the_same_time(tmp_path: Path) -> None:
    """A few of what tests/trials/publications.py tries 200 times."""
    target = str(tmp_path / "group")
    publish(shop(tmp_path / "book"), target, "Linz")
    won, lost, broken = [], [], []
    done = threading.Event()

    def write(number: int) -> None:
        with BookFolder.open(tmp_path / "book") as book:
            for keep in (PublishOptions(notes=bool(number)), PublishOptions(people=True, notes=bool(number))):
                try:
                    publish(book, target, "Linz", keep)
                    won.append(number)
                except BusyError:
                    lost.append(number)

    def read() -> None:
        while not done.is_set():
            try:
                open_group(target).sound(["run", "reading", manifest.TRACE])
            except LoadbookError as exc:
                broken.append(exc)

    writers = [threading.Thread(target=write, args=(n,)) for n in range(2)]
    reader = threading.Thread(target=read)
    for thread in (reader, *writers):
        thread.start()
    for thread in writers:
        thread.join()
    done.set()
    reader.join()
    assert broken == []
    assert len(won) + len(lost) == 4
    assert verify_group(target).wrong == []
