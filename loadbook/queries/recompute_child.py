"""The program of one recomputing worker: the book's folder is its argument, runs come in by line (see reckonwork)."""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import sys
from pathlib import Path
from typing import BinaryIO

from loadbook.core.errors import LoadbookError
from loadbook.store.book import BookFolder
from loadbook.store.trace_files import start_engine

from .recompute_workers import Computed, compute


def main() -> int:
    """Say by an empty answer that it has started, then answer every run. An answer is its length in eight bytes and the
    pickled result, which is None for what the caller must do."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints must not look like an answer
    with BookFolder.open(Path(sys.argv[1])) as book, contextlib.suppress(BrokenPipeError, KeyboardInterrupt):
        start_engine()
        _answer(out, b"")
        for line in sys.stdin.buffer:
            found: Computed | None = None
            with contextlib.suppress(LoadbookError):  # the caller meets it again, and tells it
                found = compute(book, json.loads(line))
            _answer(out, pickle.dumps(found))
    return 0


def _answer(out: BinaryIO, body: bytes) -> None:
    out.write(len(body).to_bytes(8, "big") + body)
    out.flush()


if __name__ == "__main__":
    sys.exit(main())
