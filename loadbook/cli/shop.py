"""The command that keeps the shop's own profile: the head, the foot and the numbering of its letters."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from loadbook.core.errors import UsageError
from loadbook.core.outside import read_file
from loadbook.render.tables import plain
from loadbook.store.book import BookFolder

from .common import LoadbookCommand, book_option

MOST_LOGO_KB = 100


@click.command(cls=LoadbookCommand)
@click.option("--name", metavar="TEXT", help="The shop's name.")
@click.option("--address", multiple=True, metavar="LINE", help="A line of its address; repeat.")
@click.option("--contact", multiple=True, metavar="LINE", help="Telephone, e-mail, web address; repeat.")
@click.option(
    "--logo", type=click.Path(path_type=Path), metavar="FILE", help="Its logo: PNG, JPEG or SVG, 100 kB at most."
)
@click.option("--no-logo", is_flag=True, help="Take the logo away.")
@click.option("--signatory", metavar="NAME", help="Who signs letters.")
@click.option("--function", metavar="TEXT", help="What the signatory is.")
@click.option("--numbering", metavar="A-0001", help="The first letter's reference: its last number is counted up.")
@book_option
def shop(logo: Path | None, no_logo: bool, book: BookFolder, **given: Any) -> None:
    """Say who the shop is: what stands at the head and the foot of its letters. With no option, show it.

    It is kept in the book. An empty text takes a line away: --function "". What is changed is amended, the old stays.

    Example: loadbook shop --name "Example Heat Treating" --address "1 Furnace Lane" --numbering A-0001
    """
    from loadbook.store.shop import set_shop, shop_of

    changes = {name: value for name, value in given.items() if value is not None and value != ()}
    if logo is not None and no_logo:
        raise UsageError("--logo and --no-logo exclude each other")
    if logo is not None:
        changes["logo"] = _logo(logo)
    if no_logo:
        changes["logo"] = ""
    if changes:
        set_shop(book, changes)
    _show(shop_of(book))


def _show(found: Any) -> None:
    rows = [
        ("name", found.name), *(("address", line) for line in found.address),
        *(("contact", line) for line in found.contact), ("signatory", found.signatory), ("function", found.function),
        ("numbering", found.numbering),
        ("logo", f"{found.logo[0].upper()}, {len(found.logo[1]) / 1000:.1f} kB" if found.logo else ""),
    ]  # fmt: skip
    if not any(value for _, value in rows):
        click.echo("The book does not say who the shop is: loadbook shop --name TEXT --address LINE ...")
    for name, value in rows:
        if value:
            click.echo(f"{name:<10} {plain(value)}")


def _logo(path: Path) -> tuple[str, bytes]:
    """A logo's kind and bytes. Raises UsageError, LoadbookError."""
    from loadbook.render.letter.logo import checked

    data = read_file(path)
    if len(data) > MOST_LOGO_KB * 1000:
        raise UsageError(
            f"the logo has {len(data) / 1000:.0f} kB, {MOST_LOGO_KB} kB at most", where=str(path),
            remedy="Save it smaller: 600 pixels wide are enough",
        )  # fmt: skip
    return checked(data, str(path)), data
