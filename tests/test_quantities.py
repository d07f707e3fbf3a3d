"""Quantities as people type them: values, uncertainties, units, and everything Pint trips over."""

from __future__ import annotations

import itertools
import math
import subprocess
import sys

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from seeworthy.ground import units
from seeworthy.ground.common_units import KINDS, affine
from seeworthy.ground.errors import BadQuantity
from seeworthy.ground.measurands import all_measurands
from seeworthy.ground.quantities import (
    Quantity,
    convert,
    format_value,
    parse,
    same_dimension,
)
from seeworthy.ground.uncertainty import coverage_factor, effective_dof

ROOT12 = math.sqrt(12)

# --- as typed ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "value", "unit", "u"),
    [
        ("47 in ± 0.1 in", 47, "in", 0.1),
        ("47in ±0.1in", 47, "in", 0.1),
        ("47 in ± 1/16 in", 47, "in", 1 / 16),
        ("47 in ± 2 mm", 47, "in", 2 / 25.4),
        ("20 ± 0.5 in", 20, "in", 0.5),
        ("38 mph +/- 2", 38, "mph", 2),
        ("38 mph +- 2 km/h", 38, "mph", 2 / 1.609344),
        ("17.2 g ± 0.2 (k=2)", 17.2, "g", 0.1),
        ("17.2 g ± 0.2 g ( K = 2 )", 17.2, "g", 0.1),
        ("50 mm ± 2 %", 50, "mm", 1),
        ("5 % ± 1 %", 5, "%", 1),
        ("59 degF", 59, "degF", 1 / ROOT12),
        ("1/2 in", 0.5, "in", 0.5 / ROOT12),
        ("47 1/4 in", 47.25, "in", 0.25 / ROOT12),
        ("47-1/4 in", 47.25, "in", 0.25 / ROOT12),
        ("47½ in", 47.5, "in", 0.5 / ROOT12),
        ("5 ft 2 in", 62, "in", 1 / ROOT12),
        ("5' 2\"", 62, "in", 1 / ROOT12),
        ("5 ft 2 1/2 in ± 1/8", 62.5, "in", 0.125),
        ("3 lb 5.5 oz", 53.5, "oz", 0.1 / ROOT12),
        ("1 h 23 min", 83, "min", 1 / ROOT12),
        ("1h 23min 40s", 5020, "s", 1 / ROOT12),
        ("23 min 40 s", 1420, "s", 1 / ROOT12),
        ("1:23:40", 5020, "s", 1 / ROOT12),
        ("1:23:40.5 ± 2", 5020.5, "s", 2),
        ("23:40", 1420, "s", 1 / ROOT12),
        ("1,5 m", 1.5, "m", 0.1 / ROOT12),
        ("47.00 in", 47, "in", 0.01 / ROOT12),
        ("−5 degC", -5, "degC", 1 / ROOT12),
        ("1.5e3 m", 1500, "m", 100 / ROOT12),
    ],
)
def test_typed(text, value, unit, u):
    found = parse(text)
    assert (found.value, found.unit) == (pytest.approx(value, rel=1e-12), unit)
    assert found.u == pytest.approx(u, rel=1e-9)
    assert found.stated == ("±" in text or "+" in text)


@pytest.mark.parametrize(
    ("text", "unit", "value", "u"),
    [
        ("47 in ± 0.1", "mm", 1193.8, 2.54),
        ("30 ft ± 1 in", "m", 9.144, 0.0254),
        ("23 min ± 30 s", "min", 23, 0.5),
        ("47", "mm", 47, 1 / ROOT12),
        ("47 ± 0.5", "mm", 47, 0.5),
        ("6.3 g ± 0.1 g", "m/s2", 6.3 * 9.80665, 0.980665),
        ("6.3 G", "m/s2", 6.3 * 9.80665, 0.1 * 9.80665 / ROOT12),
        ("17.2 g", "kg", 0.0172, 1e-4 / ROOT12),
        ("6240 kbit/s", "Mbit/s", 6.24, 0.001 / ROOT12),
        ("16 GB", "byte", 16e9, 1e9 / ROOT12),
        ("500 mAh", "Ah", 0.5, 1e-3 / ROOT12),
        ("5 %", "", 0.05, 0.01 / ROOT12),
        ("30 Mph", "m/s", 13.4112, 0.44704 / ROOT12),
        ("59.94 fps", "Hz", 59.94, 0.01 / ROOT12),
        ("100 fc", "lx", 1076.3910416709722, 10.763910416709722 / ROOT12),
    ],
)
def test_typed_and_converted(text, unit, value, u):
    found = parse(text, unit)
    assert (found.value, found.unit) == (pytest.approx(value, rel=1e-12), unit)
    assert found.u == pytest.approx(u, rel=1e-9)


# --- temperatures: every scale has its own zero -----------------------------


