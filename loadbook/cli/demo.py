"""The command `demo`: a book of an invented shop, made through the same intake as any other book."""

from __future__ import annotations

import importlib
import importlib.util
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loadbook.core import writing
from loadbook.core.errors import UsageError
from loadbook.core.progress import Progress
from loadbook.core.typed import quote
from loadbook.render.tables import plain
from loadbook.store.book import BookFolder
from loadbook.store.sql_files import shipped

from .common import LoadbookCommand
from .progress import progress

if TYPE_CHECKING:
    from loadbook.queries.recompute_workers import Team
    from loadbook.readers.recorder.kept_layouts import KeptLayout
    from loadbook.readers.recorder.take import Ready

    Chart = tuple[str, Path, KeptLayout]  # a run, its recorder's file, and how that is read

PACKAGE = "loadbook_shop"
AT_ONCE = 16  # traces of one transaction

# what the files of each furnace's recorder cannot settle by themselves, answered as a user would
ANSWERS: dict[str, dict[str, Any]] = {
    "F1": {"channel": ("TC *=work",), "sentinel": ("OPEN",)},
    "F2": {"date_order": "day-first", "sentinel": ("9999,9",)},
    "F3": {"date_order": "month-first", "sentinel": ("****",)},
}

NEXT = """\
Try, after: cd {book}
  loadbook judge {broken}
  loadbook moved --process "stress relief" --by setup
  loadbook effect --kind "outside diameter" --process "stress relief"
  loadbook answer --part PN-1004 --characteristic flatness --cycle SR-600 --cycle-revision C
  loadbook answer --part PN-6002 --characteristic throat --cycle AG-720
  loadbook report
  loadbook sql "select furnace, count(*) as runs from runs group by furnace"
  loadbook export 2025-09 -o september.xlsx"""


def shop_module(name: str) -> Any:
    """A module of the invented shop, wherever the program's files stand (in the wheel, or beside the package)."""
    if PACKAGE not in sys.modules:
        folder = shipped("fixtures/shop")
        spec = importlib.util.spec_from_file_location(
            PACKAGE, folder / "__init__.py", submodule_search_locations=[str(folder)]
        )
        assert spec is not None and spec.loader is not None
        package = importlib.util.module_from_spec(spec)
        sys.modules[PACKAGE] = package
        spec.loader.exec_module(package)
    return importlib.import_module(f"{PACKAGE}.{name}")


def _free(path: Path, what: str) -> Path:
    """The path, if nothing stands there. Raises UsageError for a folder with anything in it, and for a file."""
    writing.check_folder(path)
    if path.exists() and any(path.iterdir()):
        raise UsageError(
            f"the {what} folder is there already and not empty", where=str(path), remedy="Name another one"
        )
    return path


@click.command(cls=LoadbookCommand)
@click.argument("folder", metavar="[BOOK]", default="demo-book", type=click.Path(path_type=Path))
@click.option(
    "--files", "files_folder", metavar="FOLDER", type=click.Path(path_type=Path),
    help="Write the shop's intake files and recorder files there too, with the commands that take them in.",
)  # fmt: skip
@click.option(
    "--play", "played", metavar="RUN", help="Play a run of the demo's book: write its recorder's file as if it ran now."
)
@click.option("--speed", default=600.0, show_default=True, help="With --play: seconds of the furnace per second.")
@click.option(
    "--comes-off", metavar="TC", help="With --play: this work TC leaves its hole on the way to the first hold."
)
@click.option(
    "--to",
    "recorder_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="With --play: the file (default: by the run).",
)
def demo(
    folder: Path, files_folder: Path | None, played: str | None, speed: float, comes_off: str | None,
    recorder_file: Path | None,
) -> None:  # fmt: skip
    """Make a book of an invented shop: two years of runs with traces, and readings before and after.

    Every record goes through the same intake as your own would. With --play, and a second terminal, `follow` is seen
    at work.

    Example: loadbook demo --files shop-files

    Example: loadbook demo demo-book --play R26-135 --speed 600 --comes-off "TC 5"
    """
    if played is not None:
        _play(folder, played, speed, comes_off, recorder_file)
        return
    if comes_off or recorder_file:
        raise UsageError("--comes-off and --to belong to --play", remedy="Add --play RUN")
    _free(folder, "book's")
    if files_folder is not None:
        _free(files_folder, "files'")
        if files_folder.resolve() == folder.resolve():
            raise UsageError("the files need a folder of their own", where=str(files_folder))
    with progress() as show, ExitStack() as stack:
        show("simulating two years of runs", 0, 0)
        files = Path(stack.enter_context(writing.scratch())) if files_folder is None else files_folder
        writing.make_folder(folder.parent)
        making = stack.enter_context(writing.FolderPart(folder.resolve()))
        with (
            BookFolder.create(making.path, zone=shop_module("catalogue").ZONE) as book,
            _team(book) as team,  # its processes start while the runs are simulated
        ):
            build = shop_module("build")
            shop = build.build()
            verdicts = _take_all(book, team, build, shop, files, show)
        making.place()
    counts = {kind: len(rows) for kind, rows in shop.tables.items()}
    click.echo(
        f"A book of an invented shop in {plain(str(folder))}: {counts['runs']} runs, {len(verdicts)} of them with a"
        f" trace, {counts['parts']} part numbers, {counts['pieces']} pieces, {counts['readings']} readings"
    )
    words = {w: sum(v == w for v in verdicts.values()) for w in ("kept", "broken", "cannot be told")}
    click.echo("Judged: " + ", ".join(f"{count} {word}" for word, count in words.items()))
    if files_folder is not None:
        click.echo(f"Its files, and the commands that take them in: {plain(str(files / 'README.txt'))}")
    broken = next((run for run, v in verdicts.items() if v == "broken"), next(iter(verdicts)))
    click.echo("\n" + NEXT.format(book=quote(plain(str(folder))), broken=plain(broken)))


