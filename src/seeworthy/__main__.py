"""``python -m seeworthy`` is the command ``seeworthy``."""

from seeworthy.cli.main import main

if __name__ == "__main__":
    main()