@pytest.mark.parametrize(
    ("text", "unit", "value", "u"),
    [
        ("59 degF ± 1", "degC", (59 - 32) / 1.8, 1 / 1.8),
        ("59 °F ± 1 °F", "degC", (59 - 32) / 1.8, 1 / 1.8),
        ("59 deg F ± 1 degC", "degC", (59 - 32) / 1.8, 1),
        ("59 degF ± 1 K", "degF", 59, 1.8),
        ("59 F ± 0.5", "K", (59 + 459.67) / 1.8, 0.5 / 1.8),
        ("0 degF ± 2 degC", "degF", 0, 3.6),
        ("20 ± 0.5 degC", "degC", 20, 0.5),
        ("20 ± 0.9 degF", "degC", -20 / 3, 0.5),
        ("20 ± 0.5", "degC", 20, 0.5),
        ("-5 degC ± 0.5", "K", 268.15, 0.5),
        ("-40 degF ± 1", "degC", -40, 1 / 1.8),
        ("0 degC ± 1", "degF", 32, 1.8),
        ("293.15 K ± 1", "degC", 20, 1),
    ],
)
def test_temperatures(text, unit, value, u):
    found = parse(text, unit)
    assert found.value == pytest.approx(value, abs=1e-10)
    assert found.u == pytest.approx(u, rel=1e-12)


@pytest.mark.parametrize("text", ["-300 degC", "-459.68 degF", "-0.01 K", "-500 °F ± 3"])
def test_below_absolute_zero_is_refused(text):
    with pytest.raises(BadQuantity, match="absolute zero"):
        parse(text)


def test_a_negative_temperature_needs_positive_to_be_off():
    assert parse("-5 degC", "degC").value == -5
    with pytest.raises(BadQuantity, match="above zero"):
        parse("-5 degC", "degC", positive=True)


def test_a_share_of_a_temperature_is_refused():
    with pytest.raises(BadQuantity, match="depends on the scale"):
        parse("20 degC ± 5 %")


def test_a_rate_of_temperature_is_no_temperature():
    assert parse("2 K/min", "degC/min").value == 2
    assert not same_dimension("degC", "K/min")


# --- published --------------------------------------------------------------


@pytest.mark.parametrize(
    ("quantity", "typed", "unit"),
    [
        ("standard gravity", "1 gee", "m/s2"),
        ("inch", "1 in", "mm"),
        ("foot", "1 ft", "m"),
        ("mile", "1 mi", "m"),
        ("mile per hour", "1 mph", "m/s"),
        ("knot", "1 knot", "m/s"),
        ("ft/s", "1 ft/s", "m/s"),
        ("ounce avoirdupois", "1 oz", "g"),
        ("pound", "1 lb", "kg"),
        ("pound-force", "1 lbf", "N"),
        ("psi", "1 psi", "Pa"),
        ("standard atmosphere", "1 atm", "Pa"),
        ("inHg (conventional, 25.4 mmHg)", "1 inHg", "Pa"),
        ("square foot", "1 ft^2", "m^2"),
        ("footcandle", "1 fc", "lx"),
        ("0 degC", "0 degC", "K"),
        ("32 degF", "32 degF", "degC"),
        ("-40 degF", "-40 degF", "degC"),
        ("59 degF", "59 degF", "degC"),
        ("98.6 degF", "98.6 degF", "degC"),
        ("watt-hour", "1 Wh", "J"),
        ("1 GiB", "1 GiB", "byte"),
    ],
)
def test_conversions(published, quantity, typed, unit):
    # CGPM 1901; yard and pound 1959; NIST SP 811 B.8
    row = next(r for r in published("unit_conversions.csv") if r["quantity"] == quantity)
    assert parse(typed, unit).value == pytest.approx(float(row["value"]), rel=2e-9, abs=1e-10)


def test_coverage_and_effective_degrees_of_freedom():
    # JCGM 100:2008, G.4.1 (from memory): 10, 5 and 15 readings
    dof = effective_dof([(0.25, 9), (0.57, 4), (0.82, 14)])
    assert dof == pytest.approx(19.0, abs=0.05)
    assert coverage_factor(19) == pytest.approx(2.093, abs=5e-4)
    assert coverage_factor() == pytest.approx(1.96, abs=5e-4)
    with pytest.raises(ValueError, match="above zero"):
        coverage_factor(0)


def test_every_measurand_has_a_unit_that_converts():
    for entry in all_measurands().values():
        assert convert(2.0, entry.pint_unit, entry.pint_unit) == 2.0
        assert same_dimension(entry.pint_unit, entry.pint_unit)


