"""A recorder's file that still grows: read when it changed, whole lines only, across truncation and rotation.

Plain polling of size, time and first bytes, not a watcher library: files are looked at every few seconds anyway, file
events do not come over network folders, and a library that falls back to polling there would be a second way.
What is read of a file is never shown shorter again because the file is locked, missing or just being written anew.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from loadbook.core import writing
from loadbook.core.errors import LoadbookError
from loadbook.core.outside import name_of, read_file

from .source import Source

HEAD = 65_536  # bytes in which a heading ends
# a recorder may write its last lines anew each time; a record of fewer lines may be a heading with its first rows
LAST_LINES, LEAST_LINES = 3, 60
GROWS, SAME, WAITING = "grew", "same", "waiting"


def whole_lines(data: bytes) -> bytes:
    """Bytes up to the last line that has its end; a tail of zero bytes (space laid out ahead) is no line.

    >>> whole_lines(b"a,1\\nb,2\\nc,"), whole_lines(b"a,1\\r\\nb\\x00\\x00"), whole_lines(b"a")
    (b'a,1\\nb,2\\n', b'a,1\\r\\n', b'')
    """
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in data[:2]
    if wide:
        end = b"\n\x00" if data[:2] == b"\xff\xfe" or data[1:2] == b"\x00" else b"\x00\n"
        at = data.rfind(end)
        while at > 0 and at % 2:
            at = data.rfind(end, 0, at + 1)
        return data[: at + 2] if at >= 0 else b""
    data = data.split(b"\x00", 1)[0] if b"\x00" in data else data
    ends = b"\n" if b"\n" in data else b"\r"
    return data[: data.rfind(ends) + 1]


@dataclass
class Growing:
    """A file as it grows. data are its whole lines so far, those from before a rotation first.

    parts      how often it began anew;  waiting  why it cannot be read just now, '' where it can
    """

    path: Path
    data: bytes = b""
    parts: int = 1
    waiting: str = ""
    _before: bytes = field(default=b"", repr=False)  # lines of the files before the last rotation
    _head: bytes = field(default=b"", repr=False)  # the first whole lines of the file that is there now
    _seen: tuple[int, int, int] = field(default=(-1, -1, -1), repr=False)
    _skipped: int = field(default=0, repr=False)  # bytes of its heading that the file before it had too

    def look(self) -> str:
        """Reads the file where it changed: GROWS, SAME, or WAITING (missing or locked: the next look tries again).

        Raises LoadbookError where it is larger than any recorder's file
        """
        try:
            found = self.path.stat()
            mark = (found.st_size, found.st_mtime_ns, found.st_ino)
            if mark == self._seen and not self.waiting:
                return SAME
            raw = read_file(self.path)
        except (OSError, LoadbookError) as exc:
            if isinstance(exc, LoadbookError) and "larger than" in exc.what:
                raise
            if isinstance(exc, FileNotFoundError):
                self.waiting = f"there is no file {self.path.name} yet"
            else:
                self.waiting = exc.what if isinstance(exc, LoadbookError) else str(exc.strerror or exc)
            return WAITING
        self.waiting, self._seen = "", mark
        now = whole_lines(raw)
        own = self.data[len(self._before) :] if self._before else self.data
        if not self._before and _last_lines_anew(now, own):
            self.data = now  # a sum or a mark of the end that goes along with the record's end
            return GROWS
        if self._begins_anew(now, own):
            if not now:  # emptied: what comes next tells whether it is the same file again
                return SAME
            self._before = self.data
            self.parts += 1
            now = _without_head(self._head, now)
            own = b""
            self._skipped = len(whole_lines(raw)) - len(now)
        elif self._before:
            now = now[self._skipped :]
        if len(now) <= len(own):
            return SAME  # being written anew: shorter than what was seen already
        if not self._before:
            self._head = now[:HEAD]
        self.data = self._before + now
        return GROWS

    def _begins_anew(self, now: bytes, own: bytes) -> bool:
        """Is what stands there now another stretch of the record, not the one seen so far, or a part of it?"""
        if not own:
            return False
        skipped = self._skipped
        there = now[skipped:]
        short = min(len(there), len(own))
        return there[:short] != own[:short]

    def rotated(self) -> bool:
        """Did the record go on in a file that began anew?"""
        return self.parts > 1

    @property
    def source(self) -> Source:
        """The whole lines so far as a file to read."""
        return Source(name_of(self.path), self.data)

    def put_whole(self, folder: Path) -> Path:
        """The file to take in: itself, or, where it was rotated or is shorter than what was seen, all lines seen as one
        file of its name in `folder`."""
        try:
            there = read_file(self.path)
        except (OSError, LoadbookError):
            there = b""
        if not self.rotated() and len(there) >= len(self.data) and there[: len(self.data)] == self.data:
            return self.path
        whole = folder / self.path.name
        writing.put(whole, self.data, lasting=False)
        return whole


def _last_lines_anew(now: bytes, own: bytes) -> bool:
    """Is this the same stretch of the record, longer, with other lines in place of the last ones that were seen?"""
    if len(now) < len(own) or now.startswith(own):
        return False
    kept = own.splitlines(keepends=True)
    same = b"".join(kept[:-LAST_LINES])
    return len(kept) >= LEAST_LINES and now.startswith(same)


def _without_head(head: bytes, now: bytes) -> bytes:
    """A later file's lines without the first ones that it shares with the file before it (its heading)."""
    at = 0
    for line in now.splitlines(keepends=True):
        if head[at : at + len(line)] != line:
            break
        at += len(line)
    return now[at:]
