"""What a correction is made of, read from the ``correction`` of an outcome."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import UnreadableInput, WrongCall
from seeworthy.optics.lens import COEFFICIENTS, LensCamera

_WIDEST = 65_535
"""Pixels; the largest side that the headers of JPEG and of most clips can state."""

Floats = npt.NDArray[np.float64]
_SPOT_MOST = 3.0
"""Stops; no gain is larger (`gain_map.CAP`)."""

Kind = Literal["lens", "shading", "colour", "dark"]
KINDS: tuple[Kind, ...] = ("lens", "shading", "colour", "dark")


@dataclass(frozen=True, slots=True)
class DataOrigin:
    """Where a correction comes from.

    Attributes:
        text: Which file or take, in words.
        hashes: SHA-256 of the files that it was fitted to.
    """

    text: str
    hashes: tuple[str, ...] = ()

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class LensData:
    """A lens model with the frame it holds for.

    Attributes:
        reach: How far out it was seen, 1 is the frame's corner.
    """

    camera: LensCamera
    reach: float
    origin: DataOrigin

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the frame, px."""
        return self.camera.width, self.camera.height


@dataclass(frozen=True, slots=True)
class SpotData:
    """A hot spot: a round Gaussian.

    Attributes:
        x, y, size: Place and full width at half height, px.
        stops: By which its middle is too bright, per channel.
    """

    x: float
    y: float
    size: float
    stops: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class ShadingData:
    """A gain in linear light at the centres of cells that span the frame.

    Attributes:
        size: (width, height)
        gain: array (rows, columns, 3)
        cap: No gain was allowed to be larger.
        capped: Share of the cells that would have needed more.
        spot: The camera's hot spot, on top of the gain; None where there is none to mend.
        spot_left: There is one that may be the wall's.
    """

    size: tuple[int, int]
    gain: Floats
    cap: float
    capped: float
    origin: DataOrigin
    spot: SpotData | None = None
    spot_left: bool = False


@dataclass(frozen=True, slots=True)
class ColourData:
    """``rgb_out = matrix @ (exposure · rgb_in)`` in linear light of the BT.709 primaries."""

    matrix: Floats
    exposure: float
    origin: DataOrigin

    @property
    def product(self) -> Floats:
        """The matrix with the exposure in it."""
        return np.asarray(self.matrix * self.exposure)


@dataclass(frozen=True, slots=True)
class DarkData:
    """Pixels that glow in the dark.

    Attributes:
        places: x, y, px from the middle of the top left pixel.
    """

    size: tuple[int, int]
    places: tuple[tuple[int, int], ...]
    origin: DataOrigin


@dataclass(frozen=True, slots=True)
class RollingData:
    """When rows are read, and what they see.

    Attributes:
        readout: s from the first row to the last; negative when read from the bottom; None where
            only the gyroscope's log can tell.
        view: Angle of view across, rad, for clips without a lens result; None where unknown.
        gyro: The log of the camera's gyroscope; without it the clip's own motion counts.
    """

    readout: float | None
    view: float | None
    origin: DataOrigin
    gyro: Path | None = None


Part = LensData | ShadingData | ColourData | DarkData


@dataclass(frozen=True, slots=True)
class StampData:
    """Where something is burned into the clip itself: x, y, width, height in px."""

    boxes: tuple[tuple[int, int, int, int], ...]


