"""The command's own input and output: closed, full, or read by somebody who stopped reading.

As git does it: a stream that is closed is opened on the null device, so that no file of the book ever gets its number;
a reader that went away ends the command with 128 + SIGPIPE; what could not be printed is an error.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator

READER_GONE = 128 + 13


def open_closed_streams() -> None:
    """Call before anything is opened."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            null = os.open(os.devnull, os.O_RDWR)
            if null != number:
                os.dup2(null, number)
                os.close(null)
        if getattr(sys, name) is None:
            mode = "r" if name == "stdin" else "w"
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115 - a number


def silence() -> None:
    """What is still to be printed goes nowhere: stdout has failed once, and Python would try again at its end."""
    with contextlib.suppress(OSError, ValueError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
        os.close(null)


@contextlib.contextmanager
def printed() -> Iterator[None]:
    """What was printed within it is out at its end. Raises OSError where it could not be."""
    try:
        yield
    except SystemExit as exc:
        if exc.code in (0, None):
            sys.stdout.flush()
        raise
    sys.stdout.flush()
