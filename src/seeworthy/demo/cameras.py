"""The invented cameras of the demo bench: what they really do, and what their sellers say.

Everything here is made up, and drawn or rendered by the virtual camera. Each camera has a
truth that a measure must find again, and claims of which some are kept and some are not.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

BENCH = "marram-point-dune-watch"
TITLE = "Marram Point dune watch"


@dataclass(frozen=True, slots=True)
class DemoCamera:
    """One invented camera.

    Attributes:
        seed: Of everything drawn at random for it.
        claims: tuple of (subject, text, source). ``nothing`` where somebody looked and the seller
            says nothing.
        firmware: tuple of (unit, name, first day)
        units: The first is the one that is tested.
        size: Length, width, height, mm.
        mass: g.
        hfov: Horizontal angle of view without the lens's bend, degrees; see `edge_hfov`.
        entrance: Entrance pupil behind the lens front, mm.
        readout: First to last row, ms.
        k1, roll, blur, noise: Of the virtual camera: lens bend, how it was held (degrees), blur
            (px), read noise (electrons).
        width, height: Frame in pixels.
        bit_rate: Mbit/s.
        drops: mapping of firmware to frame numbers. Frames that never reach the file.
        runs: tuple of (minutes, degC). What the battery really gave.
    """

    name: str
    maker: str
    note: str
    seed: int
    claims: tuple[tuple[str, str, str], ...]
    firmware: tuple[tuple[str, str, dt.date], ...]
    units: tuple[str, ...]
    size: tuple[float, float, float]
    mass: float
    hfov: float
    entrance: float
    readout: float
    runs: tuple[tuple[float, float], ...]
    k1: float = 0.0
    roll: float = 0.0
    blur: float = 0.8
    noise: float = 8.0
    width: int = 1280
    height: int = 720
    bit_rate: float = 7.0
    drops: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    card: str = "64 GB"

    @property
    def edge_hfov(self) -> float:
        """Angle between the rays that reach the left and right edge, degrees."""
        edge = math.tan(math.radians(self.hfov) / 2)
        slope = edge
        for _ in range(40):  # x (1 + k1 x²) = edge
            slope = edge / (1 + self.k1 * slope * slope)
        return 2 * math.degrees(math.atan(slope))

    def day(self, number: int) -> dt.date:
        """Return the day of a take; the days differ so that firmware can change between."""
        return dt.date(2026, 4, 11) + dt.timedelta(days=number)


DUNLIN = DemoCamera(
    name="Dunlin",
    maker="Saltmarsh Bits",
    note="Two came in one bag; sold as a full-HD sports camera.",
    seed=11,
    claims=(
        ("mass", "15 g", "box"),
        ("width_px", "1920 px", "box"),
        ("native_width", "1920 px", "box"),
        ("frame_rate", "30 Hz", "box"),
        ("dropped_frames", "0", "listing: never drops a frame"),
        ("hfov", "90 deg", "listing"),
        ("run_time", "60 min", "box"),
        ("record_time", "6 h", "listing"),
        ("readout_time", "nothing", ""),
    ),
    firmware=(
        ("A", "1.0", dt.date(2026, 3, 1)),
        ("A", "1.1", dt.date(2026, 5, 2)),
        ("B", "1.0", dt.date(2026, 3, 1)),
    ),
    units=("A", "B"),
    size=(48.2, 24.1, 14.3),
    mass=17.3,
    hfov=62.0,
    entrance=4.0,
    readout=24.5,
    runs=((38.5, 21.0), (37.1, 21.5), (39.2, 20.5), (31.0, 3.0), (29.6, 2.0), (30.7, 2.5)),
    k1=-0.05,
    roll=1.2,
    blur=1.2,
    noise=14.0,
    bit_rate=5.0,
    drops={"1.0": (37, 38, 71, 104)},
    card="8 GB",
)

TURNSTONE = DemoCamera(
    name="Turnstone",
    maker="Strandline Optics",
    note="Bought for the kite; rides in a foam cradle.",
    seed=23,
    claims=(
        ("mass", "45 g", "leaflet"),
        ("width_px", "1280 px", "leaflet"),
        ("frame_rate", "30 Hz", "leaflet"),
        ("hfov", "80 deg", "leaflet"),
        ("run_time", "85 min", "leaflet"),
        ("readout_time", "10 ms", "listing"),
        ("dynamic_range", "11 stops", "listing"),
    ),
    firmware=(("1", "2.3", dt.date(2026, 2, 10)),),
    units=("1",),
    size=(61.8, 39.7, 21.2),
    mass=44.6,
    hfov=78.6,
    entrance=7.0,
    readout=15.4,
    runs=((83.0, 20.5), (84.6, 21.0), (82.1, 20.0), (66.0, 1.5), (64.3, 2.0)),
    k1=-0.03,
    roll=-0.8,
    blur=0.9,
)

SANDERLING = DemoCamera(
    name="Sanderling",
    maker="Outer Bar Instruments",
    note="Dear, and its seller promises little.",
    seed=37,
    claims=(
        ("mass", "60 g", "data sheet"),
        ("width_px", "1280 px", "data sheet"),
        ("frame_rate", "30 Hz", "data sheet"),
        ("hfov", "68 deg", "data sheet"),
        ("run_time", "70 min", "data sheet"),
        ("readout_time", "9.5 ms", "data sheet"),
        ("usable_lux", "nothing", ""),
    ),
    firmware=(("1", "5.0", dt.date(2026, 1, 20)),),
    units=("1",),
    size=(70.1, 35.4, 35.2),
    mass=60.8,
    hfov=68.3,
    entrance=11.0,
    readout=9.4,
    runs=((95.8, 21.0), (97.2, 21.0), (96.4, 20.5), (88.1, 1.0)),
    roll=0.4,
    blur=0.7,
    noise=5.0,
    bit_rate=9.0,
)

CAMERAS = (DUNLIN, TURNSTONE, SANDERLING)
