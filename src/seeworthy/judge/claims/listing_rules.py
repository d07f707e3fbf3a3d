"""What a figure of a listing claims, by its unit and the words of its phrase."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from seeworthy.judge.claims.listing_marks import MarkedFigure, Phrase


@dataclass(frozen=True, slots=True)
class Meaning:
    """A claim as it would be typed, and what to look at before it is entered.

    Attributes:
        instead: A second reading of the same words, to be chosen instead of the first.
    """

    subject: str
    text: str
    remark: str = ""
    instead: bool = False


FRAME = ("width_px", "height_px")
_ANGLE = "Listings often mean the diagonal; enter it as horizontal only if this one says so."
_ROOM = "Listings rarely give the temperature; it is taken as room."
_THOUSANDS = "The comma is read as a mark of thousands."

_MASS = {
    **dict.fromkeys(("g", "gr", "gram", "grams", "gramm"), "g"),
    **dict.fromkeys(("oz", "ounce", "ounces"), "oz"),
    "kg": "kg",
}
_TIME = {
    **dict.fromkeys(("min", "mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), "h"),
}
_RATE = {
    **dict.fromkeys(("mbps", "mbit/s", "mb/s"), "Mbit/s"),
    **dict.fromkeys(("kbps", "kbit/s"), "kbit/s"),
}
_LENGTH = {**dict.fromkeys(("inch", "inches", '"', "″", "in"), "in"), "mm": "mm", "cm": "cm"}
_FPS = {"fps", "frames/s", "frame/s", "pictures/s"}
_LINES = {"480": "640", "720": "1280", "1080": "1920", "1440": "2560", "2160": "3840"}
_CODECS = {
    "h264": "h264", "avc": "h264", "h265": "hevc", "hevc": "hevc", "mjpeg": "mjpeg",
    "mjpg": "mjpeg",
}  # fmt: skip
_FULL = {"fullhd", "fhd"}
_CHANNELS = {"mono": "1", "stereo": "2"}
_FILES = {"mp4": "mp4", "mov": "mov", "avi": "avi", "mkv": "matroska"}

_WEIGHT = {"weight", "weighs", "weighing", "mass", "light", "heavy", "lightweight", "wt"}
_NOT_WEIGHT = {"shock", "impact", "acceleration", "load", "wifi", "band"}
_VIEW = {"wide", "angle", "view", "lens", "fov", "superwide", "viewing"}
_ACROSS = {"horizontal", "horizontally", "hfov"}
_DOWN = {"vertical", "vertically", "vfov"}
_CORNERS = {"diagonal", "diagonally", "dfov"}
_FILE = {"loop", "segment", "segments", "file", "files", "clip", "clips", "every", "split"}
_RUN = {
    "battery", "record", "recording", "records", "recorded", "working", "work", "works", "run",
    "running", "runs", "runtime", "operating", "operation", "life", "use", "lasts",
    "shooting", "filming", "film", "films", "shoot", "shoots",
}  # fmt: skip
_CHARGE = {"charge", "charging", "charges", "charged", "standby", "recharge", "off"}
_DIM = {"minimum", "min", "low", "illumination", "sensitivity", "illuminance", "night"}
_SOUND = {"audio", "sound", "sampling", "mic", "microphone", "sample", "samples"}


def meanings(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    """Return what a figure claims; empty where no rule reads it.

    Args:
        figure: One of the phrase.
        phrase: Only its own words decide: a width and a height of two phrases never meet.
    """
    if figure.form == "name":
        return _name(figure)
    if not all(figure.numbers):
        return ()
    if figure.form == "times":
        found = _times(figure)
    else:
        found = _by_unit(figure, phrase)
    if figure.thousands and not (found and found[0].subject in FRAME):
        found = [replace(m, remark=f"{m.remark} {_THOUSANDS}".strip()) for m in found]
    return found


def _name(figure: MarkedFigure) -> Sequence[Meaning]:
    plain = "".join(c for c in figure.unit if c.isalnum())
    if plain in _CODECS:
        return [Meaning("codec", _CODECS[plain])]
    if plain in _FULL:
        remark = "Full HD is 1920 by 1080 pixels; the listing does not name them."
        return [Meaning(FRAME[0], "1920", remark), Meaning(FRAME[1], "1080", remark)]
    if plain in _CHANNELS:
        return [Meaning("audio_channels", _CHANNELS[plain])]
    return [Meaning("container", _FILES[plain])] if plain in _FILES else ()


def _times(figure: MarkedFigure) -> Sequence[Meaning]:
    unit = _LENGTH.get(figure.unit, "")
    if len(figure.numbers) == 3:
        if figure.unit and not unit:
            return ()
        remark = "" if unit else "No unit is given; millimetres are assumed."
        names = ("length", "width", "height")
        return [Meaning(n, f"{v} {unit or 'mm'}", remark) for n, v in zip(names, figure.numbers,
                                                                         strict=True)]  # fmt: skip
    if unit or not all(v.isdigit() and 3 <= len(v) <= 4 for v in figure.numbers):
        return ()
    width, height = figure.numbers
    return [Meaning(FRAME[0], width), Meaning(FRAME[1], height)]


def _by_unit(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    rule = _RULES.get(figure.unit)
    return () if rule is None else rule(figure, phrase)


def _each(figure: MarkedFigure, subject: str, unit: str, remark: str = "") -> list[Meaning]:
    """Return one meaning a number: both ends of a range are claims to choose from."""
    if figure.form == "range":
        remark = f"The listing gives a range. {remark}".strip()
    return [Meaning(subject, f"{v} {unit}".strip(), remark) for v in figure.numbers]


def _says(figure: MarkedFigure, phrase: Phrase, words: set[str]) -> bool:
    """Tell whether the words beside a figure, or else those of its phrase, hold one of these."""
    near = words.intersection(figure.before) or words.intersection(figure.after)
    # With several figures in a phrase, a word far away may belong to another of them.
    return bool(near) or (len(phrase.figures) == 1 and not words.isdisjoint(phrase.words))


def _mass(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    weight = _says(figure, phrase, _WEIGHT)
    if (figure.cased == "G" and not weight) or _says(figure, phrase, _NOT_WEIGHT):
        return ()
    remark = "" if weight else "The listing does not say that this is the weight."
    if "battery" in (*figure.before, *figure.after):
        remark = f"{remark} It speaks of a battery: with or without?".strip()
    return _each(figure, "mass", _MASS[figure.unit], remark)


def _angle(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    kinds = (("hfov", _ACROSS), ("vfov", _DOWN), ("dfov", _CORNERS))
    for near in (figure.before, figure.after):
        # The word nearest to the figure counts: '70° horizontal, 45° vertical'.
        for word in reversed(near) if near is figure.before else near:
            for subject, words in kinds:
                if word in words:
                    return _each(figure, subject, "deg")
    if not _says(figure, phrase, _VIEW) and _VIEW.isdisjoint(phrase.words):
        return ()
    across = [replace(m, instead=True) for m in _each(figure, "hfov", "deg", _ANGLE)]
    return [*_each(figure, "dfov", "deg", _ANGLE), *across]


def _time(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    unit = _TIME[figure.unit]
    if _says(figure, phrase, _CHARGE):
        return ()
    if _says(figure, phrase, _FILE) and unit == "min":
        return _each(figure, "segment_length", unit)
    if _says(figure, phrase, _RUN) or not _RUN.isdisjoint(phrase.words):
        return _each(figure, "run_time", unit, _ROOM)
    return ()


def _lines(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    height = figure.numbers[0]
    if figure.form != "one" or height not in _LINES:
        return ()
    if height == "480":
        return [Meaning(FRAME[1], height)]
    remark = "The width follows from 16:9; the listing names lines only."
    return [Meaning(FRAME[0], _LINES[height], remark), Meaning(FRAME[1], height)]


def _fps(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    return _each(figure, "frame_rate", "Hz")


def _bare(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    """Read a number whose word stands before it: ``FPS: 30``, ``frame rate 24``."""
    named = figure.before[-1:] == ("fps",) or figure.before[-2:] in (("frame", "rate"),)
    return _each(figure, "frame_rate", "Hz") if named and figure.form == "one" else ()


def _bits(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    if figure.cased.startswith("MB"):
        return ()  # megabytes
    return _each(figure, "bit_rate_mean", _RATE[figure.unit])


def _light(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    said = _says(figure, phrase, _DIM)
    remark = "" if said else "The listing does not say that this is the least light it needs."
    return _each(figure, "usable_lux", "lx", remark)


def _stops(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    said = {"dynamic", "range"} <= phrase.words
    remark = "" if said else "Taken for the dynamic range."
    return _each(figure, "dynamic_range", "stops", remark)


def _pixels(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    """Turn megapixels into a native size; 16:9 is an assumption and is said."""
    found: list[Meaning] = []
    for number in figure.numbers:
        height = (float(number) * 1e6 * 9 / 16) ** 0.5
        if not 100 <= height <= 20_000:
            return ()
        remark = f"From {number} megapixels at 16:9; another shape has other sides."
        found += [Meaning("native_width", f"{height * 16 / 9:.0f} px", remark),
                  Meaning("native_height", f"{height:.0f} px", remark)]  # fmt: skip
    return found


def _sampling(figure: MarkedFigure, phrase: Phrase) -> Sequence[Meaning]:
    said = _says(figure, phrase, _SOUND)
    remark = "" if said else "Taken for the sampling rate of the sound."
    return [Meaning("audio_rate", f"{float(v) * 1000:.0f}", remark) for v in figure.numbers]


_Rule = Callable[[MarkedFigure, Phrase], Sequence[Meaning]]
_RULES: dict[str, _Rule] = {
    **dict.fromkeys(_MASS, _mass),
    **dict.fromkeys(("°", "º", "˚", "deg", "degree", "degrees"), _angle),
    **dict.fromkeys(_TIME, _time),
    **dict.fromkeys(("p", "i"), _lines),
    **dict.fromkeys(_FPS, _fps),
    "": _bare,
    **dict.fromkeys(_RATE, _bits),
    **dict.fromkeys(("lux", "lx"), _light),
    **dict.fromkeys(("stop", "stops"), _stops),
    **dict.fromkeys(("mp", "megapixel", "megapixels", "mpx"), _pixels),
    "khz": _sampling,
}