@dataclass(frozen=True, slots=True)
class Corrections:
    """What shall be mended; None where there is nothing.

    Attributes:
        rolling: Moves the rows of every frame by the clip's own motion.
        fill_stamp: Look for a burned-in stamp and fill it.
    """

    lens: LensData | None = None
    shading: ShadingData | None = None
    colour: ColourData | None = None
    dark: DarkData | None = None
    rolling: RollingData | None = None
    fill_stamp: bool = False

    def any(self) -> bool:
        """Tell whether there is anything to do."""
        return bool(self.kinds()) or self.rolling is not None or self.fill_stamp

    def kinds(self) -> tuple[Kind, ...]:
        """Return the kinds that are there."""
        return tuple(kind for kind in KINDS if getattr(self, kind) is not None)

    @classmethod
    def of(cls, *parts: Part) -> Corrections:
        """Put corrections together; of two of one kind the first counts."""

        def first(wanted: type[Any]) -> Any:
            return next((part for part in parts if isinstance(part, wanted)), None)

        return cls(first(LensData), first(ShadingData), first(ColourData), first(DarkData))

    def parts(self) -> tuple[Part, ...]:
        """Return the corrections that are there."""
        every = (self.lens, self.shading, self.colour, self.dark)
        return tuple(p for p in every if p is not None)

    def only(self, kind: Kind) -> Corrections:
        """Return these corrections with all but one kind left out."""
        return Corrections.of(getattr(self, kind))


def read_file(path: str | Path, kind: Kind) -> Part:
    """Read a correction from what ``seeworthy measure … --json`` printed.

    Raises:
        UnreadableInput: No such file, or not JSON.
        WrongCall: JSON without a correction, or with one of another kind.
    """
    p = Path(path)
    document = read_json(p, kind)
    found = _correction_in(document)
    if found is None:
        raise WrongCall(_why_none(document, p.name), how(kind))
    if _kind(found) != kind:
        raise WrongCall(
            f"'{p.name}' corrects {_kind(found)}, not {kind}.",
            f"Give it to another flag; {how(kind)}",
        )
    return parse(found, _origin(document, p.name))


def read_json(path: Path, kind: str) -> Any:
    """Read what ``seeworthy measure KIND … --json`` printed.

    Raises:
        UnreadableInput: No such file, or not JSON.
    """
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UnreadableInput(
            f"'{path}' cannot be read: {error.strerror}.", "Check the spelling and the folder."
        ) from None
    except (ValueError, RecursionError):
        raise UnreadableInput(
            f"'{path.name}' is not JSON.",
            f"Write it with `seeworthy measure {kind} FILE --json > {kind}.json`.",
        ) from None


def _origin(document: Mapping[str, Any], name: str) -> DataOrigin:
    inputs = document.get("inputs")
    files = [f for f in inputs if isinstance(f, Mapping)] if isinstance(inputs, list) else []
    names = ", ".join(str(f.get("file", "")) for f in files)
    return DataOrigin(
        f"{name} ({names})" if names else name, tuple(str(f.get("sha256")) for f in files)
    )


def how(kind: str) -> str:
    """Say how a correction is written."""
    return f"`seeworthy measure {kind} FILE --json > {kind}.json` writes what is needed."


def _correction_in(document: Any) -> Mapping[str, Any] | None:
    if not isinstance(document, Mapping):
        return None
    found = document if "kind" in document else document.get("correction")
    return found if isinstance(found, Mapping) else None


def _why_none(document: Any, name: str) -> str:
    if isinstance(document, Mapping) and isinstance(document.get("error"), Mapping):
        return f"'{name}' holds a refusal: {document['error'].get('message', '')}"
    if isinstance(document, Mapping) and "procedure" in document:
        return f"'{name}' holds results of {document['procedure']}, and nothing that corrects."
    return f"'{name}' holds no correction."


def _kind(found: Mapping[str, Any]) -> Any:
    kind = found.get("kind")
    return "dark" if kind == "hot-pixels" else kind


def kind_of(found: Mapping[str, Any]) -> Kind | None:
    """Return which kind the ``correction`` of an outcome is; None of none or an unknown one."""
    kind = _kind(found)
    return kind if kind in KINDS else None


