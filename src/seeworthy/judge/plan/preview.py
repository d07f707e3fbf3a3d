"""Show what a planned flight would look like: the virtual camera with the camera's figures."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.ground.leftovers import scratch
from seeworthy.judge.plan.camera import Draws, FlownCamera
from seeworthy.judge.plan.flight import PlannedFlight
from seeworthy.judge.plan.predict import image_speeds, vibration_of


def preview(
    flight: PlannedFlight, camera: FlownCamera, path: Path, seconds: float = 2.0
) -> tuple[str, ...]:
    """Write a short clip (or a .png) of the flight and return what had to be assumed.

    Raises:
        CannotMeasure: The view or the read-out time is not known.
        WrongCall: The file's ending is no clip and no .png.
    """
    from seeworthy.virtual import preview as virtual

    if path.suffix.lower() not in (".mp4", ".mov", ".png"):
        raise WrongCall(f"'{path.name}' is no clip.", "Name it .mp4, .mov or .png.")
    speeds, readout = image_speeds(flight, camera), camera.first("readout_time")
    focal = camera.focal()
    if speeds is None or readout is None or focal is None or camera.frame is None:
        raise CannotMeasure(
            f"'{camera.name}' has no angle of view, frame size or read-out time yet.",
            "Measure view (or lens), stream and readout first.",
        )
    said = []
    exposure, remark = camera.exposure(flight.get("scene.light"))
    if exposure is None:
        exposure = np.full(camera.draws, 4.0)
        said.append("The exposure time is not measured; 1/250 s was assumed.")
    elif remark:
        said.append(remark)
    distance = flight.get("motion.distance")
    metres = distance.value if distance is not None else 50.0
    if distance is None and not flight.legs:
        said.append("No distance is planned; 50 m was assumed.")
    elif flight.legs:
        metres = float(np.median([leg.distance.value for leg in flight.legs]))
    size, scale = virtual.scaled(camera.frame)
    amplitude, frequency = vibration_of(flight, camera)
    motion = virtual.GroundMotion(
        _middle(speeds.width) * scale,
        _middle(speeds.height) * scale,
        _middle(speeds.turning),
        amplitude * scale,
        frequency,
    )
    view = virtual.GroundView(
        size,
        metres / _middle(focal) / scale,
        _middle(readout) / 1000,
        max(0.0, _middle(exposure)) / 1000,
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    virtual.write(path, view, motion, seconds)
    return tuple(said)


def preview_bytes(
    flight: PlannedFlight, camera: FlownCamera, ending: str
) -> tuple[bytes, tuple[str, ...]]:
    """Return the preview as the content of a ``png`` or ``mp4``, and what had to be assumed."""
    with scratch() as folder:
        path = folder / f"preview.{ending}"
        said = preview(flight, camera, path)
        return path.read_bytes(), said


def _middle(draws: Draws) -> float:
    return float(np.median(draws))
