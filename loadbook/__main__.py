import sys


def main() -> None:
    """Run the command line."""
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


if __name__ == "__main__":
    main()
