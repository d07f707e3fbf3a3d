"""Pick claims out of a seller's listing, for the user to confirm.

Rules only, no guessing: a number is picked when its unit and the words beside it leave
one meaning. What has a number and a unit but no rule is listed as left over, so that
nothing is passed over silently.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One claim found in a listing.

    Attributes
    ----------
    subject : str
        Id of a measurand, or name of a finding.
    text : str
        The value as it would be typed.
    found : str
        The words of the listing.
    line : int
        From 1.
    remark : str
        Why it is to be looked at before it is confirmed; ``""`` when it is plain.
    """

    subject: str
    text: str
    found: str
    line: int
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """What a listing says: claims to confirm, and what was left over."""

    suggestions: tuple[Suggestion, ...]
    left: tuple[tuple[int, str], ...]


_N = r"(\d+(?:[.,]\d+)?)"
_Make = Callable[[re.Match[str]], Iterator[tuple[str, str, str]]]


def _number(text: str) -> str:
    return text.replace(",", ".")


def _size(m: re.Match[str]) -> Iterator[tuple[str, str, str]]:
    unit = m.group("unit") or "mm"
    remark = "" if m.group("unit") else "No unit is given; millimetres are assumed."
    for name, value in zip(("length", "width", "height"), m.group("a", "b", "c"), strict=True):
        yield name, f"{_number(value)} {unit}", remark


def _frame(m: re.Match[str]) -> Iterator[tuple[str, str, str]]:
    yield "width_px", m.group("w"), ""
    yield "height_px", m.group("h"), ""


_LINES = {"480": "640", "720": "1280", "1080": "1920", "1440": "2560", "2160": "3840"}


def _lines(m: re.Match[str]) -> Iterator[tuple[str, str, str]]:
    height = m.group("h")
    yield "height_px", height, ""
    if height in _LINES and height != "480":
        yield (
            "width_px",
            _LINES[height],
            "The width follows from 16:9; the listing names lines only.",
        )


def _one(subject: str, unit: str, remark: str = "") -> _Make:
    def make(m: re.Match[str]) -> Iterator[tuple[str, str, str]]:
        yield subject, f"{_number(m.group('v'))} {unit}".strip(), remark

    return make


def _captured(subject: str, remark: str = "") -> _Make:
    def make(m: re.Match[str]) -> Iterator[tuple[str, str, str]]:
        unit = m.group("unit").strip().lower()
        yield subject, f"{_number(m.group('v'))} {_UNITS.get(unit, unit)}", remark

    return make


_UNITS = {
    "grams": "g", "gram": "g", "gr": "g", "ounces": "oz", "ounce": "oz", "minutes": "min",
    "minute": "min", "mins": "min", "hours": "h", "hour": "h", "hrs": "h", "hr": "h",
    "mbps": "Mbit/s", "mb/s": "Mbit/s", "mbit/s": "Mbit/s", "kbps": "kbit/s", "kbit/s": "kbit/s",
    "lux": "lx", "lx": "lx",
}  # fmt: skip


def _codec(m: re.Match[str]) -> Iterator[tuple[str, str, str]]:
    word = re.sub(r"[^a-z0-9]", "", m.group(0).lower())
    names = {"h264": "h264", "avc": "h264", "h265": "hevc", "hevc": "hevc", "mjpeg": "mjpeg"}
    yield "codec", names[word], ""


