import atexit
import gc
import os
import sys


def main() -> None:
    """Run the command line."""
    _one_thread()
    atexit.register(gc.freeze)  # the process's end frees everything: no last looks through all of it for rings (0.1 s)
    from loadbook.cli import streams

    streams.open_closed_streams()
    from loadbook.cli.common import report
    from loadbook.cli.main import cli

    try:
        with streams.printed():
            # on Windows click would take every argument, a folder's name too, for a pattern: what means files expands
            # it itself
            cli(windows_expand_args=False)
    except OSError as exc:
        sys.exit(report(exc))


def _one_thread() -> None:
    """Small matrices: threads of the linear algebra cost more than they give, above all on a busy machine; and what
    they sum in another order would depend on the machine's cores. Call before numpy is loaded."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


if __name__ == "__main__":
    main()
