"""Timing study: faults rendered at known frames, through H.264 at 7 Mbit/s, and found again.

Every faulty frame is one trial: ``right`` is the share found by number. Every sound
clip is one trial per kind of fault that must find nothing.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from seeworthy.ground.results import Outcome
from seeworthy.ground.uncertainty import coverage_factor
from seeworthy.media.source import Source
from seeworthy.procedures.declare import Inputs
from seeworthy.procedures.study import Goal, Study, Trial
from seeworthy.procedures.timing import PROCEDURE
from seeworthy.procedures.timing.measure import read_stamps
from seeworthy.virtual.faults import (
    CAMERA_LIKE,
    FaultPlan,
    erase,
    low_light_rates,
    overwrite,
    render,
)
from seeworthy.virtual.scene_plain import PlainScene

_SLOTS = 150
_REORDERED = {"bf": "2", "g": "60"}
_KINDS = ("dropped_frames", "duplicated_frames", "corrupt_frames")


def run(repeats: int, seed: int) -> Iterator[Trial]:
    """Yield the trials of every group; ten clips per repeat, and stamps alone."""
    with tempfile.TemporaryDirectory() as folder:
        for k in range(repeats):
            rng = np.random.default_rng((seed, k))
            path = Path(folder) / "clip.mp4"
            yield from _moving(path, rng)
            yield from _moving_reordered(path, rng)
            yield from _still_with_repeats(path, rng)
            yield from _sound_clips(path, rng)
    yield from _stamps_alone(max(100, 10 * repeats), seed)


@dataclass(frozen=True)
class _Seen:
    """What timing said of one clip, as sets of frame numbers."""

    outcome: Outcome

    def at(self, kind: str) -> list[int]:
        """Frames reported."""
        found: dict[str, Any] = self.outcome.findings[kind]
        return list(found["at"])

    def open(self, kind: str, frame: int) -> bool:
        """Tell whether a frame lies in a span named as undecidable."""
        spans = self.outcome.findings["undecidable"][kind]
        return any(s["first"] <= frame <= s["last"] for s in spans)


def _look(path: Path) -> _Seen:
    return _Seen(PROCEDURE.run(Inputs({"": (Source.of(path),)})))


def _found(group: str, kind: str, wanted: Sequence[int], seen: _Seen) -> Iterator[Trial]:
    """One trial per faulty frame, and one for what was invented besides."""
    reported = seen.at(kind)
    for frame in sorted(set(wanted)):
        due, got = wanted.count(frame), reported.count(frame)
        value = 1.0 if got >= due else None
        yield Trial(group, f"{kind}, found", 1.0, value, refused="" if value else "missed")
    false = [f for f in reported if reported.count(f) > wanted.count(f)]
    yield _nothing(group, kind, false)


def _nothing(group: str, kind: str, false: Sequence[int]) -> Trial:
    value = float(len(false)) if false else None
    return Trial(group, f"{kind}, none invented", 0.0, value, should_refuse=True)


def _pick(rng: np.random.Generator, count: int) -> list[int]:
    places = np.arange(4, _SLOTS - 4)
    return sorted(int(p) for p in rng.choice(places, count, replace=False))


def _moving(path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """A slow or fast pan with everything wrong with it."""
    slots = _pick(rng, 15)
    rng.shuffle(slots)
    jitter = float(rng.choice([0.0, 1e-3, 3e-3]))
    plan = FaultPlan(
        _SLOTS,
        rate=Fraction(str(rng.choice(["30", "30000/1001", "60"]))),
        dropped=frozenset(slots[:6]),
        repeated=frozenset(slots[6:]),
        jitter=jitter,
        seed=int(rng.integers(1 << 30)),
    )
    scene = PlainScene(
        speed=float(rng.uniform(1.0, 9.0)), noise=float(rng.uniform(0.5, 4.0)), seed=plan.seed
    )
    truth = render(path, scene, plan)
    seen = _look(path)
    group = "pan, camera-like encoder: lost frames"
    off_key = [f for f in truth.repeated if f not in truth.keys]
    yield from _found(group, "dropped_frames", truth.dropped, seen)
    # A repeat at a key frame that is seen nevertheless is right, not invented.
    at_key = [f for f in truth.repeated if f in truth.keys]
    reported = [f for f in seen.at("duplicated_frames") if f not in at_key]
    repeats = "pan, camera-like encoder: repeats off key frames"
    yield from _found(repeats, "duplicated_frames", off_key, _only(seen, reported))
    yield _nothing(repeats, "corrupt_frames", seen.at("corrupt_frames"))
    if jitter:
        rate = seen.outcome.results[0]
        exact = (truth.frames - 1) / (_SLOTS - 1) * float(plan.rate)
        if not (0 in plan.dropped or _SLOTS - 1 in plan.dropped):
            yield Trial(
                "pan, camera-like encoder: rate",
                "frame_rate",
                exact,
                rate.value,
                rate.u,
                rate.interval[0],
                rate.interval[1],
            )
    yield from _damaged(path, rng, truth.frames, truth.keys)


def _only(seen: _Seen, frames: list[int], kind: str = "duplicated_frames") -> _Seen:
    findings = dict(seen.outcome.findings)
    findings[kind] = {"count": len(frames), "at": frames}
    return _Seen(Outcome(findings=findings))


def _damaged(
    path: Path, rng: np.random.Generator, frames: int, keys: Sequence[int]
) -> Iterator[Trial]:
    """Overwrite and erase the data of some frames of a finished clip."""
    off_key = [f for f in range(2, frames) if f not in keys]
    chosen = sorted(int(f) for f in rng.choice(off_key, 6, replace=False))
    bad = overwrite(
        path, chosen[:4], length=int(rng.integers(16, 200)), seed=int(rng.integers(1 << 30))
    )
    gone = erase(path, chosen[4:])
    seen = _look(path)
    # What is predicted from a damaged picture looks damaged up to the next key frame; the
    # decoder flags it or not. Either is right.
    spoilt = {g for f in [*bad, *gone] for g in range(f + 1, _next_key(f, keys, frames))}
    reported = [f for f in seen.at("corrupt_frames") if f not in spoilt or f in {*bad, *gone}]
    yield from _found(
        "pan, bytes overwritten or erased",
        "corrupt_frames",
        [*bad, *gone],
        _only(seen, reported, "corrupt_frames"),
    )


def _next_key(frame: int, keys: Sequence[int], frames: int) -> int:
    return min((k for k in keys if k > frame), default=frames)


def _moving_reordered(path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """Hand-held sway through an encoder with bidirectional frames."""
    plan = FaultPlan(
        _SLOTS, repeated=frozenset(_pick(rng, 8)), seed=int(rng.integers(1 << 30)), jitter=1e-3
    )
    scene = PlainScene(
        motion="sway", speed=float(rng.uniform(2, 6)), noise=float(rng.uniform(0.5, 3)),
        seed=plan.seed,
    )  # fmt: skip
    truth = render(path, scene, plan, options=_REORDERED)
    yield from _decidable(
        "hand-held, bidirectional frames: repeats", truth.repeated, truth.keys, path
    )


def _still_with_repeats(path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """A tripod scene whose noise alone tells one picture from the next."""
    plan = FaultPlan(_SLOTS, repeated=frozenset(_pick(rng, 8)), seed=int(rng.integers(1 << 30)))
    scene = PlainScene(motion="still", noise=float(rng.uniform(1.0, 5.0)), seed=plan.seed)
    truth = render(path, scene, plan)
    yield from _decidable(
        "still, sensor noise: repeats where decidable", truth.repeated, truth.keys, path
    )


def _decidable(
    group: str, repeated: Sequence[int], keys: Sequence[int], path: Path
) -> Iterator[Trial]:
    """Repeats off key frames: found where decidable; how many are decidable."""
    seen = _look(path)
    reported = [f for f in seen.at("duplicated_frames") if not (f in repeated and f in keys)]
    off_key = [f for f in repeated if f not in keys]
    sure = [f for f in off_key if f in reported or not seen.open("duplicated", f)]
    yield from _found(group, "duplicated_frames", sure, _only(seen, reported))
    for frame in off_key:
        yield Trial(
            f"{group.split(':')[0]}: share decidable",
            "duplicated_frames",
            1.0,
            1.0 if frame in sure else None,
        )
    yield _nothing(group, "dropped_frames", seen.at("dropped_frames"))


def _sound_clips(path: Path, rng: np.random.Generator) -> Iterator[Trial]:
    """Clips without a fault, of the kinds that tempt a careless measure."""
    seed = int(rng.integers(1 << 30))
    plan = FaultPlan(_SLOTS, seed=seed)
    noise = float(rng.uniform(1.0, 5.0))
    spells = [(50, 30.0), (30, 24.0), (40, 15.0), (1000, float(rng.choice([20.0, 30.0])))]
    wander = low_light_rates(spells=[(1000, 22.0)], wander=0.3, seed=seed)
    low_light = low_light_rates(spells=spells)
    first, last = 20, int(rng.integers(50, 140))
    clips: tuple[tuple[str, PlainScene, FaultPlan, int], ...] = (
        ("sound: still, sensor noise", PlainScene(motion="still", noise=noise, seed=seed), plan, 7),
        ("sound: still, denoised, 2 Mbit/s", PlainScene(motion="still", noise=0.1), plan, 2),
        ("sound: fade to black", PlainScene(motion="still", noise=noise, fade=(first, last)),
         plan, 7),
        ("sound: rate steps in the dark", PlainScene(noise=4.0, seed=seed),
         FaultPlan(_SLOTS, intervals=low_light, jitter=5e-4, seed=seed), 7),
        ("sound: rate wanders in the dark", PlainScene(noise=4.0, seed=seed),
         FaultPlan(_SLOTS, intervals=wander, jitter=1e-3, seed=seed), 7),
    )  # fmt: skip
    for group, scene, clip_plan, megabits in clips:
        options = {**CAMERA_LIKE, "sc_threshold": str(rng.choice([0, 40]))}
        render(path, scene, clip_plan, bit_rate=megabits * 1_000_000, options=options)
        seen = _look(path)
        for kind in _KINDS:
            yield _nothing(group, kind, seen.at(kind))


def _stamps_alone(count: int, seed: int) -> Iterator[Trial]:
    """Intervals of rate and jitter on stamps without pictures."""
    for k in range(count):
        rng = np.random.default_rng((seed, 9, k))
        rate, jitter = float(rng.uniform(20.0, 60.0)), float(rng.choice([3e-4, 1e-3, 3e-3]))
        base = int(rng.choice([600, 1000, 15360, 90000]))
        slots = np.arange(int(rng.integers(60, 900)))
        lost = rng.choice(slots[5:-5], int(rng.integers(0, 6)), replace=False)
        kept = np.setdiff1d(slots, lost)
        seconds = kept / rate + rng.uniform(0, 0.1) + rng.normal(0.0, jitter, len(kept))
        said = read_stamps(np.rint(seconds * base).astype(np.int64), Fraction(1, base))
        truth = (len(kept) - 1) / (len(slots) - 1) * rate
        half = coverage_factor(said.dof) * said.u_rate
        yield Trial(
            "stamps alone, jittered", "frame_rate", truth, said.rate, said.u_rate,
            said.rate - half, said.rate + half,
        )  # fmt: skip
        low, high = (x * 1e3 for x in said.jitter_interval)
        yield Trial(
            "stamps alone, jittered", "frame_jitter", jitter * 1e3, said.jitter * 1e3,
            said.u_jitter * 1e3, low, high,
        )  # fmt: skip


_EVERY = Goal("right", 1.0, "every one found by number, none invented")
_MOST = Goal("right", 0.98, "98 % of repeated frames off key frames")
_NONE = Goal("right", 1.0, "none invented")

STUDY = Study(
    id="timing",
    title="Frame timing: lost, repeated and damaged frames; rate and jitter",
    run=run,
    goals={
        "pan, camera-like encoder: lost frames": (_EVERY,),
        "pan, camera-like encoder: repeats off key frames": (_MOST,),
        "pan, bytes overwritten or erased": (_EVERY,),
        "hand-held, bidirectional frames: repeats": (_MOST,),
        "still, sensor noise: repeats where decidable": (_MOST,),
        "sound: still, sensor noise": (_NONE,),
        "sound: still, denoised, 2 Mbit/s": (_NONE,),
        "sound: fade to black": (_NONE,),
        "sound: rate steps in the dark": (_NONE,),
        "sound: rate wanders in the dark": (_NONE,),
        "stamps alone, jittered": (Goal("coverage", 0.90, "95 % intervals hold the truth"),),
    },
)