_V = _N.replace("(", "(?P<v>", 1)
_ANGLE = "Listings often mean the diagonal; change it to hfov if this one says horizontal."
_RULES: tuple[tuple[re.Pattern[str], _Make], ...] = tuple(
    (re.compile(pattern, re.I), make)
    for pattern, make in (
        (
            rf"(?P<a>{_N})\s*(?:mm|cm)?\s*[x×*]\s*(?P<b>{_N})\s*(?:mm|cm)?\s*[x×*]\s*(?P<c>{_N})"
            r"\s*(?P<unit>mm|cm|in(?:ch(?:es)?)?\b)?",
            _size,
        ),
        (r"\b(?P<w>\d{3,4})\s*[x×*]\s*(?P<h>\d{3,4})\b(?!\s*(?:mm|cm|x|×))", _frame),
        (r"\b(?P<h>480|720|1080|1440|2160)\s*p\b", _lines),
        (rf"\b{_V}\s*(?:fps|frames? per second|frames?/s)\b", _one("frame_rate", "Hz")),
        (rf"(?:horizontal|hfov)[^.;\n\d]{{0,30}}{_V}\s*(?:°|deg(?:rees?)?)", _one("hfov", "deg")),
        (rf"(?:vertical|vfov)[^.;\n\d]{{0,30}}{_V}\s*(?:°|deg(?:rees?)?)", _one("vfov", "deg")),
        (rf"(?:diagonal|dfov)[^.;\n\d]{{0,30}}{_V}\s*(?:°|deg(?:rees?)?)", _one("dfov", "deg")),
        (
            rf"\b{_V}\s*(?:°|deg(?:rees?)?)(?!\s*[CF]\b)[^.;\n\d]{{0,30}}(?:wide|angle|view|lens)",
            _one("dfov", "deg", _ANGLE),
        ),
        (
            rf"(?:wide|angle|view|lens)[^.;\n\d]{{0,20}}{_V}\s*(?:°|deg(?:rees?)?)(?!\s*[CF]\b)",
            _one("dfov", "deg", _ANGLE),
        ),
        (
            rf"(?:weight|weighs|mass)[^.;\n\d]{{0,20}}{_V}\s*(?P<unit>g|gr|grams?|oz|ounces?)\b",
            _captured("mass"),
        ),
        (
            rf"\b{_V}\s*(?P<unit>g|grams?|oz|ounces?)\b[^.;\n\d]{{0,12}}(?:weight|light)",
            _captured("mass"),
        ),
        (
            rf"(?:loop|segment|file|every)[^.;\n\d]{{0,24}}{_V}\s*(?P<unit>min(?:ute)?s?)\b",
            _captured("segment_length"),
        ),
        (
            rf"(?:battery|record(?:ing)?|working|run(?:ning)?|operat\w+|life)[^.;\n\d]{{0,30}}{_V}"
            r"\s*(?P<unit>min(?:ute)?s?|h(?:ou)?rs?|h)\b",
            _captured("run_time", "Listings rarely give the temperature; it is taken as room."),
        ),
        (
            rf"\b{_V}\s*(?P<unit>mbps|mbit/s|kbps|kbit/s)\b",
            _captured("bit_rate_mean"),
        ),
        (
            rf"(?:minimum|min\.?|low)[^.;\n\d]{{0,24}}{_V}\s*(?P<unit>lux|lx)\b",
            _captured("usable_lux"),
        ),
        (r"\b(?:h\.?\s?26[45]|avc|hevc|m-?jpeg)\b", _codec),
    )
)  # fmt: skip

_ANY_NUMBER = re.compile(rf"{_N}\s*(?:°|%|[a-zµ]{{1,5}}\b|\w/\w)", re.I)


def read_listing(text: str) -> Reading:
    """Pick claims out of the text of a listing.

    Parameters
    ----------
    text : str
        As pasted.

    Returns
    -------
    Reading
        Each subject once: the first plain mention wins over a later or a remarked one.
    """
    found: dict[str, Suggestion] = {}
    left: list[tuple[int, str]] = []
    for number, line in enumerate(text.splitlines(), 1):
        taken: list[tuple[int, int]] = []
        for pattern, make in _RULES:
            for match in pattern.finditer(line):
                if _overlaps(match, taken):
                    continue
                taken.append(match.span())
                for subject, value, remark in make(match):
                    _keep(found, Suggestion(subject, value, match.group(0).strip(), number, remark))
        left += [
            (number, match.group(0).strip())
            for match in _ANY_NUMBER.finditer(line)
            if not _overlaps(match, taken)
        ]
    return Reading(tuple(found.values()), tuple(left))


def _overlaps(match: re.Match[str], taken: list[tuple[int, int]]) -> bool:
    return any(a < match.end() and match.start() < b for a, b in taken)


def _keep(found: dict[str, Suggestion], new: Suggestion) -> None:
    old = found.get(new.subject)
    if old is None:
        found[new.subject] = new
    elif old.text != new.text:
        keep, drop = (new, old) if old.remark and not new.remark else (old, new)
        remark = f"The listing also says '{drop.found}' (line {drop.line})."
        found[new.subject] = Suggestion(
            keep.subject, keep.text, keep.found, keep.line, f"{keep.remark} {remark}".strip()
        )
