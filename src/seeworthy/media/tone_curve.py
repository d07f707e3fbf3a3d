"""A measured tone curve (OECF, ISO 14524): what a camera really did to light, with its doubt.

A curve is kept over the light that the file's tag makes of the code values: a stop by the tag is
so many stops of the scene. Where it was not measured it goes on as the tag has it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import UnreadableInput
from seeworthy.media.transfer import Transfer

if TYPE_CHECKING:
    from seeworthy.media.frames import Stage
    from seeworthy.media.source import Source

KIND = "oecf"
"""The ``kind`` of the data that an outcome carries."""

_LARGEST = 4_000_000
"""Bytes of a file that is read as JSON; one measured curve is about 10 000."""
_MOST_KNOTS = 200  # a ladder has some twenty; guards the reader
_WIDEST = 65_535  # px: what the headers of H.264 and JPEG can say; guards the reader
_RATE = 0.01
"""Share by which frame rates may differ and still be one mode: 29.97 and 30 do by 0.001."""
_FINE = 4096
"""Points of the table between which fractional signals are read."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mode:
    """What a curve was measured in, and holds for.

    Attributes:
        width, height: Of the stored frame.
        rate: Frames a second, 0 for stills or where the file does not say.
        transfer, range: The tags that the curve stands on, as `Light` has them.
    """

    width: int
    height: int
    rate: float
    transfer: str
    range: str

    @classmethod
    def of(cls, stage: Stage, transfer: str, span: str) -> Mode:
        """Return the mode of a clip."""
        return cls(stage.width, stage.height, float(stage.nominal_rate or 0), transfer, span)

    def unlike(self, other: Mode) -> bool:
        """Tell whether a curve of this mode says nothing of the other."""
        mine = (self.width, self.height, self.transfer, self.range)
        if mine != (other.width, other.height, other.transfer, other.range):
            return True
        return abs(self.rate - other.rate) > _RATE * max(self.rate, other.rate)

    def __str__(self) -> str:
        rate = f" at {self.rate:.4g} frames a second" if self.rate else ""
        return f"{self.width}×{self.height} px{rate}, tagged {self.transfer}, {self.range} range"