def parse(found: Mapping[str, Any], origin: DataOrigin) -> Part:
    """Check and wrap the ``correction`` of an outcome.

    Raises:
        WrongCall: Fields are missing or have no meaning.
    """
    try:
        if found["kind"] == "lens":
            return _lens(found, origin)
        if found["kind"] == "shading":
            return _shading(found, origin)
        if found["kind"] == "colour":
            return _colour(found, origin)
        if found["kind"] == "hot-pixels":
            return _dark(found, origin)
    except (KeyError, TypeError, ValueError, OverflowError, IndexError) as error:
        raise WrongCall(
            f"The correction of '{origin}' cannot be used: {error}.", "Measure it again."
        ) from None
    raise WrongCall(f"'{origin}' corrects {found['kind']}, which is not known here.")


def _size(found: Mapping[str, Any]) -> tuple[int, int]:
    width, height = (int(v) for v in found["size"])
    if not (2 <= width <= _WIDEST and 2 <= height <= _WIDEST):
        raise ValueError("no frame has that size")
    return width, height


def _numbers(values: Any, shape: tuple[int, ...]) -> Floats:
    array = np.asarray(values, np.float64)
    if array.shape != shape or not np.isfinite(array).all():
        many = " by ".join(map(str, shape))
        raise ValueError(f"{many} numbers were expected, all of them finite")
    return array


def _finite(value: Any) -> float:
    number = float(value)
    if not np.isfinite(number):
        raise ValueError("a number is not finite")
    return number


def _lens(found: Mapping[str, Any], origin: DataOrigin) -> LensData:
    kind = found["model"]
    if kind not in COEFFICIENTS:
        raise ValueError(f"the lens model '{kind}' is not known")
    fx, fy, cx, cy = (float(v) for v in _numbers(found["matrix"], (4,)))
    if fx <= 0 or fy <= 0:
        raise ValueError("a focal length is not positive")
    k = _numbers(found["distortion"], (len(COEFFICIENTS[kind]),))
    camera = LensCamera(kind, *_size(found), fx, fy, cx, cy, tuple(float(v) for v in k))
    return LensData(camera, _finite(found.get("reach", 1.0)), origin)


def _shading(found: Mapping[str, Any], origin: DataOrigin) -> ShadingData:
    columns, rows = (int(v) for v in found["grid"])
    if not (4 <= columns <= _WIDEST and 4 <= rows <= _WIDEST):
        raise ValueError("the grid is too coarse, or finer than a picture")
    gain = _numbers(found["gain"], (3, rows * columns))
    if gain.min() < 0 or not gain.max() > 0:
        raise ValueError("a gain is negative")
    cap = _finite(found.get("cap", max(8.0, gain.max())))
    capped = _finite(found.get("capped", 0.0))
    shape, size = gain.T.reshape(rows, columns, 3), _size(found)
    spot, left = _spot(found.get("spot")), "spot_left" in found
    return ShadingData(size, shape, cap, capped, origin, spot, left)


def _spot(found: Mapping[str, Any] | None) -> SpotData | None:
    if found is None:
        return None
    red, green, blue = (float(v) for v in _numbers(found["stops"], (3,)))
    size = _finite(found["size_px"])
    if not size > 0 or max(abs(red), abs(green), abs(blue)) > _SPOT_MOST:
        raise ValueError("a hot spot of that size or strength cannot be")
    return SpotData(_finite(found["x"]), _finite(found["y"]), size, (red, green, blue))


def _colour(found: Mapping[str, Any], origin: DataOrigin) -> ColourData:
    matrix = _numbers(found["matrix"], (3, 3))
    exposure = _finite(found.get("exposure", 1.0))
    if not exposure > 0 or abs(np.linalg.det(matrix)) < 1e-6:
        raise ValueError("the colour matrix cannot be right")
    return ColourData(matrix, exposure, origin)


def _dark(found: Mapping[str, Any], origin: DataOrigin) -> DarkData:
    width, height = size = _size(found)
    places = tuple((round(_finite(x)), round(_finite(y))) for x, y, *_ in found["places"])
    if not all(0 <= x < width and 0 <= y < height for x, y in places):
        raise ValueError("a hot pixel lies outside the frame")
    return DarkData(size, places, origin)
