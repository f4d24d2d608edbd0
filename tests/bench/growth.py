"""How questions grow with the book: seconds and memory against runs, as a picture.

    python -m tests.bench.growth [--folder FOLDER] [--times N]

Asks every book of the folder (`python -m tests.bench` makes them; those with a trace a run) each question in a cold
process, nothing changed since the question before, and writes growth.json (processor seconds and MB, the least of N)
and growth.svg beside this file. With `--draw` it only draws what growth.json says.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

from loadbook.render.charts import style
from loadbook.render.charts.drawing import Drawing
from loadbook.render.charts.plot import spread_out
from loadbook.render.charts.scale import Scale

from .timing import surroundings

HERE = Path(__file__).parent
WIDTH, HEIGHT, LEFT, TOP, FIELD = 860.0, 430.0, 52.0, 64.0, 250.0  # px
AT, AIM_AT = 4_000, 100_000  # runs where the names of the growths stand, and where the aims are
SAMPLES = 2_880  # of the books that are asked
Figures = dict[str, dict[str, tuple[float, float]]]  # question -> runs -> seconds, MB


def questions(book: Path, out: Path) -> dict[str, list[str]]:
    """What is asked of a book, about a run, a month and a part number in the middle of its history."""
    conn = sqlite3.connect(f"file:{book / 'book.sqlite'}?mode=ro", uri=True)
    rows = conn.execute("SELECT run, started FROM run ORDER BY started").fetchall()
    conn.close()
    run, started = rows[len(rows) // 2]
    return {
        "moved": ["moved", "--by", "setup"],
        "moved, one part": ["moved", "--part", "PN-000"],
        "effect": ["effect", "outside diameter"],
        "answer": ["answer", "--part", "PN-000"],
        "page run": ["page", "run", run, "-o", str(out / "run.html"), "--force"],
        "page part": ["page", "part", "PN-000", "-o", str(out / "part.html"), "--force"],
        "export, a month": ["export", started[:7], "-o", str(out / "month.xlsx"), "--force"],
        "needs": ["needs"],
        "list runs": ["list", "runs", "--limit", "50"],
        "show run": ["show", "run", run],
    }


def asked(words: list[str]) -> tuple[float, float]:
    """(processor seconds, most memory in MB) of a command in a cold process."""
    with tempfile.TemporaryFile() as said:
        child = subprocess.Popen(
            [sys.executable, "-m", "loadbook", *words], stdout=subprocess.DEVNULL, stderr=said,
            env=surroundings(),
        )  # fmt: skip
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode not in (0, 3):
            said.seek(0)
            raise RuntimeError(f"{' '.join(words)}: exit {child.returncode}\n{said.read().decode()[-2000:]}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss * 1024 / 1e6


def measured(folder: Path, times: int) -> Figures:
    """Every question of every book there."""
    figures: Figures = {}
    with tempfile.TemporaryDirectory() as name:
        for told in folder.glob("book-*/bench.json"):
            said = json.loads(told.read_text(encoding="utf-8"))
            if said["samples"] != SAMPLES or said["runs"] < 1_000:
                continue
            for question, words in questions(told.parent, Path(name)).items():
                words = [*words, "--book", str(told.parent)]
                asked(words)  # the first question after a change leaves a snapshot for the next ones
                least = [min(x) for x in zip(*(asked(words) for _ in range(times)), strict=True)]
                figures.setdefault(question, {})[str(said["runs"])] = round(least[0], 3), round(least[1], 1)
                print(f"{said['runs']:>7} {question:<16} {least[0]:7.2f} s {least[1]:6.0f} MB", flush=True)
    return figures


def drawn(figures: Figures) -> str:
    """Both panels as SVG: a line a question, and what growth with n and with n log n would be."""
    names = sorted(figures, key=lambda q: -figures[q][max(figures[q], key=int)][0])
    runs = sorted({int(n) for of in figures.values() for n in of})
    pen = Drawing(WIDTH, HEIGHT)
    pen.text(LEFT, 20, "Questions against the length of the history", style.TITLE_PX, weight="bold")
    told = "Whole cold commands, nothing changed since the question before; both axes logarithmic"
    pen.text(LEFT, 38, told, fill=style.MUTED)
    panels = (
        (0, "processor seconds", (0.05, 50.0), 0.07, (5.0, "5 s")),
        (1, "memory at most, MB", (20.0, 5_000.0), 13.0, (2_000.0, "2 GB")),
    )
    for which, title, (low, high), least, (aim, aim_told) in panels:
        start = LEFT + which * (WIDTH / 2)
        x = Scale(runs[0] / 1.2, runs[-1] * 1.2, start, start + FIELD, log=True)
        y = Scale(low, high, HEIGHT - 44, TOP + 14, log=True)
        pen.text(start, TOP, title)
        for value in y.ticks():
            pen.line(start, y(value), start + FIELD, y(value), style.GRID)
            pen.text(start - 6, y(value), f"{value:,g}", anchor="end", middle=True)
        pen.line(start, y(aim), start + FIELD, y(aim), style.WARN, 1.0, (2, 2))
        pen.text(start + 4, y(aim) - 5, f"aim at {AIM_AT:,} runs: {aim_told}", fill=style.WARN)
        for n in runs:
            pen.text(x(n), HEIGHT - 28, f"{n:,}", anchor="middle")
        pen.text(start + FIELD / 2, HEIGHT - 10, "runs", anchor="middle")
        for label, dash, power in (("n", (1, 3), 0), ("n log n", (8, 3), 1)):
            ends = [(n, least * n / runs[0] * (math.log(n) / math.log(runs[0])) ** power) for n in (runs[0], runs[-1])]
            pen.polyline([(x(n), y.at(v)) for n, v in ends], style.MUTED, 1.4, dash)
            at = x(AT), y(least * AT / runs[0] * (math.log(AT) / math.log(runs[0])) ** power)
            pen.text(at[0] + (-6 if power else 8), at[1], label, fill=style.MUTED, anchor="end" if power else "start",
                     middle=True)  # fmt: skip
        ends_at = {q: y.at(figures[q][max(figures[q], key=int)][which]) for q in names}
        places = spread_out([ends_at[q] - TOP for q in names], 14, HEIGHT - 44 - TOP + 14)
        for number, (question, place) in enumerate(zip(names, places, strict=True)):
            colour, shape, dash = style.series_style(number)
            points = [
                (x(int(n)), y.at(v[which])) for n, v in sorted(figures[question].items(), key=lambda p: int(p[0]))
            ]
            pen.polyline(points, colour, 1.6, dash)
            for at in points:
                pen.mark(shape, *at, 3.5, colour, style.GROUND)
            pen.line(*points[-1], start + FIELD + 8, place + TOP, style.GRID)
            pen.text(start + FIELD + 11, place + TOP, question, fill=colour, middle=True)
    return pen.svg("Seconds and memory of each question against the runs of a book")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.growth", description=__doc__.splitlines()[0])
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    parser.add_argument("--folder", type=Path, default=cache / "loadbook-bench", help="where the books are")
    parser.add_argument("--times", type=int, default=2, help="how often each is asked; the least counts")
    parser.add_argument("--draw", action="store_true", help="only draw the figures that are there")
    given = parser.parse_args()
    file = HERE / "growth.json"
    if not given.draw:
        figures = measured(given.folder, given.times)
        file.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    svg = drawn(json.loads(file.read_text(encoding="utf-8")))
    (HERE / "growth.svg").write_text(svg + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
