"""A file that the engine reads in several threads at once is read right, whatever its folder is called."""

from __future__ import annotations

import io
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import duckdb

from loadbook.store.engine import engine
from loadbook.store.handed import Handed, _Shared


def test_what_one_thread_seeks_no_other_reads() -> None:
    file, both = _Shared(io.BytesIO(bytes(range(100)))), Barrier(2, timeout=30)

    def read_at(place: int) -> bytes:
        file.seek(place)
        both.wait()  # the other one has sought now, too
        return file.read(2)

    with ThreadPoolExecutor(2) as pool:
        assert list(pool.map(read_at, (10, 50))) == [bytes([10, 11]), bytes([50, 51])]
    assert (file.seek(-1, io.SEEK_END), file.read()) == (99, bytes([99]))


def test_a_file_of_many_row_groups_in_an_odd_folder(tmp_path: Path) -> None:
    """Of 150 such readings 48 failed, when the engine's threads shared one place in the file."""
    folder = tmp_path / "plant [1]"
    folder.mkdir()
    made = tmp_path / "made.parquet"
    duckdb.sql("SELECT range AS n FROM range(20_000)").write_parquet(str(made), row_group_size=2048)
    file = made.rename(folder / "t.parquet")
    for _ in range(40):
        connection = engine(threads=1)
        (name,) = Handed(connection).paths([str(file)])
        found = connection.execute("SELECT count(*), sum(n) FROM read_parquet(?)", [name]).fetchone()
        connection.close()
        assert found == (20_000, 199_990_000)
