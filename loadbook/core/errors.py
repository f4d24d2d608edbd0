"""Errors that say what, where and what to do now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

EXIT_COULD_NOT = 1
EXIT_USAGE = 2
EXIT_SOMETHING_WRONG = 3
EXIT_BUSY = 4


@dataclass(frozen=True)
class Problem:
    """One thing wrong with one input: what it is, where it stands, what to do.

    line is the physical line (or sheet row) counted from 1; value is what was found there; alike is the same for
    problems of the same sort, of which a list says one and counts the others.
    """

    what: str
    file: str | None = None
    line: int | None = None
    column: str | None = None
    value: str | None = None
    remedy: str | None = None
    alike: str | None = None

    @property
    def where(self) -> str:
        """`file:line:column`, with whatever of the three is known."""
        parts = [p for p in (self.file, None if self.line is None else str(self.line), self.column) if p]
        return ":".join(parts)

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.value is not None:
            text += f" (found {self.value!r})"
        if self.remedy:
            text += f". {self.remedy}"
        return text


class LoadbookError(Exception):
    """Anything the tool could not do, in words a user can act on.

    what   what went wrong, one sentence
    where  the file, record or command it is about
    remedy  what to do now
    """

    exit_code = EXIT_COULD_NOT

    def __init__(self, what: str, *, where: str | None = None, remedy: str | None = None) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.remedy = remedy

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text}{'' if text.endswith('?') else '.'} {self.remedy}" if self.remedy else text


class UsageError(LoadbookError):
    """The command's words are off (exit 2)."""

    exit_code = EXIT_USAGE


class IntakeError(LoadbookError):
    """An input that cannot be taken in; `problems` lists every fault found in it."""

    def __init__(self, what: str, problems: Sequence[Problem], *, remedy: str | None = None) -> None:
        super().__init__(what, remedy=remedy)
        self.problems = list(problems)

    def __str__(self) -> str:
        return "\n".join([super().__str__(), *(f"  {line}" for line in problem_lines(self.problems))])


FEW_ALIKE = 3


def problem_lines(problems: Sequence[Problem]) -> list[str]:
    """Problems as lines; of more than a few that are alike, the first and the count of the others with their lines."""
    alike: dict[tuple[str | None, str | None], list[Problem]] = {}
    for p in problems:
        if p.alike is not None:
            alike.setdefault((p.file, p.alike), []).append(p)
    out, said = [], set()
    for p in problems:
        same = alike.get((p.file, p.alike), []) if p.alike is not None else []
        if len(same) <= FEW_ALIKE:
            out.append(str(p))
        elif (p.file, p.alike) not in said:
            said.add((p.file, p.alike))
            lines = [q.line for q in same[1:] if q.line is not None]
            shown = ", ".join(map(str, lines[:8])) + (f", ... {lines[-1]}" if len(lines) > 8 else "")
            out += [str(p), f"  and {len(same) - 1} more lines alike: {shown}"]
    return out


class OpenQuestion(LoadbookError):
    """A file that cannot be read without an answer: the question, and the option that settles it."""

    def __init__(self, question: str, *, where: str | None = None, option: str) -> None:
        super().__init__(question, where=where, remedy=f"Settle it with {option}")
        self.option = option


class BusyError(LoadbookError):
    """Another program holds the book (exit 4)."""

    exit_code = EXIT_BUSY


class NotFoundError(LoadbookError):
    """A record, file or book that is not there."""


class DamageError(LoadbookError):
    """A file of the book that is not what was written (exit 3)."""

    exit_code = EXIT_SOMETHING_WRONG


class StrangeFileError(DamageError):
    """A link, a pipe or the like in the place of a published file: somebody put it there, so nothing mends it."""


class CalculationError(LoadbookError):
    """A figure that cannot be computed from what was given."""
