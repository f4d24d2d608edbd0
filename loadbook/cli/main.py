"""The `loadbook` command: a map of names to files, each loaded only when its command is called."""

from __future__ import annotations

import os
from importlib import import_module

import click

from .common import LoadbookGroup

# name -> (module:attribute, one line of help): `--help` lists them without loading any
COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("records:new", "Start a book."),
    "demo": ("demo:demo", "Make a book of an invented shop, with traces and readings."),
    "template": ("records:template", "Print an intake file's header, an example row and what each column means."),
    "take": ("records:take", "Take an intake file into the book."),
    "add": ("records:add", "Add one record by hand."),
    "amend": ("records:amend", "Correct an accepted value; the old one stays."),
    "list": ("records:list_", "List records of a kind."),
    "show": ("records:show", "Show one record and its history."),
    "find": ("find:find", "Find words in notes, nonconformances, events, jobs, parts and answers."),
    "trace": ("traces:trace", "Look at a recorder's file, take it in, keep its layout."),
    "precheck": ("precheck:precheck", "Before the door closes: is this load ready for its cycle."),
    "follow": ("follow:follow", "While the furnace runs: a recorder's growing file against the cycle."),
    "watch": ("watch:watch", "Take recorders' files in by itself, as they get whole in their folders."),
    "judge": ("judge:judge", "Judge runs against every clause of their cycle."),
    "needs": ("needs:needs", "List what needs a person: decisions, confirmations, missing readings."),
    "confirm": ("confirming:confirm", "Confirm or refuse a suspected thermocouple fault or reading."),
    "cycle": ("judge:cycle", "Review a cycle, or plan one for a part."),
    "moved": ("movement:moved", "How much did parts move, under which treatment."),
    "effect": ("movement:effect", "Which cycle parameters go with movement."),
    "answer": ("answer:answer", "How much will it move: an interval, its evidence, or a refusal."),
    "choose": ("choose:choose", "Which cycle keeps a part in tolerance for the fewest furnace hours."),
    "shop": ("shop:shop", "Say who the shop is: the head, the foot and the numbering of its letters."),
    "trial": ("answer:trial", "Which next runs would teach most."),
    "backtest": ("answer:backtest", "How often would the answers of the past have been right."),
    "chart": ("charts:chart", "Draw movement, an effect or a run in the terminal."),
    "report": ("questions:report", "Run a named report; with no name, list them."),
    "sql": ("questions:sql", "Ask read-only SQL over records, views and trace samples."),
    "page": ("pages:page", "One self-contained HTML page: a run, an answer, a month."),
    "export": ("month:export", "Write a month as a workbook."),
    "explain": ("records:explain", "Explain a term, a parameter, a fault or a method."),
    "recompute": ("judge:recompute", "Compute parameters and verdicts again from the traces."),
    "group": ("group:group", "Publish plants to one place, and ask all of them (DuckDB or Spark)."),
    "verify": ("upkeep:verify", "Check every checksum, key and file of the book."),
    "keep-links": ("upkeep:keep_links", "Keep the chain's last link on another drive after each intake."),
    "backup": ("upkeep:backup", "Write the whole book into one file."),
    "pack": ("upkeep:pack", "Put the trace files of old months together, one file a month."),
    "restore": ("upkeep:restore", "Make a book from a backup."),
    "upgrade": ("upkeep:upgrade", "Bring a book to this program's schema (makes a backup first)."),
}


class Lazy(LoadbookGroup):
    """Loads a command's file when it is called, not before."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name][0].split(":")
        command: click.Command = getattr(import_module(f"loadbook.cli.{module}"), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.command(cls=Lazy, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.option("--traceback", is_flag=True, help="Show the program's own trace with an error.")
@click.version_option(package_name="loadbook")
def cli(traceback: bool) -> None:
    """The load-record database of a heat-treat shop: what was asked, what was done, how much parts moved,
    and how much the next ones will.

    Start with: loadbook demo, then: loadbook --help of any command.
    """
    if traceback:
        os.environ["LOADBOOK_TRACEBACK"] = "1"