@dataclass(frozen=True, eq=False)
class ToneCurve:
    """Stops of the scene over stops by the tag.

    Attributes:
        tag: log2 of the light by the tag, rising, 0 at white.
        scene: log2 of the scene's light there, rising, 0 at white.
        covariance: Of `scene` at `at`; between them errors are interpolated.
        at: log2 of the light by the tag.
        seen: Between which darkest and brightest light by the tag, log2, steps were seen.
        name: Where it comes from, as a person says it ("take 12").
    """

    mode: Mode
    tag: Floats
    scene: Floats
    at: Floats
    covariance: Floats
    seen: tuple[float, float]
    name: str = ""

    def light(self, by_tag: npt.ArrayLike) -> Floats:
        """Return the scene's light of light by the tag; below and above the curve in proportion."""
        x = np.asarray(by_tag, np.float64)
        low, high = 2.0 ** self.tag[0], 2.0 ** self.tag[-1]
        inside = np.log2(np.clip(x, low, high))
        out = 2.0 ** self._spline(inside)
        ratio = np.where(x < low, x / low, np.where(x > high, x / high, 1.0))
        return np.asarray(out * ratio)

    def by_tag(self, light: npt.ArrayLike) -> Floats:
        """Return the light by the tag of the scene's light: `light` backwards."""
        y = np.asarray(light, np.float64)
        low, high = 2.0 ** self.scene[0], 2.0 ** self.scene[-1]
        fine = np.linspace(self.tag[0], self.tag[-1], _FINE)
        found = 2.0 ** np.interp(np.log2(np.clip(y, low, high)), self._spline(fine), fine)
        ratio = np.where(y < low, y / low, np.where(y > high, y / high, 1.0))
        return np.asarray(found * ratio)

    @cached_property
    def _spline(self) -> Any:
        from scipy.interpolate import PchipInterpolator

        return PchipInterpolator(self.tag, self.scene)

    def transfer(self, tag: Transfer) -> Transfer:
        """Return the transfer function of the camera where the file names `tag`."""
        low, high = -0.1, 1.2  # signals of codes 0 and 255 in limited range lie between
        fine = np.linspace(low, high, _FINE)
        table = self.light(tag.decode(fine))

        def decode(signal: Floats) -> Floats:
            return np.asarray(np.interp(signal, fine, table))

        return Transfer(f"{tag.name}, measured", decode, lambda x: tag.encode(self.by_tag(x)))

    def u_between(self, bright: float, dark: float) -> float:
        """Return the standard uncertainty, in stops, of the ratio of two of the scene's lights.

        Args:
            bright, dark: Linear light by this curve, above zero.
        """
        low = 2.0 ** (self.tag[0] - 8)
        ends = np.log2(np.maximum(self.by_tag([max(bright, low), max(dark, low)]), low))
        weights = self._hats(float(ends[0])) - self._hats(float(ends[1]))
        return math.sqrt(max(float(weights @ self.covariance @ weights), 0.0))

    def _hats(self, x: float) -> Floats:
        """Weights of linear interpolation at log2 of light by the tag."""
        return np.array([np.interp(x, self.at, row) for row in np.eye(len(self.at))])

    def covers(self, light: float) -> bool:
        """Tell whether steps were seen on both sides of this light."""
        x = math.log2(max(float(self.by_tag(light)), 1e-9))
        return self.seen[0] - 0.5 <= x <= self.seen[1] + 0.5

    def to_json(self) -> dict[str, Any]:
        """Return it as plain JSON values, as an outcome carries it."""
        m = self.mode
        return {
            "kind": KIND,
            "size": [m.width, m.height],
            "rate": round(m.rate, 4),
            "tag": m.transfer,
            "range": m.range,
            "stops_by_tag": [round(float(v), 4) for v in self.tag],
            "stops": [round(float(v), 5) for v in self.scene],
            "covariance_at": [round(float(v), 4) for v in self.at],
            "covariance": [[round(float(v), 9) for v in row] for row in self.covariance],
            "seen": [round(v, 4) for v in self.seen],
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any], name: str) -> ToneCurve:
        """Read what `to_json` wrote.

        Raises:
            UnreadableInput: Not such data, or not a curve.
        """
        try:
            mode = Mode(
                int(data["size"][0]), int(data["size"][1]), float(data["rate"]),
                str(data["tag"]), str(data["range"]),
            )  # fmt: skip
            tag, scene, at = (_row(data[k]) for k in ("stops_by_tag", "stops", "covariance_at"))
            covariance = np.array([_row(r) for r in data["covariance"]])
            seen = _row(data["seen"])
        except (LookupError, TypeError, ValueError, OverflowError):
            raise _no_curve(name) from None
        right = (
            data.get("kind") == KIND
            and 0 < mode.width <= _WIDEST
            and 0 < mode.height <= _WIDEST
            and math.isfinite(mode.rate)
            and tag.shape == scene.shape
            and len(seen) == 2
            and covariance.shape == (len(at), len(at))
            and bool((np.diff(tag) > 0).all() and (np.diff(at) > 0).all())
            and bool((np.diff(scene) > 0).all())
            and bool((np.diag(covariance) >= 0).all())
            and float(np.abs(tag).max()) < 60
            and float(np.abs(scene).max()) < 60
        )
        if not right:
            raise _no_curve(name)
        return cls(mode, tag, scene, at, covariance, (float(seen[0]), float(seen[1])), name)


def _row(values: Sequence[Any]) -> Floats:
    row = np.array([float(v) for v in values])
    if not (2 <= len(row) <= _MOST_KNOTS and np.isfinite(row).all()):
        raise ValueError("no row of numbers")
    return row


def _no_curve(name: str) -> UnreadableInput:
    return UnreadableInput(
        f"'{name}' holds no measured tone curve.",
        "Keep what `seeworthy measure oecf CLIP --json` prints, and give that file as oecf=.",
    )


def read_curve(source: Source) -> ToneCurve:
    """Read a curve from what ``measure oecf --json`` printed.

    Raises:
        UnreadableInput
    """
    if source.size > _LARGEST:
        raise _no_curve(source.name)
    try:
        data = json.loads(source.path.read_bytes())
        held = data.get("correction", data)
        if not isinstance(held, Mapping):
            raise TypeError
    except (ValueError, AttributeError, TypeError, RecursionError):
        raise _no_curve(source.name) from None
    return ToneCurve.from_json(held, source.name)
