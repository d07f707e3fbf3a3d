"""Run of `continuity`: what it asks to see, and what it concludes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from seeworthy.clock.code import RANGE_MS
from seeworthy.clock.ends import EndWatch
from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.results import Outcome
from seeworthy.media.frames import Part
from seeworthy.procedures.continuity.answers import (
    cut_sentence,
    figures,
    findings,
    hidden_losses,
    overlap,
    pictures,
    results,
    sentence,
)
from seeworthy.procedures.continuity.cuts import RECOVER, cut_results, held_words
from seeworthy.procedures.continuity.files import (
    Recording,
    byte_rate,
    check_alike,
    in_order,
    read_recording,
)
from seeworthy.procedures.continuity.joints import (
    File,
    Joint,
    agree,
    ask_metadata,
    ask_sound,
    by_clock,
    joints_of,
    lay_out,
)
from seeworthy.procedures.continuity.measure import ByMetadata
from seeworthy.procedures.declare import Inputs, Seen, Watch

_END = 1.6  # seconds looked at on either side of a joint


def prepare(inputs: Inputs) -> Sequence[Watch]:
    """Ask for the first and last seconds of every file that opens."""
    recording = read_recording(inputs.all_files())
    too_few = len(recording.files) + len(recording.unfinished) < 2 or not recording.files
    if inputs.all_files() and too_few:
        raise CannotMeasure(_too_few(recording), "Give all files of one long recording.")
    if inputs.option("mixed") != "yes":
        check_alike(recording.files)
    parts = (Part(0.0, _END), Part(-_END, _END))
    return [Watch(f.source, EndWatch(), (part,)) for f in recording.files for part in parts]


def conclude(inputs: Inputs, seen: Seen) -> Outcome:
    """Put the files in order and say what lies between them."""
    recording = read_recording(inputs.all_files())
    cuts = bool(inputs.all_files("cut") or inputs.reading("cuts"))
    if not inputs.all_files() and not cuts:
        raise WrongCall(
            "'continuity' needs the files of one recording, or those of a power-cut test (cut=).",
            "See `seeworthy procedures continuity`.",
        )
    found = _recording(inputs, recording, seen) if inputs.all_files() else Outcome()
    if not cuts:
        return found
    more, told, warnings = cut_results(inputs, byte_rate(recording))
    text = f"{found.sentence} {cut_sentence(more, told)}".strip()
    return Outcome(
        (*found.results, *more),
        {**found.findings, **told},
        (*found.warnings, *warnings),
        found.pictures,
        found.figures,
        found.method,
        text,
    )


def _recording(inputs: Inputs, recording: Recording, seen: Seen) -> Outcome:
    watches: list[Any] = [w.observer for w in seen.watches]
    ends = zip(recording.files, watches[::2], watches[1::2], strict=True)
    files = [by_clock(f, head, tail) for f, head, tail in ends]
    lay_out(files, RANGE_MS / 1e3)
    starts = [f.start.time for f in files if f.start is not None]
    order, told = in_order(recording.files, starts if len(starts) == len(files) else None)
    files = [files[i] for i in order]
    joints = joints_of(files)
    warnings = _order_warnings(recording, order, told)
    stamps = ask_metadata(joints) if joints else None
    recorders = inputs.all_files("recorder")
    ask_sound(joints, recorders[0] if recorders else None)
    _check(joints)
    warnings += _warnings(recording, files, joints, stamps)
    agreed = agree(joints)
    if agreed is False:
        warnings.append(
            "Clock, sound and metadata contradict each other: look at the joints, and do not trust "
            "a gap until they agree."
        )
    measured = results(files, joints, stamps, bool(recording.unfinished))
    return Outcome(
        tuple(measured),
        findings(recording, files, joints, told, agreed),
        tuple(warnings),
        pictures(files, joints, {f.source: w for f, w in _tails(recording, watches)}),
        figures(joints),
        next((j.witness for j in joints if j.witness), "") or "",
        sentence(files, measured, overlap(joints)),
    )


def _tails(recording: Recording, watches: Sequence[Any]) -> Any:
    return zip(recording.files, zip(watches[::2], watches[1::2], strict=True), strict=True)


def _too_few(recording: Recording) -> str:
    if recording.unfinished and not recording.files:
        return "None of the files was finalised; `recover` can rebuild them from a good clip."
    return "One file has no joint: a gap lies between two files of one recording."


def _check(joints: Sequence[Joint]) -> None:
    """Refuse files that were recorded at the same time.

    Raises:
        CannotMeasure: Two files overlap by more than half: two cameras, or two recordings.
    """
    for joint in joints:
        if joint.witness is None:
            continue
        gap, u = joint.said[joint.witness]
        shorter = min(float(f.picture.seconds) for f in (joint.before, joint.after))
        if gap + 3 * u < -0.5 * shorter:
            raise CannotMeasure(
                f"'{joint.before.source.name}' and '{joint.after.source.name}' were recorded at "
                f"the same time (by the {joint.witness} they overlap by {-gap:.1f} s).",
                "Give the files of one camera and one recording only.",
            )


def _order_warnings(recording: Recording, order: Sequence[int], told: str) -> list[str]:
    if list(order) == sorted(order):
        return []
    names = ", ".join(recording.files[i].source.name for i in order)
    return [f"The files were not given in order; sorted by {told}: {names}."]


def _warnings(
    recording: Recording, files: Sequence[File], joints: Sequence[Joint], stamps: ByMetadata | None
) -> list[str]:
    rate = byte_rate(recording)
    said = [
        f"'{broken.source.name}' was never finalised: {held_words(broken.source, rate)}. "
        f"{RECOVER.format(name=broken.source.name)}."
        for broken in recording.unfinished
    ]
    said += [
        f"'{f.ends.source.name}' opens, but its recorder did not close it."
        for f in files
        if f.ends.finalised is False
    ]
    said += [
        f"{lost:.2f} s are missing inside '{name}' that its time stamps do not show."
        for name, lost in hidden_losses(files)
    ]
    silent = [j for j in joints if j.witness is None]
    if silent:
        said.append(
            f"At {len(silent)} of {len(joints)} joints nothing tells the gap: no clock in the "
            "picture, no sound that fits, no creation time. Film the bench clock (`seeworthy "
            "target clock`)."
        )
    if stamps is not None and not any("clock" in j.said or "sound" in j.said for j in joints):
        said.append(
            f"The gaps rest on creation times in steps of {stamps.resolution:.0f} s: a single "
            "gap is known to a second only, their mean better. Film the bench clock for more."
        )
    for joint in joints:
        if joint.witness and joint.said[joint.witness][0] > max(
            60.0, 0.5 * float(joint.before.picture.seconds)
        ):
            said.append(
                f"Between '{joint.before.source.name}' and '{joint.after.source.name}' lie "
                f"{joint.said[joint.witness][0]:.0f} s: most likely a new recording, not a joint."
            )
    return said
