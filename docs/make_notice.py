"""Write NOTICE: what Seeworthy stands on, with the licence that each package states.

Reads the packages of requirements.lock as they are installed (`make notice`); a test holds the
file against the lock, so that a new dependency cannot come without a line.
"""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

ROOT = Path(__file__).parents[1]
HEAD = """Seeworthy is under the MIT licence (LICENSE). It contains files of htmx (0BSD, in
web/static/vendor), DuckDB-Wasm (MIT) and Apache Arrow (Apache-2.0; both in publish/vendor, with
their licences, and in every page that `ask --page` writes). It installs and imports, and does not
contain, the packages below; each is under its own licence, whose text comes with the package.

What a person should know who ships them together (an installer, an image of a machine):

- av (PyAV) says BSD-3-Clause; its wheels carry FFmpeg under the LGPL version 3 or later and, as
  they are built, the encoders x264 and x265, which their authors give out under the GPL version 2
  or later. Who ships such a wheel ships GPL code and must keep its terms. Seeworthy itself calls
  the encoders where it renders and corrects clips. A build of FFmpeg without them also works: the
  reading of clips needs no encoder.
- Pebble is under the LGPL; it is pure Python and is imported as it is.
- SciPy, NumPy and OpenCV carry further libraries with notices of their own in their wheels.

This is a list, not legal advice.

"""


def locked() -> list[str]:
    """Return the names in requirements.lock."""
    text = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    return sorted(set(re.findall(r"^([a-z0-9][a-z0-9._-]*)==", text, re.MULTILINE)))


def licence(name: str) -> str:
    """Return what a package says of its licence, in one line."""
    try:
        about = metadata(name)
    except PackageNotFoundError:
        return "for other systems only; see the package"
    said = about.get("License-Expression") or ""
    kinds = [c.split(" :: ")[-1] for c in about.get_all("Classifier") or [] if "License" in c]
    kinds = [kind for kind in kinds if kind != "OSI Approved"]
    text = said or ", ".join(kinds) or (about.get("License") or "").strip().split("\n")[0][:60]
    return text or "see the package"


def notice() -> str:
    """Return the whole text."""
    names = locked()
    width = max(map(len, names))
    return HEAD + "".join(f"{name:<{width}}  {licence(name)}\n" for name in names)


if __name__ == "__main__":
    (ROOT / "NOTICE").write_text(notice(), encoding="utf-8")
