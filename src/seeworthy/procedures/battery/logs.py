"""Battery runs as people write them down: ``38 min 30 s @ 66 degF``, or a table."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import datetime

from seeworthy.ground.errors import BadQuantity, CannotMeasure
from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.quantities import Quantity, parse
from seeworthy.procedures.battery.measure import BatteryRun

_LIKE = EXAMPLES["battery.run"]
_HINT = f"Write it like '{_LIKE}', or '> {_LIKE} (stopped)' for a run cut short."
_CUT = re.compile(
    r"\b(stop\w*|censored|card|full|abort\w*|switched|cut|interrupt\w*|unfinished|incomplete|"
    r"broken off|at least)\b",
    re.I,
)
_NOTE = re.compile(r"\(([^()]*)\)\s*$")
_CLOCKS = ("%H:%M", "%H:%M:%S", "%I:%M %p", "%I:%M%p", "%I:%M:%S %p")
_DATED = ("%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M:%S")
_HEADERS = {
    "start": ("start", "started", "begin", "on", "from"),
    "end": ("end", "ended", "stop", "off", "finish", "to", "until"),
    "run": ("run", "run time", "running time", "duration", "minutes", "time", "lasted"),
    "temperature": ("temperature", "temp", "t", "air", "ambient"),
    "note": ("note", "notes", "remark", "remarks", "comment", "why", "ended by", "censored"),
}


def says_cut_short(text: str) -> bool:
    """Tell whether a note says that something else than the cell ended the run."""
    plain = text.strip().lower()
    return plain in ("yes", "true", "1", ">", "≥", "x") or bool(_CUT.search(plain))


def parse_run(text: str) -> BatteryRun:
    """Read one run as typed.

    ``38 min 30 s @ 66 degF``, ``1:23:40 @ 20 degC ± 1``, ``> 38 min 30 s @ 66 degF (stopped)``.

    Raises:
        BadQuantity: With the reason and an example.
    """
    body = " ".join(text.split())
    note = _NOTE.search(body)
    cut = False
    if note and not re.match(r"\s*k\s*=", note.group(1)):
        body = body[: note.start()].strip()
        cut = says_cut_short(note.group(1))
    for mark in (">=", ">", "≥", "at least "):
        if body.lower().startswith(mark):
            body, cut = body[len(mark) :].strip(), True
            break
    length, at, temperature = body.partition("@")
    return _run(length, temperature if at else "", cut, text)


def _run(length: str, temperature: str, cut: bool, shown: str) -> BatteryRun:
    try:
        minutes = parse(length, "min", positive=True)
    except BadQuantity as wrong:
        raise BadQuantity(f"The run '{shown}': {wrong.message}", _HINT) from None
    degrees = _degrees(temperature, shown)
    if degrees is None:
        return BatteryRun(minutes.value, minutes.u, complete=not cut)
    return BatteryRun(minutes.value, minutes.u, degrees.value, degrees.u, not cut)


def _degrees(text: str, shown: str) -> Quantity | None:
    if not text.strip():
        return None
    bare = parse(text)
    if not bare.unit:
        raise BadQuantity(
            f"The run '{shown}' does not say which degrees.",
            f"Write '@ {EXAMPLES['battery.temperature']}' or '@ 20 degC'.",
        )
    return parse(text, "degC")


def runs_from_table(
    headers: Sequence[str], rows: Sequence[Sequence[str]], name: str
) -> tuple[list[BatteryRun], list[str]]:
    """Read runs from a table with start and end (or length), temperature and note.

    Args:
        headers: A unit may stand in a header, ``temperature (degF)``.
        name: Of the file, for messages.

    Returns:
        runs: list of Run
        notes: Rows that could not be read, and why.

    Raises:
        CannotMeasure: The table has no length and no start and end.
    """
    places = _places(headers)
    if "run" not in places and not {"start", "end"} <= set(places):
        raise CannotMeasure(
            f"'{name}' has no columns for start and end, or for the length of a run.",
            "Name the columns start, end, temperature, note (or run, temperature, note).",
        )
    runs, notes = [], []
    for number, row in enumerate(rows, 2):
        cells = {key: row[i].strip() if i < len(row) else "" for key, (i, _) in places.items()}
        if not any(cells.values()):
            continue
        try:
            runs.append(_row(cells, {key: unit for key, (_, unit) in places.items()}))
        except BadQuantity as wrong:
            notes.append(f"Line {number} of '{name}' was left out: {wrong.message}")
    return runs, notes


def _places(headers: Sequence[str]) -> dict[str, tuple[int, str]]:
    """Return column number and unit in the header, by meaning."""
    found: dict[str, tuple[int, str]] = {}
    for i, header in enumerate(headers):
        plain = header.strip().lower().replace("_", " ")
        unit = re.search(r"[(\[]\s*([^)\]]+?)\s*[)\]]", header)
        plain = re.sub(r"[(\[].*", "", plain).strip()
        for meaning, words in _HEADERS.items():
            if plain in words and meaning not in found:
                found[meaning] = (i, unit.group(1) if unit else "")
    return found


def _row(cells: Mapping[str, str], units: Mapping[str, str]) -> BatteryRun:
    cut = says_cut_short(cells.get("note", ""))
    temperature = cells.get("temperature", "")
    if temperature and units.get("temperature") and re.fullmatch(r"[-+−\d.,\s]+", temperature):
        temperature = f"{temperature} {units['temperature']}"
    shown = ", ".join(c for c in cells.values() if c)
    if cells.get("run"):
        unit = units.get("run", "")
        length = cells["run"]
        return _run(f"{length} {unit}" if length.replace(".", "").isdigit() else length,
                    temperature, cut, shown)  # fmt: skip
    minutes, u = _between(cells.get("start", ""), cells.get("end", ""))
    degrees = _degrees(temperature, shown)
    if degrees is None:
        return BatteryRun(minutes, u, complete=not cut)
    return BatteryRun(minutes, u, degrees.value, degrees.u, not cut)


def _between(start: str, end: str) -> tuple[float, float]:
    """Return minutes from start to end; each is known to its last written place."""
    (a, a_dated, a_step), (b, b_dated, b_step) = _moment(start), _moment(end)
    if a_dated != b_dated:
        raise BadQuantity(
            f"'{start}' and '{end}' do not both have a date.", "Write both with or without a date."
        )
    seconds = (b - a).total_seconds()
    if seconds < 0 and not a_dated:
        seconds += 86400  # past midnight
    if seconds <= 0:
        raise BadQuantity(f"The end '{end}' is not after the start '{start}'.", "Check both times.")
    return seconds / 60, math.hypot(a_step, b_step) / math.sqrt(12) / 60


def _moment(text: str) -> tuple[datetime, bool, float]:
    """Return a moment, whether it has a date, and the step of its last place in seconds."""
    plain = " ".join(text.replace("T", " ").rstrip("Zz").split()).upper()
    for formats, dated in ((_CLOCKS, False), (_DATED, True)):
        for form in formats:
            try:
                moment = datetime.strptime(plain, form)
            except ValueError:
                continue
            return moment, dated, 1.0 if "%S" in form else 60.0
    raise BadQuantity(
        f"'{text}' is not a time that can be read.", "Write 14:02, 2:02 pm or 2026-05-03 14:02."
    )
