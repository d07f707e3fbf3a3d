"""The sequence parameter set of an H.264 stream (ITU-T H.264, 7.3.2.1.1 and Annex E).

Profile, level, reference frames and display timing as the encoder wrote them; the
container and the decoder may say otherwise.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from fractions import Fraction

# ITU-T H.264 Table E-1, sample aspect ratios by aspect_ratio_idc.
ASPECTS = {
    1: (1, 1), 2: (12, 11), 3: (10, 11), 4: (16, 11), 5: (40, 33), 6: (24, 11), 7: (20, 11),
    8: (32, 11), 9: (80, 33), 10: (18, 11), 11: (15, 11), 12: (64, 33), 13: (160, 99),
    14: (4, 3), 15: (3, 2), 16: (2, 1),
}  # fmt: skip
_EXTENDED_ASPECT = 255  # ITU-T H.264, table E-1: Extended_SAR
_PROFILES = {
    44: "CAVLC 4:4:4 Intra", 66: "Baseline", 77: "Main", 88: "Extended", 100: "High",
    110: "High 10", 122: "High 4:2:2", 244: "High 4:4:4 Predictive",
}  # fmt: skip
# Profiles whose parameter set carries chroma format and scaling lists.
_HIGH = {100, 110, 122, 244, 44, 83, 86, 118, 128, 138, 139, 134, 135}


@dataclass(frozen=True, slots=True)
class Sps:
    """One sequence parameter set.

    Attributes:
        profile_idc, constraints, level_idc: As coded; `constraints` is the byte of constraint_set
            flags.
        width, height: After cropping.
        mbs_across, mbs_down: Coded size in macroblocks, of a frame.
        interlaced: Fields may be coded (frame_mbs_only_flag is 0).
        bits, chroma_format: Luma bit depth; 0 grey, 1 4:2:0, 2 4:2:2, 3 4:4:4.
        references: max_num_ref_frames.
        aspect: Sample aspect ratio; None where unspecified.
        colour: Primaries, transfer, matrix by H.273.
        tick: num_units_in_tick over time_scale, in seconds.
        buffered: max_dec_frame_buffering.
        frame_num_bits, order_type, order_bits: Widths of frame_num and pic_order_cnt_lsb in a slice
            header, and pic_order_cnt_type.
        separate_planes: separate_colour_plane_flag.
    """

    profile_idc: int
    constraints: int
    level_idc: int
    width: int
    height: int
    mbs_across: int
    mbs_down: int
    interlaced: bool
    bits: int
    chroma_format: int
    references: int
    aspect: Fraction | None = None
    full_range: bool | None = None
    colour: tuple[int, int, int] | None = None
    tick: Fraction | None = None
    buffered: int | None = None
    frame_num_bits: int = 4
    order_type: int = 2
    order_bits: int = 0
    separate_planes: bool = False

    @property
    def profile(self) -> str:
        """Name of the profile (Annex A)."""
        name = _PROFILES.get(self.profile_idc, f"profile {self.profile_idc}")
        if self.profile_idc == 66 and self.constraints & 0x40:
            return "Constrained Baseline"
        return name

    @property
    def level(self) -> str:
        """Level as written: ``"3.1"``, ``"1b"``."""
        if self.level_idc == 9:
            return "1b"
        if self.level_idc == 11 and self.profile_idc in (66, 77, 88) and self.constraints & 0x10:
            return "1b"
        whole, tenth = divmod(self.level_idc, 10)
        return f"{whole}.{tenth}" if tenth else str(whole)

    @property
    def rate(self) -> Fraction | None:
        """Frame rate by the stream's own timing: two ticks per frame (E.2.1)."""
        return 1 / (2 * self.tick) if self.tick else None


class Bits:
    """Big-endian bits of a payload with the emulation prevention bytes taken out."""

    def __init__(self, data: bytes) -> None:
        plain = data.replace(b"\0\0\3", b"\0\0")
        self._value = int.from_bytes(plain, "big")
        self._left = len(plain) * 8

    def take(self, count: int) -> int:
        """Return the next bits as a number."""
        if count > self._left:
            raise ValueError("parameter set is cut short")
        self._left -= count
        return (self._value >> self._left) & ((1 << count) - 1)

    def flag(self) -> bool:
        """Return the next bit."""
        return bool(self.take(1))

    def golomb(self) -> int:
        """Return an unsigned Exp-Golomb number, ue(v) (9.1)."""
        zeros = 0
        while not self.take(1):
            zeros += 1
            if zeros > 32:
                raise ValueError("not an Exp-Golomb number")
        return (1 << zeros) - 1 + self.take(zeros)

    def signed(self) -> int:
        """Return a signed Exp-Golomb number, se(v) (9.1.1)."""
        k = self.golomb()
        return (k + 1) // 2 if k % 2 else -(k // 2)


def find_sps(extradata: bytes) -> Sps | None:
    """Return the first parameter set in codec data, avcC or start codes; None without one."""
    for unit in units_of(extradata):
        if unit and unit[0] & 0x1F == 7:
            try:
                return parse_sps(unit)
            except ValueError:
                return None
    return None


