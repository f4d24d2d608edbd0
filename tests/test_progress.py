"""Progress is a line on a terminal's stderr that is gone afterwards, and nothing elsewhere."""

from __future__ import annotations

import io
import sys

import pytest

from loadbook.cli.progress import progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("out", [Terminal(), io.StringIO()])
def test_progress_is_for_a_terminal_only(monkeypatch: pytest.MonkeyPatch, out: io.StringIO) -> None:
    monkeypatch.setattr(sys, "stderr", out)
    monkeypatch.setenv("TERM", "xterm")
    with progress() as show:
        show("simulating", 0, 0)
        show("judging [R1]", 3, 1200)
        show("judging [R1]", 1200, 1200)
    written = out.getvalue()
    assert ("judging [R1] 1,200 of 1,200" in written) == out.isatty()
    assert bool(written) == out.isatty()
    if out.isatty():
        assert written.endswith("\x1b[1A\x1b[2K"), "the line is taken away"