# --- kinds that Pint mixes up -----------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("3 kg", "m"),
        ("30 Hz", "Mbit/s"),
        ("100 cd/m2", "lx"),
        ("100 nit", "fc"),
        ("16 GB", ""),
        ("12 EV", "lx"),
        ("5 m ± 1 s", None),
        ("20 m ± 1 degC", None),
        ("59 degF", "s"),
        ("23 m", "min"),
        ("8 dB", "stops"),
        ("0.3 cy/px", "px"),
    ],
)
def test_another_kind_is_refused_and_names_what_was_typed(text, unit):
    with pytest.raises(BadQuantity, match="turned into") as caught:
        parse(text, unit)
    assert text in caught.value.message
    assert caught.value.hint


# --- bad input --------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "empty"),
        ("   ", "empty"),
        ("nan", "number"),
        ("inf m", "number"),
        ("wide", "number"),
        ("--5 m", "number"),
        ("1e400 m", "finite"),
        ("1e-40 m ± 1e999", "finite"),
        ("5 m ± 1" + "0" * 180 + "e300", "finite"),
        ("1" + "0" * 190 + "e300 m", "finite"),
        ("9" * 500, "too long"),
        ("1,500 m", "two ways"),
        ("1,234,567 m", "two ways"),
        ("1.2.3 m", "not a number"),
        ("1/0 in", "zero"),
        ("5 wibbles", "not a unit"),
        ("5 m/s/", "not a unit"),
        ("5 m**9**9**9", "not a unit"),
        ("5 m**99999", "not a unit"),
        ("5 __import__('os')", "not a unit"),
        ("5 (m", "not a unit"),
        ("5 ft 2 kg", "not one value"),
        ("5 m ± -1", "negative"),
        ("5 m ± 1 ± 2", "more than one"),
        ("5 m ±", "lacks"),
        ("± 5", "lacks"),
        ("5 m (k=2)", "no ±"),
        ("5 m ± 1 (k=0)", "above zero"),
        ("5 m ± 1 (k=...)", "unit|number"),
        ("1:2:3:4", "unit"),
    ],
)
def test_what_has_no_meaning_is_refused(text, match):
    with pytest.raises(BadQuantity, match=match):
        parse(text)


@pytest.mark.parametrize("text", ["0 m", "-1 m", "0.0 m ± 1"])
def test_positive_refuses_zero_and_below(text):
    assert parse(text, "m").value <= 0
    with pytest.raises(BadQuantity, match="above zero"):
        parse(text, "m", positive=True)


@pytest.mark.parametrize(
    ("value", "u", "unit", "text"),
    [
        # Two digits of u: JCGM 100:2008, 7.2.6
        (8.5234, 0.0612, "ms", "8.523 ± 0.061 ms"),
        (8.5234, 0.0996, "ms", "8.52 ± 0.10 ms"),
        (1234.5, 99.6, "", "1230 ± 100"),
        (1234.5, 12.3, "m", "1234 ± 12 m"),
        (99.6, 0.5, "%", "99.60 % ± 0.50 %"),
        (0.00012345, 0.0000011, "", "0.0001234 ± 0.0000011"),
        (47.0, 0.0, "in", "47 in"),
        (1234567.0, 0.0, "m", "1234567 m"),
    ],
)
def test_values_are_written_to_two_digits_of_their_uncertainty(value, u, unit, text):
    assert format_value(value, u, unit) == text


# --- properties -------------------------------------------------------------

UNITS = ["", "m", "in", "g", "degC", "degF", "mph", "%", "ms", "Mbit/s", "cy/px", "lx", "m/s2"]
numbers = st.floats(-1e12, 1e12, allow_nan=False)
spreads = st.floats(1e-9, 1e9, allow_nan=False)


@given(numbers, spreads, st.sampled_from(UNITS))
def test_what_is_written_reads_back(value, u, unit):
    assume(unit not in ("degC", "degF") or value > -200)
    found = parse(format_value(value, u, unit))
    assert found.unit == unit
    assert found.u == pytest.approx(u, rel=0.051)
    assert abs(found.value - value) <= 0.051 * u + 1e-9 * abs(value)
    assert found.stated


@given(numbers, st.sampled_from(UNITS))
def test_what_is_written_without_uncertainty_reads_back(value, unit):
    assume(unit not in ("degC", "degF") or value > -200)
    assert parse(format_value(value, 0.0, unit)).value == pytest.approx(value, rel=1e-5)


@given(numbers, spreads, st.sampled_from([("degF", "degC"), ("in", "mm"), ("mph", "m/s")]))
def test_there_and_back(value, u, pair):
    here, there = pair
    start = Quantity(value, here, u)
    back = start.to(there).to(here)
    assert back.value == pytest.approx(value, rel=1e-9, abs=1e-9)
    assert back.u == pytest.approx(u, rel=1e-12)


@given(st.text(max_size=40))
@settings(max_examples=400)
def test_any_text_is_read_or_refused(text):
    _read_or_refuse(text)


