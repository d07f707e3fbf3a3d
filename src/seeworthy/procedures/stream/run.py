"""Run of `stream`: what it asks to see, and what it concludes."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np

from seeworthy.ground.budget import Component
from seeworthy.ground.digits import expanded, number
from seeworthy.ground.errors import CannotMeasure
from seeworthy.ground.results import Axis, Figure, Mark, Outcome, Result, result
from seeworthy.media.container import Facts, VideoFacts, read_facts
from seeworthy.media.frames import ColourTags
from seeworthy.media.scan import Scan
from seeworthy.observe.steadied import Steadied, SteadyingWatch
from seeworthy.procedures.declare import Inputs, Seen, Watch
from seeworthy.procedures.stream.levels import Conformity, Load, judge
from seeworthy.procedures.stream.measure import BitRates, RateSpan, bit_rates, shown_span, stretch

_TURNS = {90: "clockwise", 180: "upside down", 270: "anticlockwise"}
_CODECS = {
    "h264": "H.264", "hevc": "H.265", "vvc": "H.266", "h263": "H.263", "av1": "AV1", "vp8": "VP8",
    "vp9": "VP9", "mjpeg": "Motion JPEG", "jpeg2000": "JPEG 2000", "mpeg1video": "MPEG-1",
    "mpeg2video": "MPEG-2", "mpeg4": "MPEG-4 Part 2", "msmpeg4v1": "MPEG-4 (an early draft)",
    "msmpeg4v2": "MPEG-4 (an early draft)", "msmpeg4": "MPEG-4 (an early draft)",
    "dvvideo": "DV", "vc1": "VC-1", "ffv1": "FFV1", "prores": "ProRes", "cinepak": "Cinepak",
    "theora": "Theora", "rawvideo": "Uncompressed pictures",
}  # fmt: skip
_FASTEST = 1000  # a 'frame rate' above is only the tick of a variable-rate stream


def prepare(inputs: Inputs) -> tuple[Watch, ...]:
    """Ask for a glance at the first pictures; what the file says needs none."""
    # As many as tell of steadying are plenty for the votes of `media.scan`.
    return (Watch(inputs.file(), SteadyingWatch(), optional=True, alike="steadied"),)


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Read what the container, the headers and the packets say."""
    facts = read_facts(inputs.file())
    video, packets = facts.video, facts.video.packets
    if packets.pictures < 2:
        raise CannotMeasure(
            f"'{facts.name}' holds {packets.pictures} picture: nothing in it takes time.",
            "Film at least some seconds; a still goes to the procedures that take stills.",
        )
    tick = float(packets.time_base)
    stamps = packets.shown_stamps()
    span = shown_span(stamps, tick, _last_duration(facts))
    if span is None:
        raise CannotMeasure(
            f"The time stamps of '{facts.name}' do not advance; its frame rate cannot be known.",
            "Copy the file again from the card; if it stays so, the recorder writes no times.",
        )
    rates = bit_rates(packets.storage_seconds(), packets.size, span, tick)
    verdict = _level(video, span, rates)
    summary = seen.passes.get(inputs.file())
    scan = summary.scan if summary else None
    steadied = _steadied(seen, scan) if summary else None
    return Outcome(
        results=(results := _results(span, rates)),
        findings=_findings(facts, span, rates, verdict, scan) | _steadying(steadied),
        warnings=(*_warnings(facts, span, rates, verdict), *_held(steadied)),
        figures=(_figure(rates),) if rates.times.size else (),
        sentence=_sentence(facts, span, results[0], scan),
    )


def _steadied(seen: Seen, scan: Scan | None) -> Steadied:
    if scan is not None and not scan.whole:
        return Steadied("cannot tell", "its pictures hold two fields each")
    observer = seen.watches[0].observer
    assert isinstance(observer, SteadyingWatch)
    return observer.told()


def _steadying(told: Steadied | None) -> dict[str, Any]:
    return {
        "steadied": told.state if told else None,
        "steadied_by": told.rests_on if told else None,
    }


def _held(told: Steadied | None) -> tuple[str, ...]:
    if told is None or told.state != "yes":
        return ()
    return (
        "The camera steadies its picture: read-out time, exposure by a moving edge, lens and "
        "motion cannot be measured on such clips. Turn it off for those tests.",
    )


def _last_duration(facts: Facts) -> int:
    """Ticks for which the picture shown last is shown."""
    packets = facts.video.packets
    shown = np.flatnonzero(~packets.discard)
    stamps = packets.shown_stamps()
    if not shown.size or not stamps.size:
        return 0
    last = shown[np.argmax(packets.pts[shown])]
    length = int(packets.duration[last])
    # The second field of the last picture begins after the picture's own stamp.
    return int(packets.pts[last]) - int(stamps[-1]) + length if length else 0


