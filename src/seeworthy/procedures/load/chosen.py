"""Which columns of the logs the flight is measured from."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from seeworthy.ground.errors import CannotMeasure, WrongCall
from seeworthy.media.logs import Column, Log, pairs, read_log
from seeworthy.procedures.declare import Inputs
from seeworthy.procedures.load.air import Heights, from_heights, from_pressure
from seeworthy.procedures.load.saturation import find_stop
from seeworthy.procedures.load.series import Series, clean, spread_stamps

_FLIGHT_MEASURES = ("acceleration", "height", "pressure")


@dataclass(frozen=True, slots=True)
class Chosen:
    """Arrays to measure, and where they come from.

    Attributes:
        names: Axes of `accel`.
    """

    accel: Series | None
    names: tuple[str, ...]
    heights: Heights | None
    accel_log: Log | None
    height_log: Log | None
    height_name: str


def choose_columns(inputs: Inputs, logs: list[Log]) -> Chosen:
    """Choose acceleration and height among the columns of all logs."""
    accel, names, accel_log = _acceleration(logs)
    heights, height_log, height_name = _heights(inputs, logs, accel_log)
    return Chosen(accel, names, heights, accel_log, height_log, height_name)


def read_logs(inputs: Inputs) -> list[Log]:
    """Read all logs with the user's word on columns and units; rows sent twice are left out."""
    sources = inputs.all_files()
    columns = [pairs(text, "columns") for text in inputs.options.get("columns", ())]
    units = [pairs(text, "units") for text in inputs.options.get("units", ())]

    def for_file(given: list[dict[str, str]], i: int) -> dict[str, str]:
        """One option per file in file order, or one for all."""
        if len(given) == len(sources) and len(given) > 1:
            return given[i]
        return {k: v for one in given for k, v in one.items()}

    return [
        _without_repeats(
            _signed(
                _one_unit(
                    _ticking(
                        read_log(source, columns=for_file(columns, i), units=for_file(units, i))
                    )
                )
            )
        )
        for i, source in enumerate(sources)
    ]


def _signed(log: Log) -> Log:
    """Leave out an acceleration that is only a length: drag would look like a push.

    Raises:
        CannotMeasure: The log holds nothing else.
    """
    found = log.all("acceleration")
    length = [c for c in found if c.axis == "total" and float(np.nanmin(c.data)) >= 0]
    if not found or len(length) < len(found):
        return log
    shown = ", ".join(f"'{c.header.strip()}'" for c in length)
    said = f"{shown} has no sign, so that drag after the push looks like a push"
    if not any(log.first(quantity) for quantity in ("height", "pressure")):
        raise CannotMeasure(f"{said}.", "Give the axes of the accelerometer, or heights.")
    turned = tuple(replace(c, quantity="") if c in length else c for c in log.columns)
    return replace(log, columns=turned, said=(*log.said, f"{said}: left out."))


def _ticking(log: Log) -> Log:
    """Spread rows over the ticks of a clock that is coarser than they are."""
    turned, notes = [], list(log.said)
    for column in log.columns:
        whole = column.quantity == "time" and bool(np.isfinite(column.data).all())
        spread = spread_stamps(column.data) if whole else None
        if spread is not None:
            column = replace(column, data=spread)
            notes.append(
                f"Many rows share one time of '{column.header}': they were spread evenly until "
                "the next."
            )
        turned.append(column)
    return replace(log, columns=tuple(turned), said=tuple(notes))


