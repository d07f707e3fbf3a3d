"""Pick claims out of a seller's listing, for the user to confirm.

The text is cut into marks once (numbers, words, signs), the marks into phrases, and a number is
read with its unit by the words of its own phrase: nothing is searched twice, so the time grows with
the length of the text. Rules only, no guessing: what has no rule is shown as left over. Everything
the listing says of one thing is kept, the contradictions too, each with a number of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from seeworthy.ground.errors import SeeworthyError, WrongCall
from seeworthy.ground.measurands import all_measurands, measurand
from seeworthy.ground.quantities import parse
from seeworthy.judge.claims.listing_marks import MarkedFigure, Phrase, phrases
from seeworthy.judge.claims.listing_rules import FRAME, Meaning, meanings

LONGEST_TEXT = 20_000
"""Characters; a judgement: ten times the longest listing that we have read."""
LONGEST_LINE = 10_000  # characters: a page of text in one line (a judgement)
_SHOWN = 80  # characters of a phrase that is left over
_MOST = 12
"""Different values of one thing; a judgement: the rest is left over, so that a thousand of them
cost no thousand comparisons each."""

_Value = tuple[float, float] | str


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One claim found in a listing.

    Attributes:
        subject: Id of a measurand, or name of a finding.
        text: The value as it would be typed.
        found: The words of the listing.
        line: From 1.
        remark: Why it is to be looked at before it is confirmed; ``""`` when it is plain.
        against: Numbers (from 1) of the suggestions that say something else of the same thing.
        instead: A second reading of the same words, to be chosen instead of the first.
    """

    subject: str
    text: str
    found: str
    line: int
    remark: str = ""
    against: tuple[int, ...] = ()
    instead: bool = False

    @property
    def mind(self) -> str:
        """Remark and contradictions in words."""
        other = ""
        if self.against:
            numbers = ", ".join(map(str, self.against))
            other = f"The listing says something else too: see number {numbers}."
        return f"{self.remark} {other}".strip()


@dataclass(frozen=True, slots=True)
class ListingReading:
    """What a listing says.

    Attributes:
        suggestions: Numbered from 1 in this order; every alternative is there.
        left: tuple of (line, words). Phrases with a number that no rule reads.
        prose: tuple of (line, words). Phrases without any number or known word.
        frames: frozenset of (width, height). Picture sizes as the listing pairs them.
    """

    suggestions: tuple[Suggestion, ...]
    left: tuple[tuple[int, str], ...]
    prose: tuple[tuple[int, str], ...] = ()
    frames: frozenset[tuple[str, str]] = frozenset()


def read_listing(text: str) -> ListingReading:
    """Pick claims out of the text of a listing.

    Args:
        text: As pasted.

    Raises:
        WrongCall: Longer than a listing, or one line of it is.
    """
    if len(text) > LONGEST_TEXT:
        raise WrongCall(
            f"That is longer than a listing ({len(text)} of at most {LONGEST_TEXT} characters).",
            "Paste the part with the figures.",
        )
    found: list[Suggestion] = []
    left: list[tuple[int, str]] = []
    prose: list[tuple[int, str]] = []
    frames: set[tuple[str, str]] = set()
    for number, line in enumerate(text.splitlines(), 1):
        if len(line) > LONGEST_LINE:
            raise WrongCall(
                f"Line {number} is longer than {LONGEST_LINE} characters.", "Break it up."
            )
        for phrase in phrases(line):
            read, over = _read(phrase)
            for figure, told in read:
                found += [Suggestion(m.subject, m.text, figure.text, number, m.remark,
                                     instead=m.instead) for m in told]  # fmt: skip
                frames |= _frame(told)
            if over:
                left.append((number, _short(phrase.text)))
            elif not read and phrase.has_words:
                prose.append((number, _short(phrase.text)))
    suggestions, beyond = _numbered(found)
    left += [(s.line, s.found) for s in beyond]
    return ListingReading(suggestions, tuple(left), tuple(prose), frozenset(frames))


def _read(phrase: Phrase) -> tuple[list[tuple[MarkedFigure, Sequence[Meaning]]], bool]:
    """Return what the figures of a phrase mean, and whether one of them has no meaning."""
    read: list[tuple[MarkedFigure, Sequence[Meaning]]] = []
    over = False
    for figure in phrase.figures:
        told = meanings(figure, phrase)
        if told:
            read.append((figure, told))
        else:
            over = True
    return read, over


def _short(text: str) -> str:
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def _frame(told: Iterable[Meaning]) -> set[tuple[str, str]]:
    values = {m.subject: m.text for m in told}
    return {(values[FRAME[0]], values[FRAME[1]])} if set(FRAME) <= set(values) else set()


def _numbered(found: list[Suggestion]) -> tuple[tuple[Suggestion, ...], list[Suggestion]]:
    """Leave out what is said twice, mark what contradicts, and hand back what is too much."""
    kept: list[Suggestion] = []
    beyond: list[Suggestion] = []
    places: dict[str, dict[str, tuple[_Value, int]]] = {}
    for new in found:
        known = places.setdefault(new.subject, {})
        if new.text not in known:
            value = _value(new) if len(known) < _MOST else ""
            same = next((p for v, p in known.values() if _agree(v, value)), None)
            if same is None and len(known) >= _MOST:
                beyond.append(new)
                continue
            known[new.text] = value, len(kept) if same is None else same
            if same is None:
                kept.append(new)
        place = known[new.text][1]
        if kept[place].remark and not new.remark:
            kept[place] = new
    numbers = {s: sorted({p + 1 for _, p in known.values()}) for s, known in places.items()}
    return tuple(
        replace(s, against=tuple(n for n in numbers[s.subject] if n != i))
        for i, s in enumerate(kept, 1)
    ), beyond


def _value(one: Suggestion) -> _Value:
    """Return value and half a step of a measurand, or the words of a finding."""
    if one.subject not in all_measurands():
        return one.text
    try:
        found = parse(one.text, measurand(one.subject).pint_unit)
    except SeeworthyError:
        return one.text
    return found.value, found.u * 3**0.5  # u is a step over the root of twelve


def _agree(a: _Value, b: _Value) -> bool:
    """Tell whether two values are one: 15 g and 0.53 oz, each to its last digit."""
    if isinstance(a, str) or isinstance(b, str):
        return a == b
    same_to_a_digit = abs(a[0] - b[0]) <= min(a[1], b[1]) * 1.000001
    return a[0] == b[0] or (a[1] != b[1] and same_to_a_digit)


def check_choice(chosen: Sequence[tuple[str, str]], frames: Iterable[tuple[str, str]]) -> None:
    """Refuse to enter two values of one thing, or a width of one picture with another's height.

    Args:
        chosen: sequence of (subject, text)
        frames: iterable of (width, height). As the listing pairs them.

    Raises:
        WrongCall
    """
    values: dict[str, str] = {}
    for subject, text in chosen:
        if values.setdefault(subject, text) != text:
            raise WrongCall(
                f"Both {values[subject]} and {text} are chosen for {subject.replace('_', ' ')}.",
                "A camera has one claim of each kind: choose one of them.",
            )
    width, height = values.get(FRAME[0]), values.get(FRAME[1])
    pairs = set(frames)
    known_w, known_h = {w for w, _ in pairs}, {h for _, h in pairs}
    if width in known_w and height in known_h and (width, height) not in pairs:
        raise WrongCall(
            f"The width {width} and the height {height} are of two different pictures.",
            "Choose both from the same words of the listing.",
        )