def _results(span: RateSpan, rates: BitRates) -> tuple[Result, ...]:
    ends = "stamps are whole ticks, and how long the last picture is shown"
    of_ends = Component("ends of the stream", span.u, "s", source=ends)
    slope = -rates.mean_u / 1e6 / span.u if span.u > 0 else 0.0
    found = [
        result("bit_rate_mean", rates.mean / 1e6, budget=(replace(of_ends, sensitivity=slope),)),
        result("duration", span.seconds, budget=(of_ends,)),
    ]
    if rates.peak is not None and rates.peak_u is not None:
        edge = Component("ends of the fullest second", rates.peak_u / 1e6, "Mbit/s",
                         distribution="triangular", source="stamps are whole ticks")  # fmt: skip
        found.insert(1, result("bit_rate_peak", rates.peak / 1e6, budget=(edge,)))
    return tuple(found)


def _level(video: VideoFacts, span: RateSpan, rates: BitRates) -> Conformity | None:
    """Judge an H.264 stream by Table A-1 with what was measured."""
    sps, packets = video.sps, video.packets
    if sps is None:
        return None
    seconds = packets.storage_seconds()
    order = np.argsort(seconds, kind="stable")
    load = Load(
        sps.mbs_across,
        sps.mbs_down,
        packets.shown_stamps().size / span.seconds,
        max(sps.references, sps.buffered or 0),
        rates.mean,
        seconds[order],
        packets.size[order] * 8,
    )
    return judge(sps.level, sps.profile_idc, load)


def _findings(
    facts: Facts, span: RateSpan, rates: BitRates, verdict: Conformity | None, scan: Scan | None
) -> dict[str, Any]:
    video, sound, packets = facts.video, facts.sound, facts.video.packets
    return {
        "container": facts.container,
        "finalised": facts.finalised,
        "created": facts.created.isoformat() if facts.created else None,
        "fragmented": facts.fragmented,
        "codec": video.codec,
        "profile": video.profile or None,
        "level": video.level or None,
        "level_needed": verdict.needed or None if verdict else None,
        "level_conforms": verdict.conforms if verdict else None,
        "level_reasons": list(verdict.reasons) if verdict else [],
        "width_px": video.width,
        "height_px": video.height,
        "bits": video.bits,
        "pixel_format": video.pixel_format,
        "sample_aspect": _ratio(video.aspect_stream),
        "sample_aspect_container": _ratio(video.aspect_container),
        "stretch": stretch(_float(video.aspect_stream), _float(video.aspect_container)),
        "rotation": video.rotation,
        "scan": scan.words if scan else None,
        "captions": list(facts.captions),
        "colour_tags": _tags(video.tags_stream),
        "colour_tags_container": _tags(video.tags_container),
        "frames": packets.shown_stamps().size or packets.pictures,
        "frames_stated": video.frames_stated,
        "nominal_rate": _float(video.rate_average),
        "stream_rate": _plausible(video.rate_stream),
        **_order(video),
        "bit_rate_spread": _spread(rates),
        "file_bit_rate": facts.size * 8 / span.seconds / 1e6,
        "duration_stated": _float(facts.duration),
        "audio_codec": sound.codec if sound else None,
        "audio_rate": sound.rate if sound else None,
        "audio_channels": sound.channels if sound else None,
        "audio_bits": sound.bits if sound else None,
        "audio_bit_rate": sound.packets.bytes * 8 / span.seconds / 1e6 if sound else None,
    }


def _order(video: VideoFacts) -> dict[str, Any]:
    groups = video.packets.gop_lengths()
    runs = video.packets.reordered_runs()
    return {
        "gop": int(np.median(groups)) if groups.size else None,
        "gop_range": [int(groups.min()), int(groups.max())] if groups.size else None,
        "b_frames": int(runs.max()) if runs.size else 0,
    }


def _spread(rates: BitRates) -> list[float] | None:
    if not rates.window.size:
        return None
    return [float(x) / 1e6 for x in np.percentile(rates.window, [5, 50, 95])]


def _float(value: Fraction | None) -> float | None:
    return None if value is None else float(value)


def _plausible(rate: Fraction | None) -> float | None:
    return None if rate is None or rate > _FASTEST else float(rate)


def _ratio(value: Fraction | None) -> str | None:
    return None if value is None else f"{value.numerator}:{value.denominator}"


