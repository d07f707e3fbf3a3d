"""Words that a flyer need not know, each explained in a sentence: one list for every face."""

from __future__ import annotations

import re
from collections.abc import Iterable

WORDS: dict[str, str] = {
    "MTF50": "how fine a pattern still comes through with half its contrast; more is sharper",
    "MTF10": "how fine a pattern still comes through with a tenth of its contrast: detail's end",
    "LW/PH": "lines, dark and bright, that fill the height of the picture; more is finer, whatever "
    "the frame size",
    "cy/px": "cycles per pixel: 0.25 means that a dark and a bright line together take 4 pixels",
    "decentring": "one side of the picture is softer than the other: the lens sits askew",
    "Δu'v'": "how far a colour is off, whatever its brightness; 0.004 can just be seen",
    "ΔE00": "how different two colours look: about 1 is just seen, 5 is plain",
    "entrance pupil": "the point in the lens from which its view opens; distances count from there",
    "reprojection error": "how far, in pixels, the marks of the target lie from where the lens "
    "model puts them",
    "TV distortion": "how far a straight line near the edge bows, as a share of the height",
    "rolling shutter": "the rows of a picture are taken one after the other, so what moves leans",
    "read-out": "taking the rows of a picture one after the other, from the first to the last",
    "GOP": "the run of pictures from one that is coded whole to the next such one",
    "key frame": "a picture that is coded whole; those between it and the next hold changes only",
    "b frames": "pictures that are coded from the one before and the one after",
    "bit rate": "how many bits a second the file takes: more room for detail, larger files",
    "chroma": "the colour part of a picture, which video keeps at half the fineness",
    "SNR": "signal to noise: how far the picture stands above its own grain",
    "dBFS": "decibels below the loudest that the file can hold; 0 is clipped",
    "EXIF": "notes that a camera writes into a still: time, exposure, its name",
    "stop": "a factor of two in light",
    "jitter": "the time between two pictures is not always the same",
    "flicker": "a lamp's light comes and goes with the mains, too fast to be seen",
    "apogee": "the highest point of a flight",
    "standard uncertainty": "the usual size of the error (u); the 95 % interval is about twice it "
    "either way",
    "95 % interval": "the true value lies inside it 95 times in a hundred",
    "firmware": "the program inside the camera; an update can change what it does",
}
_ASIDE = {"95 % interval", "bit rate", "stop", "chroma", "flicker", "firmware"}
"""Not explained at every line where they stand: they stand everywhere, or are plain English."""


def _pattern(term: str) -> re.Pattern[str]:
    return re.compile(rf"(?<!\w){re.escape(term)}(?:s|es)?(?!\w)", re.IGNORECASE)


_PATTERNS = {term: _pattern(term) for term in WORDS if term not in _ASIDE}


def words_in(texts: Iterable[object]) -> list[tuple[str, str]]:
    """Return the words of the list that stand in some texts, each with its explanation."""
    text = "\n".join(str(t) for t in texts)
    return [(term, WORDS[term]) for term, pattern in _PATTERNS.items() if pattern.search(text)]


def explained(term: str) -> tuple[str, str]:
    """Return a word and its explanation, however it is written.

    Raises:
        WrongCall: Not in the list.
    """
    from seeworthy.ground.errors import WrongCall

    for name, told in WORDS.items():
        if name.casefold() == term.strip().casefold():
            return name, told
    near = [n for n in WORDS if term.strip().casefold()[:4] in n.casefold()]
    hint = f"Near: {', '.join(near)}." if near and term.strip() else "Leave it out for the list."
    raise WrongCall(f"'{term}' is not in the list of words.", hint)
