"""The options that describe an enquiry: a part on record or what is known of a new one, and how it will be run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click


def enquiry_options(part: str, cycle: str, revision: str, furnace: str) -> Callable[[Callable[..., Any]], Any]:
    """The options, in order; four help texts differ between one book and a group of plants."""
    options = (
        click.option("--part", metavar="PART", help=part),
        click.option("--characteristic", metavar="NAME", help="Which of its characteristics."),
        click.option("--material", metavar="M", help="A new part: its material."),
        click.option("--shape", metavar="S", help="A new part: its shape."),
        click.option("--condition", metavar="C", help="How the pieces arrive, e.g. 'forged;rough machined'."),
        click.option("--kind", metavar="K", help="A new part: the kind of characteristic, e.g. 'outside diameter'."),
        click.option("--size", metavar="MM", help="Reference length (diameter, length, span): 250 or '10 in'."),
        click.option("--section", metavar="MM", help="Thickest section: 40 or '1.5 in'."),
        click.option("--cycle", metavar="CYCLE", help=cycle),
        click.option("--cycle-revision", metavar="R", help=revision),
        click.option("--with", "settings", multiple=True, metavar="PARAMETER=VALUE", help="A planned setting; repeat."),
        click.option("--setup", metavar="S", help="How the pieces will stand or hang."),
        click.option("--atmosphere", metavar="A", help="What it will run in."),
        click.option("--process", metavar="P", help="Which process, where the cycle does not say."),
        click.option("--furnace", metavar="F", help=furnace),
        click.option("--on", metavar="DATE", help="Day of the run (default: that of the last comparable run)."),
        click.option(
            "--content", type=float, default=0.90, show_default=True, help="Share of pieces the interval holds."
        ),
    )

    def decorated(command: Callable[..., Any]) -> Any:
        for option in reversed(options):
            command = option(command)
        return command

    return decorated
