"""Code values to linear light: the one place where it happens.

Measures average, take edges and compare brightness in linear light. A clip stores code values
behind a transfer function, in limited or full range, as its tags say (ITU-T H.273); where a tag is
missing an assumption is made here and worded in `Light.assumptions` so that it reaches the report.

Luma is not luminance: `Light.linear` of a luma code value is the linear light of the grey that has
this luma. For coloured places use `linear_rgb`, which undoes matrix and transfer per channel.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from seeworthy.ground.errors import CannotMeasure
from seeworthy.media.planes import is_rgb
from seeworthy.media.transfer import Transfer, transfer_of

if TYPE_CHECKING:
    from seeworthy.media.frames import ColourTags, FrameView, Range, Stage
    from seeworthy.media.tone_curve import ToneCurve

# Luma weights KR, KB by H.273 matrix code point (BT.601-7 2.5.1, BT.709-6 3, BT.2020-2 Table 4).
_WEIGHTS = {
    1: (0.2126, 0.0722),
    4: (0.30, 0.11),
    5: (0.299, 0.114),
    6: (0.299, 0.114),
    7: (0.212, 0.087),
    9: (0.2627, 0.0593),
}
_MATRIX_NAMES = {1: "BT.709", 4: "FCC", 5: "BT.601", 6: "BT.601", 7: "SMPTE 240M", 9: "BT.2020"}
_IDENTITY = 0  # H.273: the three planes are G, B, R

Floats = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """How code values of one clip or still become linear light.

    Attributes:
        table: float32 array, (2**bits,). Linear light of every luma (or R, G, B) code value: 0 at
            black, 1 at white. Below black it is negative, above white it is over 1; both are kept.
        black, white: Code values of black and white.
        range: "limited" or "full"
        transfer: Name of the transfer function used.
        weights: KR and KB of the luma equation (BT.601 where luma is made from RGB here).
        matrix: Name of the luma equation, ``"RGB"`` where none was needed.
        assumptions: One sentence for everything that was not tagged and had to be assumed.
    """

    table: Floats
    black: int
    white: int
    bits: int
    range: Range
    transfer: str
    weights: tuple[float, float]
    matrix: str
    assumptions: tuple[str, ...] = ()
    _curve: Transfer = field(repr=False, kw_only=True)

    def linear(self, codes: npt.ArrayLike) -> Floats:
        """Return linear light of code values, same shape, float32.

        Integer codes are looked up. Fractional ones (an interpolated or averaged code
        value) go through the formula; averaging before this call is a bias, not a
        service: average light, not codes.
        """
        array = np.asarray(codes)
        if np.issubdtype(array.dtype, np.integer):
            return np.take(self.table, array, mode="clip")
        signal = (array.astype(np.float64) - self.black) / (self.white - self.black)
        return self._curve.decode(signal).astype(np.float32)

    def encode(self, linear: npt.ArrayLike) -> Floats:
        """Return code values of linear light, fractional and unclipped, float32."""
        signal = self._curve.encode(np.asarray(linear, np.float64))
        return (self.black + signal * (self.white - self.black)).astype(np.float32)

    def by(self, curve: ToneCurve) -> Light:
        """Return the same by a measured curve in the place of the tag's."""
        own = curve.transfer(self._curve)
        codes = np.arange(1 << self.bits, dtype=np.float64)
        table = own.decode((codes - self.black) / (self.white - self.black)).astype(np.float32)
        table.flags.writeable = False
        return replace(self, table=table, transfer=own.name, _curve=own)

    def decode_signal(self, signal: npt.ArrayLike) -> Floats:
        """Return linear light of a gamma-coded signal in 0..1 (R', G', B')."""
        return self._curve.decode(np.asarray(signal, np.float64)).astype(np.float32)


def light_of(stage: Stage, *, still: bool = False, curve: ToneCurve | None = None) -> Light:
    """Return the light of a clip, by its tags, or by a measured curve.

    Args:
        still: Assume sRGB and full range where nothing is tagged, as stills have it; else BT.709
            and limited range, as video has it.
        curve: Measured in this mode (`seeworthy.optics.tone` chooses it); else the tag's.

    Raises:
        CannotMeasure: The clip is tagged with a transfer function that has no fixed relation to
            scene light here (PQ, HLG, log).
    """
    rgb = is_rgb(stage.pixel_format)
    found = light(
        stage.tags,
        stage.bits,
        still=still,
        full=rgb or stage.pixel_format.startswith("yuvj"),
        rgb=rgb,
        rows=stage.height,
    )
    return found if curve is None else found.by(curve)


def light(
    tags: ColourTags,
    bits: int,
    *,
    still: bool = False,
    full: bool = False,
    rgb: bool = False,
    rows: int = 1080,
) -> Light:
    """Build a `Light` from tags; see `light_of`.

    Args:
        bits: Bits per sample.
        still, rgb: Whether it is a still, and whether it is stored as RGB.
        full: The pixel format itself says full range.
        rows: Picture height: untagged video of at most 576 rows has the BT.601 luma equation.
    """
    said: list[str] = []
    span = _range(tags, still, full, said)
    curve = _transfer(tags, still, said)
    matrix, weights = ("RGB", _WEIGHTS[5]) if rgb else _matrix(tags, still, rows, said)
    black, white = _levels(span, bits)
    codes = np.arange(1 << bits, dtype=np.float64)
    table = curve.decode((codes - black) / (white - black)).astype(np.float32)
    table.flags.writeable = False
    return Light(
        table, black, white, bits, span, curve.name, weights, matrix, tuple(said), _curve=curve
    )


