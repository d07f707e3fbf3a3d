"""Real clips and logs: where they are, what must come out of them, and what does.

`tests/field/manifest.csv` has one line a file; that line is all that a new file needs.
Empty cells are not checked. Columns:

``file``
    Name in the store (``media/…``, ``logs/…``) or ``packages/NAME``.
``from``, ``origin``, ``at``, ``path``
    ``github``: repository, commit and path there. ``pypi``, ``debian``: package, version and
    path in it. ``here``: a file of this repository.
``sha256``, ``licence``
    Of the file.
``frames``, ``lost``, ``damaged``, ``regime``, ``scan``, ``rotation``
    What `timing` and `stream` must find. ``a or b`` allows either.
``exposure_ms``
    Known exposure: `exposure` must hold it or refuse.
``refuses``
    Procedures that must refuse (`CannotMeasure` or an unreadable input, never a fault).
``also``
    Further checks, parted by semicolons: ``procedure.name=value`` (a finding, as text; a count
    for findings that count), ``procedure.name=low..high``, ``procedure.name~value`` (the 95 %
    interval holds it).
``known``
    What is known of the file from elsewhere, in words.

Run as a program with ``fetch`` it fills the cache from the public addresses.
"""

from __future__ import annotations

import csv
import hashlib
import os
import sys
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import quote

ROOT = Path(__file__).parents[1]
MANIFEST = Path(__file__).parent / "field" / "manifest.csv"
STORE = ROOT.parent / "shared" / "field"
HOST = "https://github.com"
DEBIAN = Path("/")  # where a Debian package puts its files
HOW = {
    "github": "run `make field` (it fetches open files once and checks their sha256)",
    "pypi": "pip install {origin}=={at}",
    "debian": "apt-get install {origin}",
    "here": "the repository is not whole",
}


def rows():
    """Return the lines of the manifest."""
    with MANIFEST.open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def address(row):
    """Return the public address of a file on GitHub."""
    return f"{HOST}/{row['origin']}/raw/{row['at']}/{quote(row['path'])}"


def cache():
    """Return the folder that `make field` fills."""
    import pooch

    return Path(os.environ.get("SEEWORTHY_FIELD") or pooch.os_cache("seeworthy-field"))


def fetch(row):
    """Fetch one file into the cache; raises ValueError where the sha256 does not fit."""
    import pooch

    name = Path(row["file"])
    return Path(
        pooch.retrieve(
            address(row), f"sha256:{row['sha256']}", name.name, cache() / name.parent,
            progressbar=False,
        )
    )  # fmt: skip


def places(row):
    """Yield where a file may be, nearest first."""
    kind, path = row["from"], Path(row["path"])
    if kind == "here":
        yield ROOT / path
    elif kind == "github":
        yield STORE / row["file"]
        if find_spec("pooch"):
            yield cache() / row["file"]
    elif kind == "debian":
        yield DEBIAN / path
    elif kind == "pypi":
        spec = find_spec(path.parts[0])
        for folder in (spec.submodule_search_locations or []) if spec else []:
            yield Path(folder).parent / path


def find(row):
    """Return the path of a file whose sha256 fits, or None."""
    for path in places(row):
        if path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == row["sha256"]:
            return path
    return None


def how(row):
    """Say how to get a file."""
    return f"{row['file']} is not here: {HOW[row['from']].format(**row)}"


@dataclass(frozen=True)
class Check:
    """One thing expected of a file: its name, what was expected, what came out."""

    name: str
    expected: str
    found: str
    ok: bool


class Answers:
    """What the procedures say about one file, each asked once."""

    def __init__(self, path):
        self._path = path
        self._said = {}

    def of(self, name):
        """Return the outcome of a procedure, or its error."""
        from seeworthy.engine.measure import look, measure
        from seeworthy.ground.errors import SeeworthyError

        if name not in self._said and name in ("stream", "timing", "stamp", "native", "readout"):
            try:
                self._said.update(look(self._path).answers)
            except SeeworthyError as error:
                self._said.update(
                    dict.fromkeys(("stream", "timing", "stamp", "native", "readout"), error)
                )
        if name not in self._said:
            try:
                self._said[name] = measure(name, [self._path]).outcome
            except SeeworthyError as error:
                self._said[name] = error
        return self._said[name]

    def finding(self, procedure, name):
        """Return a finding or the value of a result as text; a refusal in words."""
        said = self.of(procedure)
        if isinstance(said, Exception):
            return f"refused: {said.message}"
        for one in said.results:
            if one.measurand == name:
                return str(one.value)
        return told(said.findings.get(name))


