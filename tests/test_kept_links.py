"""The chain's last link kept outside the book: cut ends and recomputed chains are found, missing drives are said."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from loadbook.cli.main import cli
from loadbook.core.errors import LoadbookError, UsageError
from loadbook.store import chain, guards, kept_links
from loadbook.store.book import BookFolder
from loadbook.store.keeping import keep, stop_keeping
from loadbook.store.steps import database

from .smallbook import put, small


@pytest.fixture(name="book")
def made_book(tmp_path: Path) -> BookFolder:
    return small(tmp_path / "book")


def material(book: BookFolder, name: str) -> None:
    put(book, "material", {"material": name, "family": "other"})


def run(*words: str) -> int:
    try:
        cli(list(words), standalone_mode=False)
    except SystemExit as end:
        return int(end.code or 0)
    except LoadbookError as exc:
        print(exc, file=sys.stderr)
        return exc.exit_code
    return 0


def recomputed(book: BookFolder) -> None:
    """What an insider does: changes a value around the triggers, and makes the chain anew over it."""
    with book.write() as conn:
        for (name,) in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            conn.execute(f"DROP TRIGGER {name}")
        conn.execute("UPDATE material SET family = 'stainless steel' WHERE material = 'a'")
        parts: dict[int, dict[str, str]] = {}
        for table, (key, columns) in chain.recorded_tables(conn).items():
            for intake, digest in chain._taken(conn, table, key, columns).items():
                parts.setdefault(intake, {})[table] = digest
        before = chain.GENESIS
        for link, intake, amendment in conn.execute("SELECT link, intake_id, amendment_id FROM chain").fetchall():
            content = (
                chain._intake_content(conn, intake, parts.get(intake, {}))
                if intake is not None
                else chain._amendment_content(conn, amendment)
            )
            before = chain._digest(before, content)
            conn.execute("UPDATE chain SET content = ?, digest = ? WHERE link = ?", (content, before, link))
        guards.restore(database(conn))


def test_each_intake_and_amendment_adds_the_last_link(book: BookFolder, tmp_path: Path) -> None:
    file = tmp_path / "drive" / "links.txt"
    file.parent.mkdir()
    keep(book, file)
    material(book, "a")
    material(book, "b")
    lines = kept_links.read(file).lines
    digests = dict(map(tuple, book.read().execute("SELECT link, digest FROM chain")))
    assert lines and all(digests[link] == digest for link, digest, *_ in lines)
    assert lines[-1][1] == chain.last_link(book.read())
    stop_keeping(book)
    material(book, "c")
    assert len(kept_links.read(file).lines) in (len(lines), len(lines) + 1), "the end of keeping may still be in it"


def test_a_recomputed_chain_and_a_cut_end_are_found(
    book: BookFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "links.txt"
    keep(book, file)
    material(book, "a")
    shutil.copytree(book.path, tmp_path / "copy")
    material(book, "b")
    assert run("verify", "--book", str(book.path)) == 0
    # cut: the book as it was one intake before
    assert run("verify", "--book", str(tmp_path / "copy")) == 3
    assert "the chain's end was cut off" in capsys.readouterr().out
    recomputed(book)
    assert run("verify", "--book", str(book.path)) == 3
    told = capsys.readouterr().out
    assert "something before it was changed and the chain recomputed" in told
    assert len([x for x in told.splitlines() if x.startswith("wrong")]) == told.count(str(file)), (
        "nothing else finds it"
    )


def test_without_the_key_no_chain_is_made_anew(
    book: BookFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, key, where = tmp_path / "links.txt", tmp_path / "safe.pem", str(book.path)
    assert run("keep-links", str(file), "--new-key", str(key), "--book", where) == 0
    signer = capsys.readouterr().out.split()[-1]
    assert key.stat().st_mode & 0o077 == 0
    material(book, "a")
    assert run("verify", "--book", where, "--signed-by", signer.upper()) == 0
    # an insider who can write the book and the file, and has no key: he makes both anew, with a key of his own
    recomputed(book)
    file.unlink()
    assert run("keep-links", str(file), "--new-key", str(tmp_path / "his.pem"), "--book", where) == 0
    capsys.readouterr()
    assert run("verify", "--book", where) == 0
    assert "compare it with the key that you noted" in capsys.readouterr().out
    assert run("verify", "--book", where, "--signed-by", signer) == 3
    assert "is not signed by the key" in capsys.readouterr().out
    # and a line that he only copies does not fit
    text = file.read_text().splitlines()
    first = text[-1].split()
    file.write_text("\n".join([*text, " ".join([first[0], "0" * 64, *first[2:]])]) + "\n")
    assert run("verify", "--book", where) == 3
    assert "is not signed" in capsys.readouterr().out


def test_a_missing_drive_stops_no_intake_is_said_and_caught_up(
    book: BookFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drive = tmp_path / "drive"
    drive.mkdir()
    key = tmp_path / "key.pem"
    kept_links.make_key(key)
    keep(book, drive / "links.txt", key=key)
    drive.rename(tmp_path / "gone")
    row = ("material=a", "family=other", "--book", str(book.path))
    assert run("add", "materials", *row) == 0
    assert "the last link was not written into" in capsys.readouterr().err
    assert run("verify", "--book", str(book.path)) == 3
    assert "cannot be compared" in capsys.readouterr().out
    (tmp_path / "gone").rename(drive)
    key.rename(tmp_path / "away")
    with pytest.warns(UserWarning, match="was not written"):
        material(book, "b")
    assert run("verify", "--book", str(book.path)) == 0
    assert "not covered" in capsys.readouterr().out
    (tmp_path / "away").rename(key)
    material(book, "c")
    assert run("verify", "--book", str(book.path)) == 0
    assert "not covered" not in capsys.readouterr().out


def test_a_strangers_book_writes_into_no_file(book: BookFolder, tmp_path: Path) -> None:
    """Its settings may name any file of the user."""
    for name, content in (("rc", "alias ls=ls\n"), ("other", f"loadbook links of book {'0' * 32}\n")):
        file = tmp_path / name
        keep(book, tmp_path / f"{name}.links")
        file.write_text(content)
        with book.write() as conn:
            conn.execute("DROP TRIGGER setting_kept")
            conn.execute("UPDATE setting SET value = ? WHERE name = 'links_file'", (str(file),))
            guards.restore(database(conn))
        with pytest.warns(UserWarning, match="another book|not a file"):
            material(book, name)
        assert file.read_text() == content
        (tmp_path / "link").unlink(missing_ok=True)
    (tmp_path / "link").symlink_to(tmp_path / "rc.links")
    with pytest.raises(LoadbookError):
        kept_links.read(tmp_path / "link")
    with pytest.raises(UsageError, match="inside the book"):
        keep(book, book.path / "links.txt")


def test_without_the_package_the_mend_is_said(
    book: BookFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "cryptography.hazmat.primitives", None)
    with pytest.raises(UsageError, match=r"pip install 'loadbook\[signed\]'"):
        keep(book, tmp_path / "links.txt", new_key=tmp_path / "key.pem")
