"""Timings side by side, with one thread of linear algebra, as the program itself has (`loadbook.__main__`)."""

import os

os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