TYPED = st.text(st.sampled_from("0123456789.,-+±/:' \"()=kKemdgCFin%eE*^°½−smtlbozh"), max_size=24)


@given(TYPED)
@settings(max_examples=1500)
def test_near_misses_are_read_or_refused(text):
    _read_or_refuse(text)


@given(st.integers(0, 99999), TYPED, st.sampled_from(UNITS))
@settings(max_examples=800)
def test_odd_units_are_read_or_refused(number, tail, unit):
    _read_or_refuse(f"{number} {tail}", unit)


def _read_or_refuse(text, unit=None):
    try:
        found = parse(text, unit)
    except BadQuantity:  # anything else fails the test
        return
    assert math.isfinite(found.value)
    assert math.isfinite(found.u)
    assert found.u >= 0


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("5 m.", "m", 5),
        ("20 000 lx", "lx", 20_000),  # digits in groups of three: SI Brochure, 5.4.4
        ("1 234.5 mm", "mm", 1234.5),
        ("5 ''", "mm", 127),  # 1 in = 25.4 mm, NIST SP 811, B.8
        ("32 gb", "GB", 32),
        ("5 ℃", "degC", 5),
        ("41 ℉", "degC", 5),
        ("500 mah", "mAh", 500),
        ("1⁄2 in", "mm", 12.7),
        ("12 mil", "mm", 0.3048),  # a thousandth of an inch
        # 1 Mbit = 10⁶ bit (IEC 80000-13); nobody means thousandths of a bit
        ("24 mbps", "bit/s", 24e6),
        ("24 MBit/s", "bit/s", 24e6),
        ("64 kbps", "bit/s", 64e3),
        ("48 khz", "Hz", 48e3),
        ("30 HZ", "Hz", 30),
        ("42:10", "min", 42 + 10 / 60),  # no day has 42 hours
        ("1:42", "s", 102),  # a stop watch
        ("1:42:00", "min", 102),
    ],
)
def test_what_people_write_is_taken(text, unit, value):
    assert parse(text, unit).value == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "unit", "why"),
    [
        ("1:42", "min", "hours and minutes"),
        ("0:48", "h", "hours and minutes"),
        ("24 MBPS", "bit/s", "bits or bytes"),
        ("5 Mm", "mm", "a million times"),
        ("1 Ms", "s", "a million times"),
        ("5 c", None, "constant"),
        ("5 pi m", "m", "constant"),
        ("5 ft 17 in", "m", "a foot or more"),
        ("1 h 90 min", "min", "an hour or more"),
        ("1e-400 m", "m", "too small"),
    ],
)
def test_what_can_be_read_otherwise_than_meant_is_asked(text, unit, why):
    with pytest.raises(BadQuantity, match=why):
        parse(text, unit)


@pytest.mark.parametrize("text", ["1400", "1400 ± 2", "1/2", "5 1/2", "1400 ± 4 (k=2)", "1e3"])
def test_a_person_is_asked_for_the_unit(text):
    with pytest.raises(BadQuantity, match="has no unit"):
        parse(text, "mm", bare=False)
    assert parse(text, "mm").unit == "mm"
    assert parse(text, "", bare=False).unit == ""
    assert parse(f"{text.split(' ±')[0]} mm", "mm", bare=False).value > 0


def test_nothing_is_read_without_uncertainty_but_a_plan_may_wish():
    with pytest.raises(BadQuantity, match="without any uncertainty"):
        parse("1 m ± 0", "m", bare=False)
    assert parse("60 m ± 0 m", "m").u == 0


# --- the commonest units, which do without Pint; Pint is what they are held against ----------


@pytest.mark.parametrize("kind", sorted({k for k, _ in KINDS.values()}))
def test_common_units_are_what_pint_has(kind):
    names = [n for n, (k, _) in KINDS.items() if k == kind]
    for a, b in itertools.product(names, names):
        theirs = units._affine(a, b)
        assert affine(a, b) == pytest.approx(theirs, rel=1e-12, abs=1e-9)
        assert units.unit_of(a).dimensionality == units.unit_of(b).dimensionality
    other = next(n for n, (k, _) in KINDS.items() if k not in (kind, "", "angle"))
    assert affine(names[0], other) is None
    for name in names:
        assert units.has_offset(name) == units._offset(units.unit_of(name))
        assert units.is_temperature(name) == (kind == "temperature")


def test_a_common_reading_does_not_wait_for_pint():
    code = (
        "import sys; from seeworthy.ground.quantities import parse;"
        "print(parse('73.7 in ± 0.1 in', 'm').value, parse('68 degF', 'degC').value,"
        " 'pint' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    length, warmth, loaded = done.stdout.split()
    assert float(length) == pytest.approx(1.87198)
    assert float(warmth) == pytest.approx(20)
    assert loaded == "False"
