def main() -> None:
    """Run the command line."""
    from loadbook.cli.main import cli

    cli()


if __name__ == "__main__":
    main()
