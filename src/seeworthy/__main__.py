"""``python -m seeworthy`` is the command ``seeworthy``.

Worker processes load this module anew (``spawn``): it brings nothing until it is called.
"""


def main() -> None:
    """Run the command line and exit."""
    from seeworthy.cli.main import main as command

    command()


if __name__ == "__main__":
    main()
