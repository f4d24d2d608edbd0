"""The command that chooses a cycle: fewest furnace hours at which a part keeps its tolerance."""

from __future__ import annotations

import json
from typing import Any

import click

from loadbook.render.tables import exact, plain, write_words
from loadbook.store.book import BookFolder

from .answer import length
from .charts import ChartFile, chart_option, check_chart, size_of_terminal, write_chart
from .common import LoadbookCommand, book_option, emit, format_option

VARY = ("heating", "cooling", "setup", "cycle", "soak", "hold")


@click.command(cls=LoadbookCommand)
@click.option("--part", metavar="PART", required=True, help="A part number on record.")
@click.option("--characteristic", metavar="NAME", help="Which of its characteristics.")
@click.option("--cycle", metavar="CYCLE", help="The cycle it is run by now (default: the one it ran by last).")
@click.option("--cycle-revision", metavar="R", help="Its revision, where there are several.")
@click.option(
    "--tolerance", metavar="MM", help="Instead of the drawing's: a form error's limit, a size's width of limits."
)
@click.option("--stock", metavar="MM", help="Instead of a tolerance: stock per side that the movement must stay in.")
@click.option(
    "--keep", type=float, default=0.90, show_default=True, help="Least share of pieces inside, with 95 % confidence."
)
@click.option(
    "--vary", multiple=True, type=click.Choice(VARY), help="What may change (repeat; default: all but soak, hold)."
)
@click.option("--setup", metavar="S", help="How it stands or hangs now (default: its usual).")
@click.option("--furnace", metavar="F", help="The furnace it runs in now (default: its usual).")
@click.option("--process", metavar="P", help="Which process, where there are several.")
@click.option("--before", metavar="MM", help="The reading before the run: 0.12 or '0.005 in' (default: usual).")
@chart_option
@format_option
@book_option
def choose(
    chart_file: ChartFile | None, fmt: str | None, book: BookFolder, keep: float, vary: tuple[str, ...], **given: Any
) -> None:
    """Which cycle keeps a part within its tolerance in the fewest furnace hours, inside what was run.

    The way chosen beside the present one, then the ways worth knowing, as a table and a picture of hours against
    movement. Limits entered in the book bind. It looks at movement alone: hardness and stress relief are yours.

    Example: loadbook choose --part PN-1004 --characteristic flatness
    """
    check_chart(chart_file)
    from loadbook.queries.choose import USUALLY, choose_cycle
    from loadbook.queries.enquiry import Question

    tolerance, stock, before = (length(given.pop(name), name) for name in ("tolerance", "stock", "before"))
    question = Question(**given, tolerance_mm=tolerance, before_mm=before)
    found = choose_cycle(book, question, keep, vary or USUALLY, stock)
    if chart_file is not None and found.choice is not None:
        from loadbook.queries.charts.choice import choice_picture

        write_chart(chart_file, lambda: choice_picture(found))
    if fmt == "json":
        click.echo(json.dumps(exact(found.to_json()), ensure_ascii=False, indent=1))
        return
    if fmt not in (None, "table"):
        rows = found.rows()
        emit(list(rows[0]) if rows else ["state"], [list(r.values()) for r in rows], fmt)
        return
    for line in found.text:
        write_words(plain(line))
    if found.choice is None:
        return
    from loadbook.queries.charts.choice import choice_picture
    from loadbook.render.charts.terminal import draw
    from loadbook.render.chosen import CAUTION, ways_table

    title, columns, shown = ways_table(found)
    click.echo()
    emit(columns, shown, None, title=title)
    click.echo()
    for line in draw(choice_picture(found), *size_of_terminal()):
        click.echo(line)
    click.echo()
    write_words(plain(CAUTION))
