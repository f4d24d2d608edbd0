"""`watch` and `follow` killed by SIGKILL at random moments while files grow: nothing lost, nothing doubled.

    python -m tests.trials.watch --kills 100 [--files 40] [--seed 1]
    python -m tests.trials.watch --idle 60

Of the kills, half are of `watch`: between them files appear in its folder, whole or ending in half a line; now and then
two watch at once and both are killed. At the end all files are whole and `watch --once` goes through the folder. The
others are of `follow`, at any moment from its start to the taking-in of a file that another process writes; then it is
called until its run has a trace. Both books must hold what `trace take` of the whole files gives, row by row and trace
file by trace file, one intake a file, every page there, and `verify` clean with nothing left over.

--idle measures what `watch` costs with eight folders of 200 files each in which nothing happens, for so many seconds.
"""

from __future__ import annotations

import argparse
import importlib
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from loadbook.readers.recorder import places
from loadbook.readers.recorder.places import Place
from loadbook.store.book import BookFolder
from tests import forked
from tests.trials.bulk import ANSWERS, clean, held, make_book, make_files

BY_NAME = r"(run-\d+)"


def book_of(folder: Path, count: int) -> Path:
    """A book with `count` runs and the layout `small`, their whole files in `folder`/files."""
    make_files(folder / "files", count, 120)
    make_book(folder / "book", count)
    words = ["trace", "layout", "save", "small", str(folder / "files" / "run-00001.csv"), *ANSWERS]
    assert command(folder, *words, "--book", str(folder / "book")).code == 0
    shutil.copytree(folder / "book", folder / "undisturbed")
    words = ["trace", "take", str(folder / "files"), "--run-from-name", BY_NAME, "--layout", "small"]
    assert command(folder, *words, "--book", str(folder / "undisturbed")).code == 0
    return folder / "book"


def started(folder: Path, *words: str, log: str = "log") -> forked.Child:
    return forked.Child(lambda: forked.run_command(words), folder, folder / log)


def command(folder: Path, *words: str) -> forked.Ended:
    return started(folder, *words).wait()


def wrong_with(folder: Path, count: int) -> list[str]:
    """What a book that was disturbed does not have in common with the other one."""
    found = clean(folder / "book")
    if held(folder / "book") != held(folder / "undisturbed"):
        found.append("the book does not hold what an undisturbed one does")
    with BookFolder.open(folder / "book") as book:
        traces, intakes = (
            book.read().execute(f"SELECT count(*) FROM {what}").fetchone()[0]
            for what in ("trace", "intake WHERE kind = 'traces'")
        )
    if (traces, intakes) != (count, count):
        found.append(f"{traces} traces and {intakes} intakes of {count} files")
    return found


def watch_killed(folder: Path, kills: int, count: int) -> tuple[int, list[str]]:
    """(kills while it ran, what is wrong)"""
    book_of(folder, count)
    there = folder / "in"
    there.mkdir()
    with BookFolder.open(folder / "book") as book:
        place = Place(str(there), layout="small", run_from_name=BY_NAME, pages=str(folder / "pages"), quiet_min=0.01)
        places.put(book, place)
    whole = sorted((folder / "files").iterdir())
    done = 0
    for kill in range(kills):
        for file in whole[: (kill + 1) * count // kills]:
            text = file.read_bytes()
            now = (there / file.name).read_bytes() if (there / file.name).exists() else b""
            if now != text and (now or random.random() < 0.5):
                (there / file.name).write_bytes(text)
            elif not now:
                (there / file.name).write_bytes(text[: random.randrange(200, len(text) - 2)].rstrip(b"\n") + b";")
        words = ("watch", "--every", "1", "--book", str(folder / "book"))
        children = [started(folder, *words, log=f"log{i}") for i in range(1 + (kill % 5 == 4))]
        time.sleep(random.uniform(0.02, 3.0))
        for child in children:
            child.kill()
        ended = [child.wait() for child in children]
        done += sum(e.code == -9 for e in ended)
        for one in ended:
            if one.code != -9:
                print(f"a watcher ended by itself with {one.code}: {one.out[-500:]}{one.err[-500:]}")
    for file in whole:
        shutil.copy(file, there / file.name)
    for _ in range(3):
        time.sleep(0.7)
        last = command(folder, "watch", "--once", "--book", str(folder / "book"))
    found = wrong_with(folder, count)
    if last.code:
        found.append(f"the last look ended with {last.code}: {last.out}{last.err}")
    pages = len(list((folder / "pages").iterdir()))
    if pages != count:
        found.append(f"{pages} pages of {count} runs")
    if {f.name: f.read_bytes() for f in there.iterdir()} != {f.name: f.read_bytes() for f in whole}:
        found.append("a file in the watched folder was changed")
    return done, found


def _writes(whole: Path, path: Path, seconds: float) -> int:
    """Writes a file again, in pieces of any length, over so many seconds."""
    data = whole.read_bytes()
    cuts = sorted(random.sample(range(1, len(data)), 12))
    with path.open("wb") as out:
        for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True):
            out.write(data[a:b])
            out.flush()
            time.sleep(seconds / 13)
    return 0