def units_of(data: bytes) -> list[bytes]:
    """Return the NAL units of codec data: sequence sets of avcC, or all between start codes."""
    if len(data) > 7 and data[0] == 1:  # AVCDecoderConfigurationRecord, ISO/IEC 14496-15
        units, at = [], 6
        for _ in range(data[5] & 0x1F):
            size = int.from_bytes(data[at : at + 2], "big")
            units.append(data[at + 2 : at + 2 + size])
            at += 2 + size
        return units
    return [part.rstrip(b"\0") for part in data.split(b"\0\0\1")[1:]]


def parse_sps(unit: bytes) -> Sps:
    """Parse one NAL unit of type 7.

    Raises:
        ValueError: Not a parameter set, or cut short.
    """
    if len(unit) < 5 or unit[0] & 0x1F != 7:
        raise ValueError("not a sequence parameter set")
    bits = Bits(unit[1:])
    profile, constraints, level = bits.take(8), bits.take(8), bits.take(8)
    bits.golomb()  # seq_parameter_set_id
    chroma, depth, separate = _chroma(bits) if profile in _HIGH else (1, 8, False)
    frame_num_bits = bits.golomb() + 4
    order_type, order_bits = _picture_order(bits)
    references = bits.golomb()
    bits.flag()  # gaps_in_frame_num_value_allowed_flag
    across, down = bits.golomb() + 1, bits.golomb() + 1
    frames_only = bits.flag()
    if not frames_only:
        bits.flag()  # mb_adaptive_frame_field_flag
        down *= 2
    bits.flag()  # direct_8x8_inference_flag
    width, height = _cropped(bits, across * 16, down * 16, chroma, frames_only)
    base = Sps(
        profile, constraints, level, width, height, across, down, not frames_only, depth, chroma,
        references, frame_num_bits=frame_num_bits, order_type=order_type, order_bits=order_bits,
        separate_planes=separate,
    )  # fmt: skip
    return _with_vui(base, bits) if bits.flag() else base


def _chroma(bits: Bits) -> tuple[int, int, bool]:
    chroma = bits.golomb()
    separate = bits.flag() if chroma == 3 else False
    depth = bits.golomb() + 8
    bits.golomb()  # bit_depth_chroma_minus8
    bits.flag()  # qpprime_y_zero_transform_bypass_flag
    if bits.flag():
        for i in range(8 if chroma != 3 else 12):
            if bits.flag():
                _skip_scaling_list(bits, 16 if i < 6 else 64)
    return chroma, depth, separate


def _skip_scaling_list(bits: Bits, size: int) -> None:
    last = following = 8
    for _ in range(size):
        if following:
            following = (last + bits.signed()) % 256
        last = following or last


def _picture_order(bits: Bits) -> tuple[int, int]:
    kind = bits.golomb()
    if kind == 0:
        return kind, bits.golomb() + 4
    if kind == 1:
        bits.flag()
        bits.signed()
        bits.signed()
        for _ in range(bits.golomb()):
            bits.signed()
    return kind, 0


def _cropped(
    bits: Bits, width: int, height: int, chroma: int, frames_only: bool
) -> tuple[int, int]:
    if not bits.flag():
        return width, height
    left, right, top, bottom = (bits.golomb() for _ in range(4))
    across = 2 if chroma in (1, 2) else 1
    down = (2 if chroma == 1 else 1) * (1 if frames_only else 2)
    return width - across * (left + right), height - down * (top + bottom)


def _with_vui(base: Sps, bits: Bits) -> Sps:
    """Read the video usability information; what is cut short counts as not said."""
    said: dict[str, object] = {}
    with suppress(ValueError):
        _vui(bits, said)
    return replace(base, **said)  # type: ignore[arg-type]


def _vui(bits: Bits, said: dict[str, object]) -> None:
    if bits.flag():
        idc = bits.take(8)
        pair = (bits.take(16), bits.take(16)) if idc == _EXTENDED_ASPECT else ASPECTS.get(idc)
        if pair and pair[0] and pair[1]:
            said["aspect"] = Fraction(*pair)
    if bits.flag():
        bits.flag()  # overscan_appropriate_flag
    if bits.flag():
        bits.take(3)  # video_format
        said["full_range"] = bits.flag()
        if bits.flag():
            said["colour"] = (bits.take(8), bits.take(8), bits.take(8))
    if bits.flag():
        bits.golomb()
        bits.golomb()  # chroma sample location
    if bits.flag():
        units, scale = bits.take(32), bits.take(32)
        if units and scale:
            said["tick"] = Fraction(units, scale)
        bits.flag()  # fixed_frame_rate_flag
    nal = bits.flag()
    if nal:
        _skip_hrd(bits)
    vcl = bits.flag()
    if vcl:
        _skip_hrd(bits)
    if nal or vcl:
        bits.flag()  # low_delay_hrd_flag
    bits.flag()  # pic_struct_present_flag
    if bits.flag():
        bits.flag()
        for _ in range(5):
            bits.golomb()
        said["buffered"] = bits.golomb()


def _skip_hrd(bits: Bits) -> None:
    count = bits.golomb() + 1
    bits.take(8)
    for _ in range(count):
        bits.golomb()
        bits.golomb()
        bits.flag()
    bits.take(20)
