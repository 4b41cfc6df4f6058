"""The command ``kneecurve``, also as ``python -m kneecurve``."""


def main() -> None:
    """Run the command line, or say which file hides the kit."""
    from analysis.__main__ import main as command

    command()


if __name__ == "__main__":
    main()
