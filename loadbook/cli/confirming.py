"""The `confirm` group: a named person's word on a suspected thermocouple fault or reading."""

from __future__ import annotations

import click

from .common import LoadbookGroup


class _Lazy(LoadbookGroup):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return ["fault", "reading"]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        command: click.Command
        if cmd_name == "fault":
            from .judge import confirm_fault as command
        elif cmd_name == "reading":
            from .movement import confirm_reading as command
        else:
            return None
        return command


@click.command(cls=_Lazy)
def confirm() -> None:
    """Record a named person's decision on a suspected thermocouple fault or a suspected reading."""
