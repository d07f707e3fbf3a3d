"""Light as the meter shows it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from seeworthy.ground.errors import BadQuantity
from seeworthy.optics.light_reading import (
    CONSTANTS,
    LEVELS,
    METER_EV,
    like,
    parse_light,
    read_light,
)

# --- what it means ----------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "lux", "kind"),
    [
        ("540 lx", 540, "illuminance"),
        ("540", 540, "illuminance"),
        ("1.2 klx", 1200, "illuminance"),
        ("50 fc", 538.1955, "illuminance"),
        ("50 footcandles", 538.1955, "illuminance"),
        ("12 EV flat", 10240, "flat"),
        ("12 EV dome C=320", 13107.2, "dome"),
        ("EV 12.0 dome C=340", 13926.4, "dome"),
        ("12 EV incident", 13516.8, "dome"),
        ("12 EV ISO 400 flat", 2560, "flat"),
        ("12 EV flat at ISO 400", 2560, "flat"),
        ("-2 ev flat", 0.625, "flat"),
        ("12 EV reflected", math.pi * 512 / 0.18, "reflected"),
        ("12 EV spot K=14 reflectance=90 %", math.pi * 573.44 / 0.9, "reflected"),
        ("512 cd/m2", math.pi * 512 / 0.18, "luminance"),
        ("100 cd/m2 rho=0.5", math.pi * 200, "luminance"),
    ],
)
def test_readings(text, lux, kind):
    found = read_light(text)
    assert found.illuminance.value == pytest.approx(lux, rel=1e-6)
    assert (found.illuminance.unit, found.kind) == ("lx", kind)


def test_what_is_stated_is_taken_and_what_is_not_is_said():
    stated = read_light("540 lx ± 10 lx")
    assert (stated.illuminance.u, stated.notes) == (10, ())
    silent = read_light("540 lx")
    assert silent.illuminance.u == pytest.approx(27)
    assert "error was not given" in silent.notes[0]


def test_uncertainties_of_meter_and_constant_combine():
    both = read_light("12 EV ± 0.2 flat C=250 ± 10")
    share = math.hypot(10 / 250, math.log(2) * 0.2)
    assert both.illuminance.u / both.illuminance.value == pytest.approx(share)
    assert both.notes == ()
    silent = read_light("12.0 EV flat")
    share = math.hypot(CONSTANTS["flat"][1] / 250, math.log(2) * METER_EV)
    assert silent.illuminance.u / silent.illuminance.value == pytest.approx(share)
    assert len(silent.notes) == 2


def test_a_card_adds_its_own_uncertainty():
    card = parse_light("100 cd/m2 ± 1 reflectance=0.18 ± 0.018")
    assert card.u / card.value == pytest.approx(math.hypot(0.01, 0.1))


def test_the_stated_uncertainty_is_that_of_drawn_readings():
    rng = np.random.default_rng(1)
    drawn = rng.normal(330, 10, 200_000) * 2 ** rng.normal(10, 0.1, 200_000) / 100
    found = parse_light("10 EV ± 0.1 dome C=330 ± 10")
    assert found.u == pytest.approx(drawn.std(), rel=0.02)


# --- published --------------------------------------------------------------


def test_the_ev_table(published):
    # ISO 2720:1974 relations; constants' ranges as quoted, table by arithmetic
    columns = {
        "E_lux_C250_flat": "flat C=250",
        "E_lux_C320_dome": "dome C=320",
        "E_lux_C330_dome": "dome C=330",
        "E_lux_C340_dome": "dome C=340",
    }
    rows = published("light_meter_ev.csv")
    assert len(rows) == 23
    for row in rows:
        for column, receptor in columns.items():
            found = parse_light(f"{row['EV_at_ISO100']} EV {receptor}").value
            assert found == pytest.approx(float(row[column]), rel=5e-6)
        for column, constant in (("L_cd_m2_K12.5", "12.5"), ("L_cd_m2_K14", "14")):
            lux = parse_light(f"{row['EV_at_ISO100']} EV reflected K={constant} rho=1").value
            assert lux / math.pi == pytest.approx(float(row[column]), rel=5e-6)
        back = parse_light(f"{row['E_footcandle_C250']} fc").value
        assert back == pytest.approx(float(row["E_lux_C250_flat"]), rel=5e-6)


def test_the_table_of_levels(published):
    # RCA EOH-11 (1974) and public tables, as quoted; the handbook's page not seen
    rows = [
        (
            r["condition"],
            float(r["lux"]),
            float(r["lux_max"]) if r["lux_max"] else None,
            r["source"],
        )
        for r in published("illuminance_levels.csv")
    ]
    assert rows == [(v.condition, v.low, v.high, v.source) for v in LEVELS]


@pytest.mark.parametrize(
    ("lux", "condition"),
    [(90_000, "Direct sunlight"), (3.0, "End of civil twilight, clear"), (45, "Living room")],
)
def test_orientation(lux, condition):
    assert like(lux).condition == condition


# --- bad input --------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "empty"),
        ("12 EV", "how the meter looks"),
        ("12 EV flat dome", "two receptors"),
        ("12 EV flat K=12.5", "takes C, not K"),
        ("12 EV reflected C=250", "takes K, not C"),
        ("12 lx EV flat", "not a reading in EV"),
        ("123 EV flat", "outside"),
        ("EV flat", "empty"),
        ("540 lx C=250", "no EV"),
        ("12 EV flat C=0", "above zero"),
        ("100 cd/m2 rho=18", "between 0 and 1"),
        ("3 kg", "turned into lx"),
        ("30 degC", "turned into lx"),
        ("-5 lx", "above zero"),
        ("bright", "number"),
    ],
)
def test_what_is_no_light(text, match):
    with pytest.raises(BadQuantity, match=match):
        parse_light(text)


def test_no_level_without_light():
    with pytest.raises(ValueError, match="above zero"):
        like(0)


@given(st.text(st.sampled_from("0123456789.±=%- CKEVISOflatdomerhxc"), max_size=30))
@settings(max_examples=600)
def test_any_text_is_read_or_refused(text):
    try:
        found = parse_light(text)
    except BadQuantity:
        return
    assert found.value > 0
    assert math.isfinite(found.u)
