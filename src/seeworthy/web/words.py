"""Words of the command line as a page says them: the same texts serve both.

Procedures and errors are written for both faces. What names a command or an option there is
said here as the page, the field or the test that a browser shows.
"""

from __future__ import annotations

import re
from functools import lru_cache

# Names of readings and options that do not say enough by themselves.
_LABELS = {
    "width2": "width at the second distance",
    "distance2": "second distance",
    "height2": "height at the second distance",
    "hfov": "angle of view across",
    "roll": "lean of the camera itself",
    "lean": "lean of uprights",
    "at": "time of each look",
    "run": "running time",
    "anew": "set up anew for every take",
    "clock": "the bench clock is in view",
    "cuts": "cuts seen",
    "recorded": "time recorded",
    "least_snr": "least signal to noise",
    "least_rate": "least frame rate",
    "file_rule": "how files end",
    "columns": "columns of the log",
    "units": "units of the log",
    "axes": "axes of the log",
    "mirrored": "the picture is mirrored",
    "mixed": "files of several recordings",
}
# The first words of a command, and where a page does the same; the longest that fits counts.
_PLACES = {
    "target": "the page Targets",
    "take": "the page Takes",
    "run": "Measure now on the first page",
    "camera show": "the camera's page",
    "camera unit": "the camera's page",
    "camera firmware": "the camera's page",
    "camera": "the first page",
    "claim": "the camera's page",
    "claims": "the camera's page",
    "bench": "the page Settings",
    "procedures": "the page of the test",
    "import": "the page Card in",
    "suit": "the page Suit",
    "plan": "the page Plan",
    "correct": "the page Mend",
    "recover": "the page Mend (bring a broken clip back)",
    "compare": "the page Compare",
    "report": "the page Reports",
    "serve": "these pages",
}
_CLOCK = re.compile(
    r"`seeworthy target clock`, or Targets in `serve`"
    r"|`seeworthy serve`, Targets, or `seeworthy target clock`"
)
_COMMAND = re.compile(r"`seeworthy ([a-z][^`]*)`")
_UNTICKED = re.compile(r"\bseeworthy ((?:target|measure|procedures|camera|take) [a-z][a-z-]*)")
_OPTION = re.compile(r"--option ([a-z][\w]*)=(\"[^\"]*\"|[\w.,:/\-]*[\w])")
_READING = re.compile(r"--reading ([a-z][\w]*)=(\"[^\"]*\"|[\w.,:/\-]*[\w])")
_NAMED = re.compile(r"--(option|reading|with) ([a-z][\w]*)")
_BARE_OPTION = re.compile(r"\boption ([a-z_]+)=(\"[^\"]*\"|[\w.,:/\-]*[\w])")
_FLAG = re.compile(r"(?<![\w-])--([a-z][a-z-]+)(=?)")
_NAMES = re.compile(r"[`(]([a-z][a-z-]*)[`)]")
_BRACKETS = re.compile(r" ?\(([a-z][a-z-]*)\)")
_TICKS = re.compile(r"`([^`]*)`")


def label(name: str) -> str:
    """Return the name of a reading or option in words."""
    return _LABELS.get(name, name.replace("_", " "))


def plain(text: object) -> str:
    """Return a text without words of the command line."""
    said = str(text)
    if not any(mark in said for mark in ("`", "--", "option ", "seeworthy ")):
        return said
    said = _CLOCK.sub("the page Targets", said)
    said = _COMMAND.sub(lambda m: _place(m[1]), said)
    said = _UNTICKED.sub(lambda m: _place(m[1]), said)
    said = _READING.sub(lambda m: f"the reading “{label(m[1])}”, for example {_bare(m[2])}", said)
    said = _OPTION.sub(lambda m: _choice(m[1], m[2]), said)
    said = _BARE_OPTION.sub(lambda m: _choice(m[1], m[2]), said)
    said = _NAMED.sub(lambda m: f"“{label(m[2])}”", said)
    said = _FLAG.sub(lambda m: f"“{m[1].replace('-', ' ')}”{' ' if m[2] else ''}", said)
    return _TICKS.sub(lambda m: _test(m[1]), said)


def percent(share: float) -> str:
    """Write a share as per cent: ``43 %``, ``under 1 %``, never a nought with a sign."""
    whole = round(100 * share)
    if whole == 0 and abs(share) > 1e-9:
        return "under 1 %" if share > 0 else "0 %"
    return f"{whole} %".replace("-", "−")


def likely(share: float) -> str:
    """Return a probability in words, with its number: ``very likely (97 %)``.

    The words are those of the calibrated scale for likelihood in the guidance note of the
    Intergovernmental Panel on Climate Change on uncertainties (2010), from memory.
    """
    scale = (
        (0.99, "virtually certain"), (0.9, "very likely"), (0.66, "likely"),
        (0.33, "about as likely as not"), (0.1, "unlikely"), (0.01, "very unlikely"),
    )  # fmt: skip
    word = next((w for least, w in scale if share >= least), "almost certainly not")
    return f"{word} ({percent(share)})"


def tests_named(text: str) -> list[tuple[str, str]]:
    """Return the tests that a text names between backticks or brackets, as (id, title)."""
    named = [m for m in _NAMES.findall(text) if m in _titles()]
    return [(name, _titles()[name]) for name in dict.fromkeys(named)]


def unnamed(text: str) -> str:
    """Return a text without the tests that stand in brackets: links follow it."""
    return _BRACKETS.sub(lambda m: "" if m[1] in _titles() else m[0], text)


def test_title(name: str) -> str:
    """Return the title of a test by its id."""
    return _titles().get(name, name)


def _place(command: str) -> str:
    words = command.split()
    if words[0] == "measure" and len(words) > 1:
        return f"the test {_test(words[1])}"
    return _PLACES.get(" ".join(words[:2]), _PLACES.get(words[0], f"“{words[0]}”"))


def _choice(name: str, value: str) -> str:
    return f"the choice “{label(name)}”: {_bare(value)} (How to look at it)"


def _bare(value: str) -> str:
    return value.strip('"')


def _test(name: str) -> str:
    """Return what stood between backticks: a test by its title, a field by its words."""
    return f"“{_titles().get(name) or label(name)}”"


@lru_cache(maxsize=1)
def _titles() -> dict[str, str]:
    from seeworthy.procedures import all_procedures

    return {p.id: p.title for p in all_procedures().values()}
