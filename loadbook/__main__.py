def main() -> None:
    """Run the command line."""
    from loadbook.cli.main import cli

    # on Windows click would take every argument, a folder's name too, for a pattern: what means files expands it itself
    cli(windows_expand_args=False)


if __name__ == "__main__":
    main()
