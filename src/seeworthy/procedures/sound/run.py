"""Run of `sound`: what it asks to see, and what it concludes."""

from __future__ import annotations

import math
from typing import Any

from seeworthy.ground.budget import Component, Composed
from seeworthy.ground.digits import said, said_result
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Result, result
from seeworthy.ground.uncertainty import coverage_factor, interval, upper
from seeworthy.media.sound import Sound, open_sound
from seeworthy.procedures.declare import Inputs, Seen
from seeworthy.procedures.sound.bands import Band, band
from seeworthy.procedures.sound.measure import (
    Channels,
    Listener,
    channels,
    noise_floor,
    rate_error,
)

_LOUDEST = -40.0  # dBFS of a cheap microphone's own hiss (a judgement; some reach -45)
_SILENT = 2e-5  # of full scale: less than one step of 16 bits


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Listen to the clip once and return what its sound tells."""
    sound = open_sound(inputs.file())
    tone = inputs.reading("tone")
    listener = Listener(sound.rate, sound.channels, tone.value if tone else None)
    for block in sound.blocks():
        listener.feed(block.samples)
    if listener.samples == 0:
        raise CannotMeasure("The sound track is empty.", "Film again with the microphone on.")
    if listener.peak < _SILENT:
        raise CannotMeasure(
            f"The sound of '{inputs.file().name}' is silence from beginning to end.",
            "The microphone was off, or its plug or menu is: switch it on and film again.",
        )
    warnings = list(sound.warnings)
    coded = not sound.codec.startswith(_LOSSLESS)
    alike = channels(listener, coded)
    results = [_clipping(listener), *_floor(inputs, listener, coded, warnings)]
    if tone is not None:
        results += _rate(listener, tone.u, warnings)
    found, figures = _band(inputs, listener, warnings)
    results += found
    return Outcome(
        tuple(results),
        _findings(sound, listener, alike),
        tuple(warnings),
        figures=figures,
        sentence=_sentence(results, alike),
    )


def _clipping(listener: Listener) -> Result:
    share = listener.clipped / listener.samples
    n = listener.samples // max(1, listener.channels)
    # Counted exactly; what another recording of the same scene would give scatters by count.
    u = 100 * math.sqrt(max(share * (1 - share), 1 / listener.samples) / listener.samples)
    return result(
        "clipping_share", 100 * share, u, n=n, interval=interval(100 * share, u, least=0.0)
    )


def _floor(inputs: Inputs, listener: Listener, coded: bool, warnings: list[str]) -> list[Result]:
    quiet = _quiet(inputs)
    try:
        plain, weighted = noise_floor(listener, quiet, coded=coded)
    except CannotMeasure as error:
        warnings.append(f"No noise floor: {error.message} {error.hint}")
        return []
    if quiet is None and plain.value > _LOUDEST:
        # Nobody says that it was quiet, and no microphone hisses so: what it hears is louder.
        warnings.append(
            "There is no silence in this clip: the camera's own noise is lower than what it hears. "
            "Record ten seconds in a quiet room, the camera wrapped in a towel, or name where it "
            "was quiet: --option quiet=3-8."
        )
        return [_at_most(plain, "none"), _at_most(weighted, "A")]
    warnings.append(
        "The noise floor holds the room's own noise and the camera's automatic gain; compare "
        "cameras in the same room only."
    )
    return [
        result(
            "noise_floor", at.value, n=at.n, conditions={"weighting": weighting}, budget=at.parts
        )
        for at, weighting in ((plain, "none"), (weighted, "A"))
    ]


def _at_most(at: Composed, weighting: str) -> Result:
    most = upper(at.value, at.u)
    return result(
        "noise_floor", most, at.u, n=at.n, interval=(-math.inf, most),
        conditions={"weighting": weighting, "bound": "upper"},
    )  # fmt: skip


def _quiet(inputs: Inputs) -> tuple[float, float] | None:
    text = inputs.option("quiet")
    if not text:
        return None
    start, mark, end = text.partition("-")
    try:
        found = float(start), float(end)
    except ValueError:
        mark, found = "", (0.0, 0.0)
    if not mark or not 0 <= found[0] < found[1]:
        raise WrongCall(f"'quiet={text}' is not a stretch of time.", "Write quiet=3-8 (seconds).")
    return found


def _rate(listener: Listener, u_tone: float, warnings: list[str]) -> list[Result]:
    try:
        found = rate_error(listener, u_tone)
    except CannotMeasure as error:
        warnings.append(f"No sample rate: {error.message} {error.hint}")
        return []
    return [result("audio_rate_error", found.value, n=found.n, budget=found.parts)]


def _band(
    inputs: Inputs, listener: Listener, warnings: list[str]
) -> tuple[list[Result], tuple[Figure, ...]]:
    try:
        found = band(listener)
    except CannotMeasure as error:
        if inputs.option("sweep") == "yes":
            raise
        warnings.append(f"No band limits: {error.message}")
        return [], ()
    results = []
    for name, limit, word in (("band_low", found.low, "lower"), ("band_high", found.high, "upper")):
        if limit.bound:
            warnings.append(
                f"The sweep ended at {limit.frequency:.0f} Hz before the sound had fallen by 6 dB: "
                f"the {word} limit lies beyond."
            )
        # In octaves the interval is symmetric; a limit beyond the sweep has one open side.
        spread = coverage_factor() * limit.u / limit.frequency
        low, high = limit.frequency * math.exp(-spread), limit.frequency * math.exp(spread)
        if limit.bound:
            low = 0.0 if name == "band_low" else low
            high = listener.rate / 2 if name == "band_high" else high
        ripple = Component("ripple of room and loudspeaker, steps of the curve", limit.u, "Hz",
                           source="scatter of the curve")  # fmt: skip
        results.append(
            result(
                name,
                limit.frequency,
                n=len(found.frequency),
                interval=(low, high),
                budget=(ripple,),
            )
        )
    return results, (_response(found),)


def _response(found: Band) -> Figure:
    return Figure(
        "response",
        "Sound against frequency",
        "Where the curve falls below −6 dB the sound of camera, loudspeaker and room ends.",
        {
            "frequency": [round(float(f), 1) for f in found.frequency],
            "level": [round(float(v), 2) for v in found.level],
        },
        Axis("frequency", "frequency", "Hz", scale="log"),
        Axis("level", "level against mid-band", "dB"),
        (Mark("line", y="level"), Mark("rule", value=-6.0, across="y", label="−6 dB")),
    )


_LOSSLESS = ("pcm", "flac", "alac")  # FFmpeg's names of codecs that lose nothing
_ALIKE = {
    True: "both channels carry one microphone",
    False: "it is stereo",
    None: "whether it is stereo cannot be told from this coding",
}


def _findings(sound: Sound, listener: Listener, alike: Channels | None) -> dict[str, Any]:
    return {
        "audio_codec": sound.codec,
        "audio_rate": sound.rate,
        "audio_channels": sound.channels,
        "channels_identical": None if alike is None else alike.identical,
        "channel_difference_db": (
            None if alike is None or math.isinf(alike.difference) else round(alike.difference, 1)
        ),
        "peak_level_dbfs": round(20 * math.log10(max(listener.peak, 1e-6)), 2),
    }


def _sentence(results: list[Result], alike: Channels | None) -> str:
    parts = []
    floor = next((r for r in results if r.measurand == "noise_floor"), None)
    if floor is not None:
        low, high = floor.interval
        if math.isinf(low):
            parts.append(f"There is no silence in it: its own noise is {said_result(floor)}")
        else:
            shown = said(-floor.value, -high, -low, "dB", floor.u)
            parts.append(f"The quietest it hears lies {shown} below full scale")
    clipped = next(r for r in results if r.measurand == "clipping_share")
    parts.append("nothing clips" if clipped.value == 0 else f"{said_result(clipped)} clips")
    if alike is not None:
        parts.append(_ALIKE[alike.identical])
    text = ", ".join(parts)
    return text[0].upper() + text[1:] + "."
