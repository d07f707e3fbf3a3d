"""Logs: whatever headers, separators and units loggers write."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from seeworthy.ground.errors import BadQuantity, UnreadableInput, WrongCall
from seeworthy.media.headers import meaning_of
from seeworthy.media.logs import pairs, read_log
from seeworthy.media.source import Source

FLIGHTS = Path(__file__).parent / "published" / "flightlogs"


@pytest.fixture
def log_of(tmp_path):
    def write(text, encoding="utf-8", **options):
        path = tmp_path / "flight.csv"
        path.write_bytes(text.encode(encoding))
        return read_log(Source.of(path), **options)

    return write


@pytest.mark.parametrize(
    ("header", "quantity", "unit", "axis"),
    [
        ("altitude[m]", "height", "m", ""),
        ("velocity[m/s]", "speed", "m/s", ""),
        ("Altitude (Ft-AGL)", "height", "ft", ""),
        ("Time-Axial Accel (Gs)", "time", "", "axial"),
        (" Axial Accel (Gs)", "acceleration", "gee", "axial"),
        ("acceleration_m_s2", "acceleration", "m/s2", ""),
        ("pressure_Pa", "pressure", "Pa", ""),
        ("speed_m_s", "speed", "m/s", ""),
        ("temperature_C", "temperature", "degC", ""),
        ("time_s", "time", "s", ""),
        ("time_ms", "time", "ms", ""),
        ("millis", "time", "ms", ""),
        ("ts", "time", "", ""),
        ("accelX (g)", "acceleration", "gee", "x"),
        ("AccZ[m/s²]", "acceleration", "m/s2", "z"),
        ("Vertical acceleration (m/s^2)", "acceleration", "m/s2", "vertical"),
        ("ay", "acceleration", "", "y"),
        ("gyro_x (deg/s)", "rotation", "degree/s", "x"),
        ("Pressure altitude, ft", "height", "ft", ""),
        ("Baro (hPa)", "pressure", "hPa", ""),
        ("Batt V", "voltage", "V", ""),
        ("press_hPa", "pressure", "hPa", ""),
        ("vbat_mV", "voltage", "mV", ""),
        ("Accel_Z (mg)", "acceleration", "milli_gee", "z"),
        ("baro1_kPa", "pressure", "kPa", ""),
        ("state", "", "", ""),
    ],
)
def test_headers_as_loggers_write_them(header, quantity, unit, axis):
    meaning = meaning_of(header)
    assert (meaning.quantity, meaning.unit, meaning.axis) == (quantity, unit, axis)


# Real loggers' files, RocketPy repository data/rockets (MIT), see tests/published/README.md.
@pytest.mark.parametrize(
    ("name", "quantity", "unit", "rows", "largest"),
    [
        ("cavour_altitude.csv", "height", "m", 404, 2789.0),
        ("cavour_altitude.csv", "speed", "m/s", 404, 314.0),
        ("juno3_altimeter.csv", "height", "m", 611, 3213.375),
        ("juno3_altimeter.csv", "pressure", "hPa", 611, None),
        ("ndrt2020_accel_altitude.csv", "height", "ft", 1819, 4331.88 * 0.3048),
        ("ndrt2020_accel_altitude.csv", "acceleration", "gee", 1819, 10.8 * 9.80665),
        ("prometheus2022_baro_accel_0-60s.csv", "acceleration", "m/s2", 3853, 257.62),
        ("prometheus2022_baro_accel_0-60s.csv", "height", "m", 3853, 3903.77),
    ],
)
def test_real_loggers(name, quantity, unit, rows, largest):
    log = read_log(Source.of(FLIGHTS / name))
    column = log.first(quantity)
    assert column.unit == unit
    assert column.data.shape == (rows,)
    t, y = log.series(column)
    assert t.shape == y.shape
    if largest is not None:
        # The last samples of Juno III are garbage (10.7 km); its figure is the spike at 26.3 s.
        assert np.max(y[t < 30] if name.startswith("juno3") else y) == pytest.approx(
            largest, rel=1e-6
        )


def test_two_tables_side_by_side_keep_their_own_time():
    log = read_log(Source.of(FLIGHTS / "ndrt2020_accel_altitude.csv"))
    fast, _ = log.series(log.first("acceleration"))
    slow, height = log.series(log.first("height"))
    assert np.median(np.diff(fast)) == pytest.approx(0.0025)
    assert np.median(np.diff(slow)) == pytest.approx(0.05)
    assert slow[np.argmax(height)] == pytest.approx(17.095)
    assert log.left_out == ("bILBA", "bILBA")


def test_height_above_ground_comes_before_altitude():
    log = read_log(Source.of(FLIGHTS / "prometheus2022_baro_accel_0-60s.csv"))
    assert [c.header for c in log.all("height")] == ["height_m", "altitude_m"]


def test_decimal_commas_with_semicolons(log_of):
    log = log_of("Zeit;Time (s);Alt (m)\nx;0,00;1,5\nx;0,05;2,25\nx;0,10;3\n")
    t, y = log.series(log.first("height"))
    assert t.tolist() == [0, 0.05, 0.1]
    assert y.tolist() == [1.5, 2.25, 3]


@pytest.mark.parametrize("mark", ["\t", ";", ",", "   "])
def test_separators(log_of, mark):
    text = "\n".join(
        mark.join(r) for r in [("time", "alt"), ("0", "1.5"), ("0.1", "2"), ("1", "3")]
    )
    t, y = (log := log_of(text)).series(log.first("height"))
    assert t.tolist() == [0, 0.1, 1]
    assert y.tolist() == [1.5, 2, 3]


@pytest.mark.parametrize("mark", ["\t", ";", ","])
def test_blank_cells_of_a_slower_sensor_do_not_change_the_separator(log_of, mark):
    rows = [[f"{i / 100}", "9.81", f"{h:.1f}" if i % 4 == 0 else ""] for i, h in enumerate(FLOWN)]
    log = log_of("\n".join(mark.join(r) for r in [["t", "az", "alt_ft"], *rows]))
    assert [c.header for c in log.columns] == ["t", "az", "alt_ft"]
    assert log.series(log.first("height"))[0].size == -(-len(FLOWN) // 4)
    assert not any("another number of cells" in n for n in log.notes)


def test_the_barometer_comes_before_a_satellite_receiver(log_of):
    log = log_of("t,GPS altitude (m),Altitude (m)\n" + "".join(f"{i},90,{i}\n" for i in range(9)))
    assert log.first("height").header == "Altitude (m)"


def test_thousandths_of_gravity(log_of):
    log = log_of("t,acc (mg)\n" + "".join(f"{i},1000\n" for i in range(9)))
    assert log.series(log.first("acceleration"))[1] == pytest.approx(9.80665)


def test_byte_order_mark_comments_and_lines_before_the_table(log_of):
    text = (
        "\ufeffLogger 7, firmware 2\r\nSite,dune foot\r\n# Time (s),Altitude (ft)\r\n0,0\r\n"
        "# Event LAUNCH at t=0.05\r\n0.1,10\r\n0.2,nan\r\n0.3,\r\n0.4,30\r\n"
    )
    log = log_of(text)
    t, y = log.series(log.first("height"))
    assert t.tolist() == [0, 0.1, 0.4]
    assert y == pytest.approx([0, 3.048, 9.144])


def test_utf16_and_old_code_pages(log_of):
    assert log_of("Time;Temp °C\n0;20\n1;21\n", "cp1252").first("temperature").unit == "degC"
    assert log_of("\ufeffTime\tTemp (°F)\n0\t68\n1\t50\n", "utf-16-le").first("temperature").si()[
        1
    ] == pytest.approx(10)


def test_columns_that_come_in_other_rows_stand_on_one_time(log_of):
    """By arithmetic: rows out of order, one sent twice, a slower column beside it."""
    log = log_of("t (s),ax (m/s2),ay (m/s2)\n0,1,10\n2,3,\n1,2,\n1,9,70\n3,4,40\n")
    time, data = log.together(log.all("acceleration"))
    assert time.tolist() == [0, 1, 2, 3]
    assert data[:, 0].tolist() == [1, 2, 3, 4]
    assert data[:, 1].tolist() == [10, 70, 55, 40]


def test_a_line_of_units_below_the_header(log_of):
    log = log_of("time,alt,acc\n[ms],[ft],[g]\n0,0,1\n50,10,9\n100,30,2\n")
    assert [(c.quantity, c.unit) for c in log.columns] == [
        ("time", "ms"), ("height", "ft"), ("acceleration", "gee"),
    ]  # fmt: skip
    t, _ = log.series(log.first("height"))
    assert t == pytest.approx([0, 0.05, 0.1])


def test_no_header_takes_the_rising_column_for_time_and_the_rest_from_the_user(log_of):
    text = "5,0.0,100\n5,0.1,101\n4,0.2,103\n"
    log = log_of(text, columns={"height": "3"})
    assert log.first("time").header == "column 2"
    assert any("no header" in n for n in log.notes)
    t, y = log.series(log.first("height"))
    assert t.tolist() == [0, 0.1, 0.2]
    assert y.tolist() == [100, 101, 103]


def test_clock_times_across_midnight(log_of):
    log = log_of("clock,alt\n23:59:59.5,1\n00:00:00.0,2\n00:00:00.5,3\n")
    t, _ = log.series(log.first("height"))
    assert t.tolist() == [0, 0.5, 1]


def test_units_told_by_the_numbers_are_said_to_be(log_of):
    log = log_of("time,pressure,acc\n0,1013.2,1.01\n20,1013.1,0.99\n40,1012.0,8\n60,1000,9\n")
    assert [(c.unit, c.unit_from) for c in log.columns] == [
        ("ms", "data"), ("hPa", "data"), ("gee", "data"),
    ]  # fmt: skip
    assert sum("by the size" in note for note in log.notes) == 3


def test_the_user_has_the_last_word(log_of):
    text = "t,alt,baro alt\n0,0,0\n1,10,30\n2,20,60\n"
    log = log_of(text, columns=pairs("time:t,height:baro"), units=pairs("alt:ft", "units"))
    assert [c.header for c in log.all("height")] == ["baro alt"]
    _, y = log.series(log.first("height"))
    assert y == pytest.approx([0, 9.144, 18.288])
    assert log.first("height").unit_from == "user"


def test_repeated_and_backward_times_are_handed_on(log_of):
    # Judging a log is the measure's business.
    t, _ = (log := log_of("time,alt\n0,0\n1,1\n1,1\n0.5,2\n")).series(log.first("height"))
    assert t.tolist() == [0, 1, 1, 0.5]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("hello\nworld\n", "no table of numbers"),
        ("time\n0\n1\n2\n", "no table of numbers"),
        ("time,state\n0,pad\n1,boost\n", "fewer than two columns"),
        ("PK\x03\x04\0\0\0\0", "not a text file"),
    ],
)
def test_what_is_no_log(log_of, text, reason):
    with pytest.raises(UnreadableInput, match=reason) as caught:
        log_of(text)
    assert caught.value.hint


def test_wrong_corrections(log_of):
    text = "time,alt_a,alt_b\n0,0,0\n1,10,20\n"
    with pytest.raises(WrongCall, match="no column called 'hight'") as caught:
        log_of(text, columns={"height": "hight"})
    assert "'alt_a'" in caught.value.hint
    with pytest.raises(WrongCall, match="more than one column called 'alt'"):
        log_of(text, columns={"height": "alt"})
    with pytest.raises(BadQuantity, match="not a unit of height"):
        log_of(text, units={"height": "kg"})
    with pytest.raises(BadQuantity, match="not a unit"):
        log_of(text, units={"height": "furlongg"})
    with pytest.raises(WrongCall, match="not QUANTITY:NAME"):
        pairs("height=alt")


def test_a_log_without_time_says_how_to_name_it(log_of):
    log = log_of("alt,acc\n3,1\n2,2\n5,9\n")
    assert log.first("height").time is None
    with pytest.raises(UnreadableInput, match="no column of time") as caught:
        log.series(log.first("height"))
    assert "columns=time" in caught.value.hint


def test_infinities_do_not_pass(log_of):
    log = log_of("time,alt\n0,0\n1,1e999\n2,inf\n3,4\n")
    _, y = log.series(log.first("height"))
    assert all(map(math.isfinite, y))
    assert y.size == 2


def test_a_header_with_a_unit_of_another_kind_is_said(log_of):
    rows = "".join(f"{i / 10},{9.8}\n" for i in range(20))
    notes = " ".join(log_of("time (s),accel_z (kg)\n" + rows).notes)
    assert "'kg' is no unit of acceleration" in notes
    for fine in ("accel_z (m/s²)", "accel_z (g)", "accel (z)", "accel_z"):
        assert "is no unit" not in " ".join(log_of(f"time (s),{fine}\n" + rows).notes), fine


# Cells that are no number are never dropped in silence.


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ('"1,160.3"', 1160.3),
        ('"1,160"', 1160.0),
        ('"12,345,678.5"', 12345678.5),
        ("1'160.3", 1160.3),
        ("1 160.3", 1160.3),
        ("-0.5", -0.5),
    ],
)
def test_thousands_are_read(log_of, cell, value):
    rows = "".join(f"{i},{10 * i}\n" for i in range(20))
    log = log_of(f"time_s,altitude_m\n{rows}20,{cell}\n")
    t, y = log.series(log.first("height"))
    assert t.size == 21
    assert y[-1] == value


def test_european_thousands_and_decimals(log_of):
    rows = "".join(f"{i / 10:.1f};{i}\n".replace(".", ",") for i in range(20))
    log = log_of(f"time_s;altitude_m\n{rows}2,0;1.160,3\n")
    assert log.first("height").data[-1] == 1160.3


def test_cells_that_are_no_number_are_counted(log_of):
    rows = "".join(f"{i},{'ERR' if i in (5, 6) else i}\n" for i in range(40))
    log = log_of("time_s,altitude_m\n" + rows)
    assert any("2 of 40 cells of 'altitude_m' are no number, the first 'ERR' in row 6" in n
               for n in log.notes)  # fmt: skip


def test_a_column_of_broken_cells_is_refused(log_of):
    rows = "".join(f"{i},{'E12' if i % 3 == 0 else i}\n" for i in range(60))
    with pytest.raises(UnreadableInput, match="20 of 60 cells"):
        log_of("time_s,altitude_m\n" + rows)


def test_rows_with_too_many_cells_are_refused_when_many(log_of):
    rows = "".join(f"{i},{'1,160' if i > 30 else i}\n" for i in range(60))
    with pytest.raises(UnreadableInput, match="29 of 60 rows"):
        log_of("time_s,altitude_m\n" + rows)
    few = "".join(f"{i},{'1,160' if i > 57 else i}\n" for i in range(60))
    log = log_of("time_s,altitude_m\n" + few)
    assert any("2 of them, with more cells, were left out" in n for n in log.notes)


FLOWN = [0, 0, 1, 8, 40, 120, 250, 380, 500, 600, 680, 740, 790, 820, 840, 850, 845, 830, 800,
         760, 720, 680, 640, 600, 560, 520, 480]  # fmt: skip


@pytest.mark.parametrize("mark", ["2450' AGL", "2450 ft", "2,450 feet AGL"])
def test_a_preamble_is_told_from_the_table_and_gives_the_unit(log_of, mark):
    head = f"serial,12345\n\nApogee: {mark}\nTime,Altitude\n"
    log = log_of(head + "".join(f"{i * 0.5},{h}\n" for i, h in enumerate(FLOWN)))
    height = log.first("height")
    assert (height.header, height.unit, height.unit_from) == ("Altitude", "ft", "text")
    assert log.told.apogee == (2450.0, "ft")
    assert any("Line 3 was read as the header" in n for n in log.notes)
    assert log.series(height)[0].size == len(FLOWN)


def test_a_tab_file_without_header_is_read_by_its_numbers(log_of):
    rows = "".join(f"{i * 0.5}\t{h}\t{7.9 - i % 2 / 10}\n" for i, h in enumerate(FLOWN))
    log = log_of(rows)
    assert [c.quantity for c in log.columns] == ["time", "height", ""]


def test_cells_that_carry_their_unit(log_of):
    log = log_of("".join(f"{i * 0.5},{h}',{76.7}F\n" for i, h in enumerate(FLOWN)))
    assert log.columns[1].unit == "ft"
    named = log_of("time_s,altitude,temp\n" + "".join(
        f"{i * 0.5},{h}ft,{76.7}F\n" for i, h in enumerate(FLOWN)))  # fmt: skip
    assert [c.unit for c in named.columns] == ["s", "ft", "degF"]
    assert np.isfinite(named.first("height").data).all()


def test_text_records_become_a_table(log_of):
    log = log_of("logger 3\n" + "".join(f"t={i * 0.5} alt={h}\n" for i, h in enumerate(FLOWN)))
    assert [c.quantity for c in log.columns] == ["time", "height"]
    assert log.first("height").data.max() == 850


def test_a_tick_in_the_header_is_feet():
    assert meaning_of("Alt (')").unit == "ft"