def _one_unit(log: Log) -> Log:
    """Give the axes of one accelerometer one unit where no header names it.

    At rest the three together read 1 g; each alone says little.
    """
    axes = [c for c in log.all("acceleration") if c.axis in ("x", "y", "z")]
    if len(axes) < 2 or any(c.unit_from not in ("assumed", "data") for c in axes):
        return log
    head = max(3, axes[0].data.size // 50)
    rest = float(np.hypot.reduce([float(np.nanmedian(c.data[:head])) for c in axes]))
    unit = "gee" if 0.7 < rest < 1.4 else "m/s2"
    shown = ", ".join(f"'{c.header}'" for c in axes)
    word = "g" if unit == "gee" else unit
    told = f"{shown} were taken to be in {word}: together they read {rest:.2f} at rest."
    turned = tuple(
        replace(c, unit=unit, unit_from="data", remark=told if c is axes[0] else "")
        if c in axes else c
        for c in log.columns
    )  # fmt: skip
    return replace(log, columns=turned)


def has_something(logs: list[Log]) -> None:
    """Refuse logs without a column to measure, saying what was read as their header."""
    if any(log.first(quantity) for log in logs for quantity in _FLIGHT_MEASURES):
        return
    log = logs[0]
    line = f"line {log.header_line}" if log.header_line else "no line"
    shown = ", ".join(f"'{c.header.strip()}'" for c in log.columns)
    raise CannotMeasure(
        f"'{log.name}' has neither height, pressure nor acceleration; {line} was read as its "
        f"header, its columns of numbers are {shown}.",
        "Name the columns by header or number: option columns=time:1,height:2 (or acceleration:, "
        "pressure:), and their units with units=.",
    )


def _acceleration(logs: list[Log]) -> tuple[Series | None, tuple[str, ...], Log | None]:
    """Take three axes where there are three, else the axis along the craft."""
    for log in logs:
        found = log.all("acceleration")
        if not found:
            continue
        axes = _one_sensor([c for c in found if c.axis in ("x", "y", "z")])
        several = len(axes) > 1
        chosen = axes if several else [_along(found)]
        t, _ = log.series(chosen[0])
        if several:
            t = log.at(_time_of(chosen[0])).si()
            y = np.stack([c.si() for c in chosen], 1)
        else:
            t, flat = log.series(chosen[0])
            y = flat[:, None]
        names = tuple(c.axis for c in chosen)
        return clean(t, y, f"acceleration log '{log.name}'"), names, log
    return None, (), None


def _one_sensor(axes: list[Column]) -> list[Column]:
    """Return the axes of one accelerometer: of several the one not at its stop, then the widest."""
    groups: list[list[Column]] = []
    for column in axes:
        if not groups or column.axis in {c.axis for c in groups[-1]}:
            groups.append([])
        groups[-1].append(column)

    def worth(group: list[Column]) -> tuple[int, bool, float]:
        y = np.stack([np.nan_to_num(c.si()) for c in group], 1)
        return len(group), find_stop(y, 0.0) is None, float(np.abs(y).max())

    return max(groups, key=worth, default=[])


def _without_repeats(log: Log) -> Log:
    """Leave out rows that say again what the row before said, while the craft moves.

    Radios send a reading twice or more; a later time does not make it a new one. Told where
    an acceleration and another sensor both stand still although the flight does not.
    """
    accel = log.all("acceleration")
    clock = accel[0].time if accel else None
    others = [c for q in ("pressure", "height", "speed") for c in log.all(q) if c.time == clock]
    if not accel or not others:
        return log
    used = [*accel, *others]
    data = np.stack([c.si() for c in used], 1)
    same = np.r_[False, np.all((data[1:] == data[:-1]) | np.isnan(data[1:]), axis=1)]
    same &= np.isfinite(data).any(axis=1)
    if clock is not None:
        # Rows of one time are merged later; they are no repeats.
        same &= np.r_[False, np.diff(log.at(clock).data) != 0]
    moving = np.zeros(same.size, bool)
    for c in used:
        y = c.si()
        finite = y[np.isfinite(y)]
        if finite.size < 3 or c.quantity not in ("acceleration", "height"):
            continue
        rest = float(np.median(finite[: max(3, finite.size // 50)]))
        # 3 m/s² and 5 m are beyond what a craft on its pad shows; a judgement.
        moving |= np.abs(np.nan_to_num(y, nan=rest) - rest) > (
            3.0 if c.quantity == "acceleration" else 5.0
        )
        if c.quantity == "acceleration":
            # A sensor at its stop says the same because it can say no more.
            same &= ~(np.abs(np.nan_to_num(y)) > 0.98 * np.max(np.abs(finite)))
    again = same & moving
    count = int(np.count_nonzero(again))
    if count < 5:
        return log
    turned = tuple(
        replace(c, data=np.where(again, np.nan, c.data)) if c in used else c for c in log.columns
    )
    said = f"{count} of {same.size} rows repeat the row before while the craft moves: left out."
    return replace(log, columns=turned, said=(*log.said, said))


def _time_of(column: Column) -> int:
    if column.time is None:
        raise WrongCall(
            "The log has no column of time.",
            "Name it with --option columns=time:HEADER (or its number, from 1).",
        )
    return column.time


def _along(found: tuple[Column, ...]) -> Column:
    order = {"axial": 0, "vertical": 1, "total": 3, "lateral": 4}
    return min(found, key=lambda c: (order.get(c.axis, 2), c.index))


def _heights(
    inputs: Inputs, logs: list[Log], accel_log: Log | None
) -> tuple[Heights | None, Log | None, str]:
    """Take pressure where there is pressure (the air of the day can be put in), else height."""
    pressure, warm, level = (
        inputs.reading(n) for n in ("site_pressure", "site_temperature", "site_height")
    )
    site = (
        None if pressure is None else pressure.value,
        None if warm is None else warm.value + 273.15,
        None if level is None else level.value,
        0.0 if warm is None else warm.u,
    )
    # The log with the acceleration first: it has the same clock.
    ordered = sorted(logs, key=lambda log: log is not accel_log)
    for quantity, convert in (("pressure", from_pressure), ("height", from_heights)):
        for log in ordered:
            column = log.first(quantity)
            if column is None:
                continue
            t, y = log.series(column)
            series = clean(t, y, f"{quantity} log '{log.name}'")
            return convert(series, *site), log, f"{quantity} ('{column.header.strip()}')"
    return None, None, ""
