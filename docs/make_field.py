"""Write docs/field.md: every file of tests/field/manifest.csv, what was expected, what came out.

Files that are not here keep what the page said of them when they were; named files alone are
looked at again where any are named.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "tests"))

import field_data  # noqa: E402

PAGE = HERE / "field.md"
HEAD = """# Real clips and logs

Made by `make field-docs` from `tests/field/manifest.csv`: open files that nobody here made, what
is known of them from elsewhere, and what Seeworthy says. `make field` fetches those that are
fetched by their public address. A new file is one line of the manifest (columns in
`tests/field_data.py`).
"""


def section(row: dict[str, str], checks: list[field_data.Check]) -> str:
    """Return one file's part of the page."""
    as_expected = all(c.ok for c in checks)
    verdict = "as expected" if as_expected else "**not as expected**"
    origin = f"{row['origin']} at {row['at'][:12]}, {row['licence']}"
    lines = [f"## `{row['file']}`", "", f"{row['known']} ({origin}): {verdict}.", ""]
    lines += ["| what | expected | came out |", "|---|---|---|"]
    for one in checks:
        found = one.found if one.ok else f"**{one.found}**"
        lines.append("| " + " | ".join(_cell(x) for x in (one.name, one.expected, found)) + " |")
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    number = re.fullmatch(r"-?\d+\.\d{6,}", text)
    short = f"{float(text):.6g}" if number else text
    return short.replace("|", "/") or "–"


def main() -> int:
    """Write the page; 1 when something is not as expected."""
    old = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
    kept = {p.split("`", 2)[1]: p for p in re.split(r"(?m)^(?=## `)", old)[1:]}
    parts, wrong = [HEAD], 0
    for row in field_data.rows():
        again = not sys.argv[1:] or row["file"] in sys.argv[1:] or row["file"] not in kept
        path = field_data.find(row) if again else None
        if path is not None:
            checks = field_data.check(row, path)
            wrong += not all(c.ok for c in checks)
            parts.append(section(row, checks))
        elif row["file"] in kept:
            parts.append(kept[row["file"]])
        else:
            sys.stdout.write(f"{field_data.how(row)}\n")
    PAGE.write_text("\n".join(p.strip() + "\n" for p in parts), encoding="utf-8")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
