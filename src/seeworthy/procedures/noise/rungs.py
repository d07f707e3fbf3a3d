"""From clips to the ladder of `noise`: patches of known light, in one clip or in several."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.examples import as_options
from seeworthy.ground.quantities import parse
from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.observe.grey_patches import GreyPatch
from seeworthy.observe.noise_frames import NoiseFrames
from seeworthy.optics.light_reading import parse_light
from seeworthy.optics.tone import Tone
from seeworthy.procedures.declare import Inputs
from seeworthy.procedures.noise.ladder import LadderRange, Rung, not_held, range_of, rung_of
from seeworthy.procedures.noise.levels import NoiseTrouble, check_still
from seeworthy.procedures.noise.referred import coding_part

_STOPS = math.log2(10)
_DECIBELS = 20 * math.log10(2)  # of a stop
_METER = math.sqrt(0.5)  # of a meter's u, what two of its readings do not share (a judgement)


@dataclass(frozen=True)
class Ladder:
    """What the ladder tells.

    Attributes:
        found: None where it does not reach down to the limit.
        note: Why there is none though it was asked for.
        limit: Signal over noise at its dark end.
        most: An encoder took of the noise: the camera's range is at most that.
    """

    found: LadderRange | None = None
    note: str = ""
    limit: float = 1.0
    most: bool = False

    @property
    def conditions(self) -> dict[str, str]:
        """The limit, where it is not that of the standard."""
        return {} if self.limit == 1 else {"limit": f"SNR {self.limit:g}"}


def check_ladder(inputs: Inputs) -> float:
    """Return the limit that is asked for.

    Raises:
        WrongCall: Not one light reading for each clip, or no limit.
    """
    clips, lights = inputs.all_files("ladder"), inputs.all_readings("light")
    if clips and len(lights) != 1 + len(clips):
        raise WrongCall(
            f"{len(lights)} light readings were typed for {1 + len(clips)} clips of a ladder.",
            f"Type one for each clip in their order, the first first: {as_options('noise.light')}.",
        )
    limit = parse(inputs.option("limit") or "1", "", positive=True).value
    if limit < 1:
        raise WrongCall("A picture whose noise is above its signal has no limit.", "Write 1 or 10.")
    return limit


def climb(
    inputs: Inputs,
    watchers: Sequence[NoiseFrames],
    patches: Sequence[GreyPatch],
    tone: Tone,
    trouble: NoiseTrouble,
    *,
    taken: bool,
) -> Ladder:
    """Measure the ladder.

    Args:
        watchers: Of the scale, and of each clip in other light.
        patches: In the first clip; the camera stood still.
        trouble: What an encoder did to the noise of the first clip.
        taken: It took of the noise of a step at least: in darker ones it takes more.
    """
    limit = check_ladder(inputs)
    known = [p for p in patches if p.density is not None]
    if not known and len(patches) == 1 and len(watchers) > 1:
        known = [GreyPatch(patches[0].name, patches[0].box, 1.0, 0.0)]
    if not known:
        return Ladder(limit=limit)
    lights = [parse_light(q.text) for q in inputs.all_readings("light")]
    rungs: list[Rung] = []
    for clip, watcher in enumerate(watchers):
        stops, u = 0.0, 0.0
        if clip:
            first, here = lights[0], lights[clip]
            stops = math.log2(here.value / first.value)
            u = _METER * math.hypot(here.u / here.value, first.u / first.value) / math.log(2)
        rungs += _rungs(watcher, known, tone, (stops, u), clip)
    if len(watchers) > 1 and (why := not_held(rungs)):
        return Ladder(None, f"The ladder is left out, the exposure was not held: {why}.", limit)
    found = range_of(rungs, limit, tone)
    if found is None and len(watchers) > 1:
        return Ladder(
            None,
            f"The ladder does not reach down to SNR {limit:g} on one even curve; take more light "
            "away, in steps of a stop.",
            limit,
        )
    most = found is not None and (taken or not found.resolved)
    note = (
        "The encoder took of the noise in the darks: the dynamic range of the camera is at most "
        "that of the file. A higher bit rate tells more."
    )
    if found is not None and not most:
        lost = coding_part(trouble)
        # Near the limit SNR goes with the light: 6.02 dB a stop.
        part = replace(lost, sensitivity=1 / _DECIBELS)
        found = replace(found, parts=(*found.parts, part))
    return Ladder(found, note if most else "", limit, most)


def _rungs(
    watcher: NoiseFrames,
    patches: Sequence[GreyPatch],
    tone: Tone,
    light: tuple[float, float],
    clip: int,
) -> list[Rung]:
    if watcher.stage is None or watcher.count < 4:
        raise CannotMeasure("A clip of the ladder is too short.", "Record ten seconds of each.")
    if clip:  # the first is looked at anyway
        check_still(watcher)
    how = tone.light(watcher.stage)
    found = []
    for one in patches:
        density, u_density = one.density or (0.0, 0.0)
        stops = light[0] - _STOPS * density, math.hypot(light[1], _STOPS * u_density)
        name = f"{one.name}, clip {clip + 1}" if clip else one.name
        found.append(rung_of(name, watcher.luma(one.box), stops, how, clip))
    return found


def ladder_figure(ladder: Ladder) -> tuple[Figure, ...]:
    """Return signal over noise down the ladder, where it reaches the limit."""
    found = ladder.found
    if found is None:
        return ()
    rows = [
        (found.bright - stops, 20 * math.log10(ratio)) for stops, ratio in found.snr if ratio > 0
    ]
    return (
        Figure(
            "ladder",
            "Signal over noise down the ladder",
            "Where the line sinks to the limit, the darks drown.",
            {"below": [round(x, 3) for x, _ in rows], "snr": [round(y, 2) for _, y in rows]},
            Axis("below", "below clipping", "stops"),
            Axis("snr", "signal over noise, of the scene", "dB"),
            (
                Mark("line", y="snr"),
                Mark("points", y="snr"),
                Mark("rule", value=round(20 * math.log10(ladder.limit), 2), label="limit"),
                Mark("rule", value=round(found.stops, 3), across="x", label="dynamic range"),
            ),
        ),
    )