def _tags(tags: ColourTags) -> dict[str, Any]:
    return {
        "range": tags.range,
        "matrix": tags.matrix,
        "transfer": tags.transfer,
        "primaries": tags.primaries,
    }


def _warnings(
    facts: Facts, span: RateSpan, rates: BitRates, verdict: Conformity | None
) -> tuple[str, ...]:
    video = facts.video
    said = list(facts.warnings)
    if facts.finalised is False and not facts.missing_bytes:
        said.append("The recorder did not close the file; its end may be missing.")
    if verdict is not None and not verdict.conforms:
        said.append(
            f"The stream declares level {verdict.declared} and goes beyond it "
            f"({'; '.join(verdict.reasons)}): strict players may refuse it."
        )
    ratio = stretch(_float(video.aspect_stream), _float(video.aspect_container))
    if ratio is not None:
        stored = _ratio(video.aspect_stream) or "not said"
        way = "wider" if ratio > 1 else "narrower"
        said.append(
            f"Stream and container disagree about the shape of a pixel ({stored} and "
            f"{_ratio(video.aspect_container)}): some players show the picture "
            f"{abs(ratio - 1):.1%} {way} than others."
        )
    said.extend(_disagreements(facts, span))
    if rates.peak is None:
        said.append("The clip is shorter than a second: it has no peak bit rate.")
    return tuple(said)


def _disagreements(facts: Facts, span: RateSpan) -> list[str]:
    video = facts.video
    said = []
    if _contradict(video.tags_stream, video.tags_container):
        said.append("Stream and container are tagged with different colours; players may differ.")
    packets = video.packets
    if video.frames_stated and video.frames_stated != len(packets):
        said.append(
            f"The header announces {video.frames_stated} pictures, the file has {len(packets)}."
        )
    coded = video.sps
    if coded is not None and (coded.width, coded.height) != (video.width, video.height):
        said.append(
            f"The stream holds {coded.width}×{coded.height} pixels and the container shows "
            f"{video.width}×{video.height} of them: some players show the larger picture."
        )
    hidden = int(np.count_nonzero(packets.discard & ~packets.second))
    if hidden:
        said.append(
            f"The file's edit list hides {hidden} of its {packets.pictures} pictures: players do "
            "not show them, and they are not counted here."
        )
    stated = _float(facts.duration)
    if stated is not None and abs(stated - span.seconds) > max(0.5, 0.02 * span.seconds):
        said.append(
            f"The header says {stated:.2f} s, the time stamps of the pictures {span.seconds:.2f} s."
        )
    return said


def _contradict(a: ColourTags, b: ColourTags) -> bool:
    pairs = zip(
        (a.range, a.matrix, a.transfer, a.primaries),
        (b.range, b.matrix, b.transfer, b.primaries),
        strict=True,
    )
    return any(x is not None and y is not None and x != y for x, y in pairs)


def _figure(rates: BitRates) -> Figure:
    most = 600
    step = max(1, -(-rates.times.size // most))
    return Figure(
        "bit_rate",
        "Bit rate over time",
        "High seconds are what the card must keep up with; low ones hold little detail.",
        {
            "start": [round(float(t), 3) for t in rates.times[::step]],
            "rate": [round(float(w) / 1e6, 4) for w in rates.window[::step]],
        },
        Axis("start", "start of the second", "s"),
        Axis("rate", "bit rate in one second", "Mbit/s", zero=True),
        (
            Mark("line", y="rate", label="one second"),
            Mark("rule", value=rates.mean / 1e6, label="mean"),
        ),
    )


def _sentence(facts: Facts, span: RateSpan, mean: Result, scan: Scan | None) -> str:
    video = facts.video
    minutes = 1e9 / facts.size * span.seconds / 60
    # Another scene is another rate: three digits at most.
    part = max(expanded(mean.u) / mean.value, 0.1)
    spread = part * minutes
    lasts = (
        f"{number(minutes, spread)} minutes" if minutes < 180
        else f"{number(minutes / 60, spread / 60)} hours"
    )  # fmt: skip
    name = _CODECS.get(video.codec, video.codec)
    size = f"{video.width}×{video.height}"
    if scan is not None and not scan.whole:
        size += " interlaced"
    if video.rotation:
        size += f" that players turn {_TURNS.get(video.rotation, f'by {video.rotation}°')}"
    return (
        f"{name} at {size}, {number(mean.value, part * mean.value)} Mbit/s on average: "
        f"a gigabyte of the card lasts {lasts} of such a scene."
    )