def _levels(span: Range, bits: int) -> tuple[int, int]:
    """Code values of black and white (BT.709-6 item 4: 16 and 235 at 8 bit)."""
    if span == "full":
        return 0, (1 << bits) - 1
    return 16 << (bits - 8), 235 << (bits - 8)


def _range(tags: ColourTags, still: bool, full: bool, said: list[str]) -> Range:
    if tags.range is not None:
        return tags.range
    if full:
        return "full"
    span: Literal["limited", "full"] = "full" if still else "limited"
    said.append(f"The file does not say which range its code values have; {span} was assumed.")
    return span


def _transfer(tags: ColourTags, still: bool, said: list[str]) -> Transfer:
    if tags.transfer in (None, 0, 2, 3):
        code = 13 if still else 1
        curve = transfer_of(code)
        said.append(f"The file does not name its tone curve; {curve.name} was assumed.")
        return curve
    return transfer_of(int(tags.transfer))


def _matrix(
    tags: ColourTags, still: bool, rows: int, said: list[str]
) -> tuple[str, tuple[float, float]]:
    code = tags.matrix
    if code == _IDENTITY:
        return "RGB", _WEIGHTS[1]
    if code in _WEIGHTS:
        return _MATRIX_NAMES[code], _WEIGHTS[code]
    if code in (None, 2, 3):
        code = 5 if still or rows <= 576 else 1
        said.append(f"The file does not name its luma equation; {_MATRIX_NAMES[code]} was assumed.")
        return _MATRIX_NAMES[code], _WEIGHTS[code]
    raise CannotMeasure(
        f"The clip's colours are coded with matrix {code} of ITU-T H.273, which is not a plain "
        "luma equation.",
        "Set the camera to standard colour (BT.709), or convert a copy first.",
    )


def rgb_from_planes(
    luma: npt.NDArray[Any], cb: npt.NDArray[Any], cr: npt.NDArray[Any], how: Light
) -> Floats:
    """Return gamma-coded R'G'B', (H, W, 3) float32, 0..1 from black to white.

    Chroma of lower resolution is interpolated linearly, sited as H.264 has it by
    default (left across, between rows down; ITU-T H.264 E.2.1, type 0).
    """
    kr, kb = how.weights
    scale = 1 << (how.bits - 8)
    half = 128.0 * scale
    swing = 224.0 * scale if how.range == "limited" else float((1 << how.bits) - 1)
    y = (luma.astype(np.float32) - how.black) / np.float32(how.white - how.black)
    pb = (enlarge_chroma(cb, luma.shape) - half) / np.float32(swing)
    pr = (enlarge_chroma(cr, luma.shape) - half) / np.float32(swing)
    red = y + np.float32(2 * (1 - kr)) * pr
    blue = y + np.float32(2 * (1 - kb)) * pb
    green = (y - np.float32(kr) * red - np.float32(kb) * blue) / np.float32(1 - kr - kb)
    return np.stack([red, green, blue], axis=-1).astype(np.float32)


def enlarge_chroma(plane: npt.NDArray[Any], shape: tuple[int, ...]) -> Floats:
    """Return a chroma plane at the size of the luma plane, float32, code values."""
    rows, columns = shape[0], shape[1]
    source: Floats = plane.astype(np.float32)
    if source.shape == (rows, columns):
        return source
    import cv2

    down = (rows + source.shape[0] - 1) // source.shape[0]
    across = (columns + source.shape[1] - 1) // source.shape[1]
    if across == 2 and down <= 2:
        return _doubled(source, down)[:rows, :columns]
    back = np.array([[1 / across, 0, 0], [0, 1 / down, (1 / down - 1) / 2]], np.float64)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    large: Any = cv2.warpAffine(
        source, back, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(large, np.float32)


def _doubled(source: Floats, down: int) -> Floats:
    """Return a plane at twice the columns and `down` times the rows, a fifth of the general way."""
    import cv2

    height, width = source.shape
    even: Any = source
    if down == 2:
        even = cv2.resize(source, (width, 2 * height), interpolation=cv2.INTER_LINEAR)
    after = np.empty_like(even)
    after[:, :-1], after[:, -1] = even[:, 1:], even[:, -1]
    odd = cv2.addWeighted(even, 0.5, after, 0.5, 0)
    # Two channels of a pixel lie as two columns do.
    return np.asarray(cv2.merge([even, odd]).reshape(down * height, 2 * width), np.float32)


def linear_rgb(view: FrameView, how: Light | None = None) -> Floats:
    """Return linear R, G, B of a frame, (H, W, 3) float32, 0 black, 1 white.

    Args:
        how: From `light_of`; built from the view's stage when left out.
    """
    how = how or light_of(view.stage)
    if how.matrix == "RGB":
        return how.decode_signal(view.rgb().astype(np.float32) / 255)
    chroma = view.chroma
    if chroma is None:
        return np.repeat(how.linear(view.luma)[:, :, None], 3, axis=2)
    return how.decode_signal(rgb_from_planes(view.luma, *chroma, how))