def _play(folder: Path, run: str, speed: float, comes_off: str | None, file: Path | None) -> None:
    from .demo_play import play

    if not 1.0 <= speed <= 100_000.0:
        raise UsageError(f"--speed {speed:g}: from 1 to 100000")
    with BookFolder.find(str(folder) if folder.exists() else None) as book:
        play(book, run, speed, comes_off, file or Path(f"{run}-play.csv"))


def _team(book: BookFolder) -> Team[Chart, Ready]:
    """As many processes as there are cores, for reading and judging the runs' files."""
    from loadbook.queries.recompute_workers import Team, cores

    return Team(book, cores(), book.state, _ready)


def _take_all(
    book: BookFolder, team: Team[Chart, Ready], build: Any, shop: Any, files: Path, show: Progress
) -> dict[str, str]:
    """Writes every file and takes it in, as `take`, `trace layout save` and `trace take` do; run -> verdict."""
    from loadbook.readers.cycles.file import take_cycle_file
    from loadbook.readers.recorder.take import put_in
    from loadbook.readers.tables.take import take_file

    lines = [f"loadbook new shop-book --zone {shop_module('catalogue').ZONE}", "cd shop-book"]
    for kind, path in build.write_intake(shop, files):
        show(f"taking in {kind}", 0, 0)
        if kind == "cycles":
            take_cycle_file(book, path)
        else:
            take_file(book, kind, path, affirm=None)
        affirm = " --affirm all" if kind == "readings" else ""  # the invented shop's slips, for the screen to find
        lines.append(f"loadbook take {kind} {path.relative_to(files).as_posix()}{affirm}")
    layouts: dict[str, KeptLayout] = {}

    def charts() -> Iterator[Chart]:
        for done, path in build.write_traces(shop, files / "recorders"):
            furnace, run = done.plan.furnace, done.plan.run
            name = path.relative_to(files).as_posix()
            if furnace not in layouts:
                layouts[furnace] = _keep_layout(book, furnace, path)
                lines.append(_layout_command(furnace, name))
            lines.append(f'loadbook trace take {name} --run {run} --layout "{_layout_name(furnace)}"')
            yield run, path, layouts[furnace]

    verdicts: dict[str, str] = {}
    total = sum(not run.paper for run in shop.runs)
    results = team.results(charts())
    while made := [ready or _ready(book, chart) for chart, _, ready in islice(results, AT_ONCE)]:
        verdicts |= {taken.run: taken.verdict for taken in put_in(book, made)}
        show("taking in traces", len(verdicts), total)
    text = (
        "The files of an invented shop. These commands take them in (put the files into the book's folder first,\n"
        "or write their paths):\n\n" + "\n".join(lines) + "\n"
    )
    writing.put(files / "README.txt", text.encode("utf-8"))
    return verdicts


def _ready(book: BookFolder, chart: Chart) -> Ready:
    """A recorder's file read and judged, as `trace take` does."""
    from loadbook.readers.recorder.options import Options
    from loadbook.readers.recorder.part import Part
    from loadbook.readers.recorder.source import open_source
    from loadbook.readers.recorder.take import Ready, Wanted, make_ready

    run, path, layout = chart
    made = make_ready(book, run, [(open_source(path), Wanted(path, Part(), layout))], Options())
    assert isinstance(made, Ready)  # it is not in the book yet
    return made


def _layout_name(furnace: str) -> str:
    return str(shop_module("recorders").LAYOUT_NAMES[furnace])


def _keep_layout(book: BookFolder, furnace: str, path: Path) -> KeptLayout:
    """Settles a recorder's layout from its first file and keeps it, as `trace layout save` does."""
    from loadbook.readers.recorder.kept_layouts import kept_layout, save_layout
    from loadbook.readers.recorder.options import Options, stop
    from loadbook.readers.recorder.read import lasting, look
    from loadbook.readers.recorder.source import open_source

    source = open_source(path)
    read = look(source, Options.named(**ANSWERS[furnace]), zone=book.zone)
    stop(read.questions, source.name)
    name = _layout_name(furnace)
    save_layout(book, lasting(read, name), name)
    return kept_layout(book.read(), name)


def _layout_command(furnace: str, file: str) -> str:
    words = [f'loadbook trace layout save "{_layout_name(furnace)}" {file}']
    for option, value in ANSWERS[furnace].items():
        values = value if isinstance(value, tuple) else (value,)
        words += [f'--{option.replace("_", "-")} "{v}"' for v in values]
    return " ".join(words)
