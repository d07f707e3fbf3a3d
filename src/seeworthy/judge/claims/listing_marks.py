"""A line of a listing cut into marks, figures and phrases, in one pass.

Every pattern here either takes a whole run of characters or fails at its first one, and is
tried once at each place: the time is linear in the length of the line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

# Names that hold digits come first, then numbers, words and single signs.
_MARK = re.compile(
    r"(?P<name>\b(?:h\.?[ ]?26[45]|mp4|m-?jpe?g|avc|hevc|avi|mov|mkv|mono|stereo|full[ -]?hd|fhd)"
    r"\b)"
    r"|(?P<number>\d+(?:[.,]\d+)*)"
    r"|(?P<word>[^\W\d_]+)"
    r"|(?P<sign>[^\s\w]|_)",
    re.I,
)
_ENDS = set(";|•·!?,。，；")
_LONGEST_NUMBER = 9  # characters: sellers write ``12,345,678`` at the longest (a judgement)
_TIMES = {"x", "×", "*"}
_TO = {"-", "–", "~", "to"}
_SHORT = {"approx", "ca", "wt", "dim", "incl", "excl", "abt", "typ", "max"}  # no end of a phrase
_HOURS, _MINUTES = {"h", "hr", "hrs", "hour", "hours"}, {"m", "min", "mins", "minute", "minutes"}
_SLASHED = {"s", "sec", "second"}


@dataclass(frozen=True, slots=True)
class _Mark:
    kind: str
    text: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class MarkedFigure:
    """Numbers with a unit, or a name that says something by itself.

    Attributes:
        numbers: One, two (``1920x1080`` or a range) or three; empty for a name.
        unit: Lower case, but as written where the case tells (`cased`).
        form: {"one", "times", "range", "name"}
        text: As the listing writes it.
        before, after: Lower-case words between it and its neighbours in the phrase.
        thousands: A comma was taken for a mark of thousands.
    """

    numbers: tuple[str, ...]
    unit: str
    cased: str
    form: str
    text: str
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    thousands: bool = False


@dataclass(frozen=True, slots=True)
class Phrase:
    """What stands between two stops: its figures and its words."""

    text: str
    figures: tuple[MarkedFigure, ...]
    words: frozenset[str]

    @property
    def has_words(self) -> bool:
        """False for a phrase of signs only."""
        return bool(self.words)


def phrases(line: str) -> Iterator[Phrase]:
    """Cut one line into phrases."""
    marks: list[_Mark] = []
    for match in _MARK.finditer(line):
        kind = match.lastgroup or "sign"
        mark = _Mark(kind, match.group(), match.start(), match.end())
        # A point ends a phrase where a blank or the end follows it.
        stop = mark.text == "." and (mark.end == len(line) or line[mark.end].isspace())
        stop = stop and not (marks and marks[-1].text.lower() in _SHORT)
        if kind == "sign" and (mark.text in _ENDS or stop):
            if marks:
                yield _phrase(line, marks)
            marks = []
        else:
            marks.append(mark)
    if marks:
        yield _phrase(line, marks)


def _phrase(line: str, marks: list[_Mark]) -> Phrase:
    figures: list[MarkedFigure] = []
    spans: list[tuple[int, int]] = []
    place = 0
    while place < len(marks):
        mark = marks[place]
        end = place + 1
        if mark.kind == "number":
            figure, end = _figure(line, marks, place)
            figures.append(figure)
            spans.append((place, end))
        elif mark.kind == "name":
            figures.append(MarkedFigure((), mark.text.lower(), mark.text, "name", mark.text))
            spans.append((place, end))
        place = end
    words = frozenset(m.text.lower() for m in marks if m.kind == "word")
    between = _between(marks, spans)
    placed = tuple(
        MarkedFigure(
            f.numbers, f.unit, f.cased, f.form, f.text, between[i], between[i + 1], f.thousands
        )
        for i, f in enumerate(figures)
    )
    return Phrase(" ".join(line[marks[0].start : marks[-1].end].split()), placed, words)


def _between(marks: list[_Mark], spans: list[tuple[int, int]]) -> list[tuple[str, ...]]:
    """Return the words before, between and after the figures."""
    edges = [0, *(p for span in spans for p in span), len(marks)]
    return [
        tuple(m.text.lower() for m in marks[a:b] if m.kind == "word")
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]


def _figure(line: str, marks: list[_Mark], place: int) -> tuple[MarkedFigure, int]:
    """Read one, two or three numbers and the unit behind them."""
    numbers = [marks[place].text]
    unit, cased, end = _unit(marks, place + 1)
    form = "one"
    if (clock := _clock(marks, place)) is not None:
        text = " ".join(line[marks[place].start : marks[place + 3].end].split())
        return MarkedFigure((clock,), "min", "min", form, text), place + 4
    while len(numbers) < 3:
        link = marks[end].text.lower() if end < len(marks) else ""
        kind = "times" if link in _TIMES else "range" if link in _TO else ""
        follows = end + 1 < len(marks) and marks[end + 1].kind == "number"
        if not kind or not follows or form not in ("one", kind) or form == "range":
            break
        if kind == "range" and not _rises(numbers[-1], marks[end + 1].text):
            break  # '1080/120 - 12 megapixels': a dash, no range
        numbers.append(marks[end + 1].text)
        form = kind
        other, other_cased, end = _unit(marks, end + 2)
        unit, cased = (other, other_cased) if other else (unit, cased)
    end = _past_tolerance(marks, end)
    text = " ".join(line[marks[place].start : marks[end - 1].end].split())
    plain = tuple(_plain(n) for n in numbers)
    thousands = any("," in n and _plain(n) != n.replace(",", ".") for n in numbers)
    return MarkedFigure(plain, unit, cased, form, text, thousands=thousands), end


def _clock(marks: list[_Mark], place: int) -> str | None:
    """Return the minutes of ``1h20m`` or ``1 h 20 min``, None where it is none."""
    four = marks[place : place + 4]
    if len(four) < 4 or [m.kind for m in four] != ["number", "word", "number", "word"]:
        return None
    if four[1].text.lower() not in _HOURS or four[3].text.lower() not in _MINUTES:
        return None
    hours, minutes = _plain(four[0].text), _plain(four[2].text)
    whole = hours.isdigit() and minutes.isdigit() and int(minutes) < 60
    return str(60 * int(hours) + int(minutes)) if whole else None


def _rises(first: str, last: str) -> bool:
    low, high = _plain(first), _plain(last)
    return not (low and high) or float(low) < float(high)


def _past_tolerance(marks: list[_Mark], place: int) -> int:
    """Return where a figure ends with its ``± 1 g``: that is no second figure."""
    signs = "".join(m.text for m in marks[place : place + 3] if m.kind == "sign")
    length = next((len(s) for s in ("+/-", "+-", "±") if signs.startswith(s)), 0)
    at = place + length
    if not length or at >= len(marks) or marks[at].kind != "number":
        return place
    return _unit(marks, at + 1)[2]


def _plain(number: str) -> str:
    """Return a number with a decimal point, ``""`` for what is none (``1.2.3``)."""
    if len(number) > _LONGEST_NUMBER:
        return ""
    if re.fullmatch(r"[1-9]\d{0,2}(?:,\d{3})+", number):
        return number.replace(",", "")
    dotted = number.replace(",", ".")
    return dotted if dotted.count(".") <= 1 else ""


def _unit(marks: list[_Mark], place: int) -> tuple[str, str, int]:
    """Return the unit that stands at a place: lower case, as written, and where it ends."""
    if place >= len(marks):
        return "", "", place
    one = marks[place]
    low = one.text.lower()
    if one.text in ("°", "º", "˚"):
        follows = marks[place + 1].text if place + 1 < len(marks) else ""
        if follows.lower() in ("c", "f"):
            return f"°{follows.lower()}", f"°{follows}", place + 2
        return "°", "°", place + 1
    if one.text in ("%", "℃", "℉", '"', "″"):
        return one.text, one.text, place + 1
    if one.kind != "word" or low in _TIMES or low in _TO:
        return "", "", place
    if low in ("frame", "frames", "pictures", "mbit", "mb", "kbit") and place + 2 < len(marks):
        sign, last = marks[place + 1].text.lower(), marks[place + 2].text.lower()
        if sign in ("/", "per") and last in (*_SLASHED, "seconds"):
            return f"{low}/s", f"{one.text}/s", place + 3
    if low in ("deg", "degree", "degrees") and place + 1 < len(marks):
        scale = marks[place + 1].text.lower()
        if scale in ("c", "f", "celsius", "fahrenheit"):
            return f"°{scale[0]}", f"°{scale[0].upper()}", place + 2
    return low, one.text, place + 1