def follow_killed(folder: Path, kills: int, count: int) -> tuple[int, list[str]]:
    """(kills while it ran, what is wrong)"""
    book_of(folder, count)
    (folder / "now").mkdir()
    done = 0
    found: list[str] = []
    for whole in sorted((folder / "files").iterdir()):
        run, path = whole.stem, folder / "now" / whole.name
        words = ("follow", str(path), "--run", run, "--layout", "small", "--every", "1", "--quiet-minutes", "0.02")
        words = (*words, "--page", str(folder / "now.html"), "--json", "--book", str(folder / "book"))
        seed = random.random()
        writer = forked.Child(lambda w=whole, p=path: _writes(w, p, 4.0), folder, folder / "writer")  # type: ignore[misc]
        random.seed(seed)
        code = -9
        while code == -9 and done < kills:  # else it went through to its end
            child = started(folder, *words)
            time.sleep(random.uniform(0.02, 3.0))
            child.kill()
            code = child.wait().code
            done += code == -9
        writer.wait()
        for _ in range(5):
            ended = command(folder, *words)
            if "has a trace already" in ended.err:
                break
        else:
            found.append(f"{run} has no trace in the end: {ended.out[-300:]}{ended.err[-300:]}")
    return done, found + wrong_with(folder, count)


def idle(folder: Path, seconds: int) -> None:
    """What eight quiet folders cost."""
    make_files(folder / "files", 200, 20)
    make_book(folder / "book", 200)
    words = [sys.executable, "-m", "loadbook"]
    book = ["--book", str(folder / "book")]
    save = ["trace", "layout", "save", "small", str(folder / "files" / "run-00001.csv"), *ANSWERS]
    subprocess.run([*words, *save, *book], check=True, stdout=subprocess.DEVNULL)
    for n in range(8):
        shutil.copytree(folder / "files", folder / f"in{n}")
        with BookFolder.open(folder / "book") as opened:
            places.put(opened, Place(str(folder / f"in{n}"), layout="small", run_from_name=BY_NAME))
    old = time.time() - 86_400
    for path in folder.glob("in*/*.csv"):
        os.utime(path, (old, old))
    subprocess.run([*words, "watch", "--once", *book], check=True, stdout=subprocess.DEVNULL)
    for every in (30, 5):
        costs = []
        for lasts in (20, seconds + 20):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            process = subprocess.Popen([*words, "watch", "--every", str(every), *book], stdout=subprocess.DEVNULL)
            time.sleep(lasts)
            process.terminate()
            process.wait()
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            costs.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        share = (costs[1] - costs[0]) / seconds
        print(f"eight folders of 200 files, a look each {every} s: {100 * share:.2f} % of a core "
              f"({costs[0]:.1f} s to start), peak {after.ru_maxrss // 1024} MB", flush=True)  # fmt: skip


def main() -> int:
    """Run the trial as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--files", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--idle", type=int, default=0)
    given = parser.parse_args()
    random.seed(given.seed)
    os.environ.setdefault("LOADBOOK_WHO", "trial")
    wrong = 0
    with tempfile.TemporaryDirectory() as name:
        if given.idle:
            idle(Path(name), given.idle)
            return 0
        forked.warm()
        for module in ("cli.watch", "cli.follow", "queries.following", "render.pages.run", "render.pages.following"):
            importlib.import_module(f"loadbook.{module}")
        half = given.kills // 2
        for what, trial, kills, files in (
            ("watch", watch_killed, half, given.files), ("follow", follow_killed, given.kills - half, half // 3 or 1),
        ):  # fmt: skip
            (Path(name) / what).mkdir()
            began = time.monotonic()
            done, found = trial(Path(name) / what, kills, files)
            wrong += len(found)
            print(f"{what}: {done} kills, {files} files, {time.monotonic() - began:.0f} s: "
                  f"{found or 'nothing lost, nothing doubled, verify clean'}", flush=True)  # fmt: skip
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
