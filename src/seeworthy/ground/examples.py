"""The table of example readings: what a volunteer at Marram Point would type.

Every placeholder of a page, every example in help, hints, docstrings and docs is taken from here,
so that whoever writes the next procedure finds what to write: add a line per reading, named
``PROCEDURE.READING``, with a figure of the invented demo world. They are what was read off Dunlin,
the smallest of the demo cameras, so they fit together: the widths give its angle of view, speed,
distance and lean give its read-out time. Units are mixed on purpose. Inches, ounces, °F and mph are
as welcome as millimetres, and an example is where people learn that.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

EXAMPLES: Mapping[str, str] = MappingProxyType(
    {
        "battery.run": "38 min 30 s @ 66 degF",
        "battery.capacity": "240 mAh ± 10 mAh",
        "battery.voltage": "3.7 V ± 0.1 V",
        "battery.at": "37 degF",
        "battery.temperature": "66 degF",
        "body.length": "1.90 in ± 0.01 in",
        "body.width": "24.2 mm ± 0.1 mm",
        "body.height": "14.2 mm ± 0.1 mm",
        "body.mass": "0.61 oz ± 0.01 oz",
        "brightness.light": "15.1 EV dome",
        "brightness.sun_height": "32 deg ± 1 deg",
        "colour.light": "10.4 EV dome",
        "continuity.recorded": "75 s ± 0.3 s",
        "continuity.cuts": "5",
        "endurance.card": "8 GB",
        "endurance.bit_rate": "5.0 Mbit/s ± 0.2 Mbit/s",
        "endurance.audio_rate": "128 kbit/s",
        "endurance.run_time": "38.3 min ± 1 min",
        "endurance.file_limit": "4 GB",
        "endurance.file_time": "29 min 59 s",
        "endurance.segment": "12 min",
        "endurance.gap": "1.2 s ± 0.1 s",
        "exposure-control.light": "9.7 EV dome",
        "glare.light": "11.2 EV dome",
        "glare.trap_reflectance": "0.2 % ± 0.1 %",
        "interval.set_interval": "5 s",
        "lens.printed_length": "176.0 mm ± 0.2 mm",
        "lens.square": "1.00 in ± 0.01 in",
        "load.site_pressure": "1009 hPa ± 1 hPa",
        "load.site_temperature": "52 degF ± 2 degF",
        "load.site_height": "26 ft ± 5 ft",
        "load.launch_angle": "35 deg ± 3 deg",
        "load.sensor_bandwidth": "100 Hz",
        "load.range": "16 g",
        "load.boost_height": "31 ft ± 3 ft",
        "load.boost_duration": "1.1 s ± 0.1 s",
        "low-light.light": "9.7 EV dome",
        "motion.hfov": "63.0 deg ± 0.2 deg",
        "motion.readout_time": "20.6 ms ± 0.3 ms",
        "motion.speed": "31 mph ± 4 mph",
        "motion.distance": "200 ft ± 30 ft",
        "noise.light": "9.7 EV dome",
        "noise.densities": "0.09 0.19 0.31 0.40 0.52 0.66 0.80 0.97 1.10 1.26 1.43 1.70 ± 0.02",
        "oecf.densities": "0.09 0.19 0.31 0.40 0.52 0.66 0.80 0.97 1.10 1.26 1.43 1.70 ± 0.02",
        "pad-time.pressed": "4.37 s ± 0.02 s",
        "pad-time.waited": "10.1 min ± 0.1 min",
        "pad-time.still_ready": "45 min",
        "pad-time.run_fresh": "38.3 min ± 0.5 min",
        "pad-time.run_stood": "33.1 min ± 0.5 min",
        "pad-time.stood": "1 h ± 1 min",
        "readout.speed": "38 mph ± 1 mph",
        "readout.distance": "24 ft ± 3 in",
        "readout.hfov": "63.0 deg ± 0.2 deg",
        "readout.lamp_frequency": "100 Hz",
        "readout.roll": "0.2 deg ± 0.5 deg",
        "readout.lean": "4.7 deg ± 0.2 deg",
        "shading.dfov": "70.2 deg ± 0.3 deg",
        "shading.moved_right": "0.25 ± 0.03",
        "shading.moved_down": "0.25 ± 0.03",
        "shading.evenness": "0.05 stops",
        "sharpness.printed_length": "176.0 mm ± 0.3 mm",
        "sound.tone": "1000 Hz ± 0.02 Hz",
        "survival.flights": "1",
        "sync.screen_delay": "3.5 ms ± 0.9 ms",
        "sync.distance": "16 in ± 2 in",
        "tie.av_offset": "24 ms ± 3 ms",
        "timing.screen_clock": "1.5 ppm ± 1 ppm",
        "view.width": "73.7 in ± 0.1 in",
        "view.distance": "60.0 in ± 0.1 in",
        "view.width2": "4.671 m ± 3 mm",
        "view.distance2": "3.810 m ± 3 mm",
        "view.height": "41.4 in ± 0.1 in",
        "view.height2": "2.627 m ± 3 mm",
        "view.entrance_offset": "4 mm ± 2 mm",
        "view.squareness": "1 deg",
        "white-balance.light": "10.4 EV dome",
        "white-balance.chart_tint": "0.002",
        # Around a take, and in a plan of a flight.
        "condition.light": "180 lx",
        "condition.temperature": "66 degF",
        "plan.motion.speed": "31 mph ± 4 mph",
        "plan.motion.distance": "200 ft ± 30 ft",
        "plan.motion.spin": "0.5 Hz",
        "plan.motion.swing": "6 deg",
        "plan.motion.swing_period": "2.5 s",
        "plan.motion.vibration": "0.05 deg",
        "plan.motion.vibration_frequency": "90 Hz",
        "plan.scene.light": "20000 lx",
        "plan.scene.temperature": "39 degF",
        "plan.recording.duration": "25 min",
        "plan.recording.card": "8 GB",
        "plan.load.peak": "9 g ± 2 g",
        "plan.load.boost_time": "0.8 s",
        "plan.accept.lean": "3 deg",
        "plan.accept.wobble": "3 px",
        "plan.accept.blur": "2 px",
        "plan.accept.ground_pixel": "10 cm",
        "plan.accept.ground_detail": "20 cm",
        # What sellers claim.
        "claim.run_time": "60 min",
    }
)
"""``PROCEDURE.READING`` (or ``condition.``, ``plan.``, ``claim.`` NAME) to text as typed."""


def as_typed(name: str) -> str:
    """Return ``distance="60.0 in ± 0.1 in"`` for ``view.distance``."""
    return f'{name.rpartition(".")[2]}="{EXAMPLES[name]}"'


def as_options(*names: str) -> str:
    """Return the examples as options of a command: ``--reading distance="60.0 in ± 0.1 in"``."""
    return " ".join(f"--reading {as_typed(name)}" for name in names)