def told(value):
    """Write a finding as it stands in the manifest."""
    if isinstance(value, dict) and "count" in value:
        return str(value["count"])
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return " ".join(str(v) for v in value)
    return "" if value is None else str(value)


COLUMNS = {
    "frames": ("timing", "frames"),
    "lost": ("timing", "dropped_frames"),
    "damaged": ("timing", "corrupt_frames"),
    "regime": ("timing", "rate_regime"),
    "scan": ("stream", "scan"),
    "rotation": ("stream", "rotation"),
}


def check(row, path):
    """Return the checks of one file."""
    answers = Answers(path)
    found = [
        _compare(answers, procedure, name, row[column], column)
        for column, (procedure, name) in COLUMNS.items()
        if row[column]
    ]
    if row["exposure_ms"]:
        found.append(_holds(answers, "exposure", "exposure_time", row["exposure_ms"], True))
    found += [_refuses(answers, name) for name in row["refuses"].split()]
    for part in filter(None, (p.strip() for p in row["also"].split(";"))):
        at = min(i for i in (part.find("="), part.find("~")) if i > 0)
        procedure, _, name = part[:at].partition(".")
        wanted = part[at + 1 :].strip()
        if part[at] == "~":
            found.append(_holds(answers, procedure, name, wanted))
        else:
            found.append(_compare(answers, procedure, name, wanted))
    if row["file"].startswith("logs/") and "load" not in row["refuses"]:
        found.append(_ascent(answers))
    return found


def _compare(answers, procedure, name, wanted, title=""):
    got = answers.finding(procedure, name)
    if ".." in wanted:
        low, high = (float(x) for x in wanted.split(".."))
        try:
            ok = low <= float(got) <= high
        except ValueError:
            ok = False
    else:
        ok = got in wanted.split(" or ")
    return Check(title or f"{procedure}: {name.replace('_', ' ')}", wanted, got, ok)


def _holds(answers, procedure, measurand, value, may_refuse=False):
    said = answers.of(procedure)
    title, wanted = f"{procedure}: {measurand.replace('_', ' ')}", f"holds {value}"
    if isinstance(said, Exception):
        may = may_refuse and said.exit_code in (2, 3)
        return Check(title, f"{wanted} or refused", f"refused: {said.message}", may)
    for one in said.results:
        if one.measurand == measurand:
            low, high = one.interval
            return Check(title, wanted, f"{low:.5g} to {high:.5g}", low <= float(value) <= high)
    return Check(title, wanted, "no such result", may_refuse)


def _refuses(answers, procedure):
    said = answers.of(procedure)
    if isinstance(said, Exception):
        return Check(procedure, "refused", said.message, said.exit_code in (2, 3))
    return Check(procedure, "refused", said.sentence or "answered", False)


def _ascent(answers):
    """No log may give a boost that ends after the apogee."""
    said = answers.of("load")
    events = {} if isinstance(said, Exception) else dict(said.findings.get("events") or {})
    burnout, apogee = events.get("burnout"), events.get("apogee")
    ok = burnout is None or apogee is None or burnout < apogee
    return Check("load: boost ends before apogee", "yes", f"{burnout} s, {apogee} s", ok)


def main(arguments):
    """Fill the cache (``fetch``); say what is where."""
    failed = 0
    for row in rows():
        path = find(row)
        if path is None and arguments[:1] == ["fetch"] and row["from"] == "github":
            try:
                path = fetch(row)
            except (OSError, ValueError) as error:
                failed += 1
                print(f"{row['file']}: {error}")
                continue
        print(f"{row['file']}: {path or how(row)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
