"""Brings the README's console blocks up to date: python -m tests.readme_refresh BOOK

A console block is a line `$ loadbook ...` and what that command prints (stdout, then stderr), run in a demo book.
`tests/test_docs.py` compares them, so the README never shows what is not so.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

README = Path(__file__).resolve().parent.parent / "README.md"
BLOCK = re.compile(r"^```console\n\$ (loadbook [^\n]+)\n(.*?)^```", re.DOTALL | re.MULTILINE)


def blocks() -> list[tuple[str, str]]:
    """(command, what the README says it prints) of every console block."""
    return BLOCK.findall(README.read_text(encoding="utf-8"))


def output(command: str, book: Path) -> str:
    """What a command prints in a book: stdout, then stderr."""
    words = shlex.split(command)[1:]
    done = subprocess.run(
        [sys.executable, "-m", "loadbook", *words],
        cwd=book,
        env={**os.environ, "LOADBOOK_WHO": "tester"},
        capture_output=True,
        text=True,
        timeout=120,
    )
    return "".join(line.rstrip() + "\n" for line in (done.stdout + done.stderr).splitlines())


def main() -> None:
    book = Path(sys.argv[1])
    text = README.read_text(encoding="utf-8")
    for name in ("september.xlsx", "run-R25-086.html"):
        (book / name).unlink(missing_ok=True)
    fresh = BLOCK.sub(lambda m: f"```console\n$ {m.group(1)}\n{output(m.group(1), book)}```", text)
    README.write_text(fresh, encoding="utf-8")


if __name__ == "__main__":
    main()
