"""Brings the README's console blocks up to date: python -m tests.readme_refresh BOOK

A console block is a line `$ loadbook ...` and what that command shows on a terminal of 80 columns, in a demo book.
`tests/test_docs.py` compares them, so the README never shows what is not so. The pictures in fixtures/pictures are made
anew as well.
"""

from __future__ import annotations

import contextlib
import io
import os
import pty
import re
import shlex
import shutil
import sys
import tempfile
import threading
from pathlib import Path
from unittest import mock

from loadbook.cli.main import cli

README = Path(__file__).resolve().parent.parent / "README.md"
PICTURES = README.parent / "fixtures" / "pictures"
LEFT_OUT = "[...]"
BLOCK = re.compile(r"^```console\n\$ (loadbook [^\n]+)\n(.*?)^```", re.DOTALL | re.MULTILINE)


def blocks() -> list[tuple[str, str]]:
    """(command, what the README says it prints) of every console block."""
    return BLOCK.findall(README.read_text(encoding="utf-8"))


def output(command: str, book: Path) -> str:
    """What a command shows in a book on a terminal of 80 columns: stdout, then stderr."""
    told = {"LOADBOOK_WHO": "tester", "TERM": "dumb", "COLUMNS": "80", "LINES": "40"}
    terminal, inside = pty.openpty()
    shown, errors = bytearray(), io.StringIO()

    def read() -> None:
        with contextlib.suppress(OSError):  # Linux's way to say that nobody writes any more
            while part := os.read(terminal, 65536):
                shown.extend(part)

    reader = threading.Thread(target=read)
    reader.start()
    with (
        mock.patch.dict(os.environ, told), contextlib.chdir(book), os.fdopen(inside, "w", encoding="utf-8") as screen,
        contextlib.redirect_stdout(screen), contextlib.redirect_stderr(errors), contextlib.suppress(SystemExit),
    ):  # fmt: skip
        cli.main(args=shlex.split(command)[1:], prog_name="loadbook")
    reader.join()
    os.close(terminal)
    return "".join(line.rstrip() + "\n" for line in (shown.decode("utf-8") + errors.getvalue()).splitlines())


def shortened(whole: str, shown: str) -> str:
    """The output as a block shows it: where the block has the line LEFT_OUT, as many lines of its beginning and of its
    end as the block has before and after that line."""
    if f"{LEFT_OUT}\n" not in shown:
        return whole
    before, after = (part.count("\n") for part in shown.split(f"{LEFT_OUT}\n"))
    lines = whole.splitlines(keepends=True)
    return "".join([*lines[:before], f"{LEFT_OUT}\n", *lines[len(lines) - after :]])


def pictures(book: Path, folder: Path) -> None:
    """Make the README's pictures as a user would, of a copy of the demo book: it keeps the answer of the letter."""
    from loadbook.queries.letter.build import letter
    from loadbook.render.letter.picture import interval_picture
    from loadbook.store.book import BookFolder

    for command in (
        f"loadbook moved --part PN-1001 --kind circularity --by setup --chart {folder / 'moved.svg'}",
        f"loadbook effect --kind 'outside diameter' --process 'stress relief' --of heating_rate_peak_c_per_h"
        f" --chart {folder / 'effect.svg'}",
        "loadbook answer --part PN-1004 --characteristic flatness --cycle SR-600 --cycle-revision C --save",
    ):
        output(command, book)
    with BookFolder.open(book) as opened:
        (number,) = opened.read().execute("SELECT max(answer_id) FROM answer").fetchone()
        interval = letter(opened, number).interval
    assert interval is not None
    (folder / "letter.svg").write_text(interval_picture(interval), encoding="utf-8")


def main() -> None:
    book = Path(sys.argv[1])
    text = README.read_text(encoding="utf-8")
    for left in (*book.glob("*.xlsx"), *book.glob("*.html")):
        left.unlink()

    def fresh(block: re.Match[str]) -> str:
        return f"```console\n$ {block[1]}\n{shortened(output(block[1], book), block[2])}```"

    README.write_text(BLOCK.sub(fresh, text), encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        for left in PICTURES.glob("*.svg"):
            left.unlink()
        pictures(Path(shutil.copytree(book, Path(folder) / "book")), PICTURES)


if __name__ == "__main__":
    main()
