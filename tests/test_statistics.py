"""Shared statistics: truth injected, then GUM, JCGM 101, NIST StRD and published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from seeworthy.ground import statistics as st
from seeworthy.ground.lines import fit_linear, straight_line
from seeworthy.ground.propagation import propagate, propagate_vector, u_rectangular
from seeworthy.ground.uncertainty import coverage_factor

# --- injected truth ---------------------------------------------------------


def test_propagation_agrees_with_the_analytic_answer():
    out = propagate(lambda x, y: x * y, [3.0, 4.0], [0.03, 0.02])
    assert out.value == 12
    assert out.u == pytest.approx(math.hypot(4 * 0.03, 3 * 0.02), rel=1e-12)
    assert out.parts == pytest.approx((0.12, 0.06))


def test_fully_correlated_inputs_add_and_cancel():
    both = {(0, 1): 1.0}
    assert propagate(lambda x, y: x + y, [1, 2], [0.3, 0.4], both).u == pytest.approx(0.7)
    assert propagate(lambda x, y: x - y, [1, 2], [0.4, 0.4], both).u == pytest.approx(0)


def test_an_exact_input_adds_nothing():
    out = propagate(lambda x, k: k * x, [2.0, 5.0], [0.1, 0.0])
    assert out.u == pytest.approx(0.5)
    assert out.parts[1] == 0


def test_t_intervals_hold_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(7)
    hits = 0
    for _ in range(2000):
        low, high = st.mean_t(rng.normal(5, 2, 4)).interval
        hits += low <= 5 <= high
    assert hits / 2000 == pytest.approx(0.95, abs=0.015)


def test_a_shared_uncertainty_does_not_average_out():
    mean = st.mean_t([10.0, 10.2, 9.8, 10.0], u_common=0.5)
    assert mean.u > 0.5
    assert mean.dof > 3


def test_weighted_mean_widens_when_values_disagree():
    calm = st.weighted_mean([10.0, 10.1], [0.1, 0.1])
    assert calm.u == pytest.approx(0.1 / math.sqrt(2))
    assert math.isinf(calm.dof)
    torn = st.weighted_mean([10.0, 12.0], [0.1, 0.1])
    assert torn.birge == pytest.approx(math.sqrt(200))
    assert torn.u == pytest.approx(1.0)
    assert torn.p < 1e-6


def test_weighted_mean_of_the_same_value_is_that_value():
    one = st.weighted_mean([3.0], [0.2])
    assert (one.value, one.u, one.birge) == (3.0, pytest.approx(0.2), 1.0)


@pytest.mark.parametrize("about", [None, 0.0, 1.5])
def test_the_robust_spread_is_that_of_scipy(about):
    values = np.random.default_rng(4).standard_t(3, 101) + 1
    center = np.median if about is None else (lambda x, axis: about)
    expected = stats.median_abs_deviation(values, scale="normal", center=center)
    assert st.robust_spread(values, about) == pytest.approx(expected, rel=1e-12)


# --- published values -------------------------------------------------------


def _gum(published, example, quantity):
    rows = [
        r
        for r in published("gum_examples.csv")
        if r["example"] == example and r["quantity"] == quantity
    ]
    assert len(rows) == 1
    return rows[0]


def test_gum_type_a(published):
    data = _gum(published, "GUM 4.4.3 (20 temperatures)", "data degC")["published"].split()
    mean = st.mean_t([float(v) for v in data])
    # JCGM 100:2008, 4.4.3 (from memory)
    assert mean.value == pytest.approx(100.145, abs=5e-4)
    assert mean.s == pytest.approx(1.489, abs=5e-4)
    assert mean.u == pytest.approx(0.333, abs=5e-4)


def test_gum_distributions():
    # JCGM 100:2008, 4.3.7
    assert u_rectangular(1) == pytest.approx(0.577350, abs=1e-6)


def test_gum_effective_degrees_of_freedom():
    # JCGM 100:2008, G.4.1, example (from memory)
    out = propagate(lambda a, b, c: a * b * c, [1, 1, 1], [0.0025, 0.0057, 0.0082], dofs=[9, 4, 14])
    assert out.u == pytest.approx(0.0103, abs=5e-5)
    assert out.dof == pytest.approx(19.0, abs=0.05)
    assert (out.interval[1] - 1) * 100 == pytest.approx(2.2, abs=0.05)


def test_student_t_table(published):
    # JCGM 100:2008, Table G.2
    for row in published("t_table.csv"):
        dof = math.inf if row["nu"] == "inf" else float(row["nu"])
        for column, value in row.items():
            if column == "nu":
                continue
            name = column.removeprefix("t_p_")
            coverage = float(name) / 100
            assert coverage_factor(dof, coverage) == pytest.approx(float(value), abs=6e-5)


def test_gum_h1_end_gauge(published):
    # JCGM 100:2008, H.1
    rows = [r for r in published("gum_h1_end_gauge.csv") if not r["input"].startswith("combined")]
    us = [float(r["standard_uncertainty"]) for r in rows]
    dofs = [float(r["degrees_of_freedom"] or "inf") for r in rows]
    length = 50.000623e6  # nm

    def model(ls, d, d1, d2, alpha, mean, swing, d_alpha, d_theta):
        theta = mean + swing
        return ls + d + d1 + d2 - ls * (d_alpha * theta + alpha * d_theta)

    out = propagate(model, [length, 215, 0, 0, 11.5e-6, -0.1, 0, 0, 0], us, dofs=dofs)
    assert out.value / 1e6 == pytest.approx(50.000838, abs=5e-7)
    assert out.u == pytest.approx(31.664, abs=0.01)
    assert out.dof == pytest.approx(16.752, abs=0.01)
    assert coverage_factor(16, 0.99) * out.u == pytest.approx(92.48, abs=0.05)


def test_gum_h2_correlated_readings(published):
    # JCGM 100:2008, H.2
    rows = published("gum_h2_data.csv")
    data = np.array([[float(r[k]) for k in ("V_volt", "I_mA", "phi_rad")] for r in rows])
    data[:, 1] /= 1000
    covariance = np.cov(data.T) / len(data)

    def model(v, i, phi):
        return [v / i * math.cos(phi), v / i * math.sin(phi), v / i]

    value, out = propagate_vector(model, data.mean(axis=0), covariance)
    u = np.sqrt(np.diag(out))
    assert value == pytest.approx([127.7322, 219.8465, 254.2597], abs=1e-4)
    assert u == pytest.approx([0.07107, 0.29558, 0.23634], abs=2e-5)
    r = out / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_gum_h3_thermometer_line(published):
    # JCGM 100:2008, H.3
    rows = published("gum_h3_data.csv")
    t, b = ([float(r[k]) for r in rows] for k in ("t_k_degC", "b_k_degC"))
    line = straight_line(t, b, x0=20)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert math.sqrt(line.covariance[0, 0]) == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.u_slope == pytest.approx(0.00067, abs=5e-6)
    assert line.s == pytest.approx(0.0035, abs=5e-5)
    r = line.covariance[0, 1] / math.sqrt(line.covariance[0, 0]) / line.u_slope
    assert r == pytest.approx(-0.930, abs=5e-4)
    assert line.at(30) == pytest.approx((-0.1494, 0.0041), abs=5e-5)
    assert line.dof == 9


@pytest.mark.parametrize("row", range(8))
def test_nist_univariate(published, row):
    certified = published("nist_univariate_certified.csv")[row]
    name = certified["dataset"]
    data = [float(r["y"]) for r in published("nist_univariate_data.csv") if r["dataset"] == name]
    if not data:
        first, low, high = {
            "NumAcc2": (1.2, 1.1, 1.3),
            "NumAcc3": (1000000.2, 1000000.1, 1000000.3),
            "NumAcc4": (10000000.2, 10000000.1, 10000000.3),
        }[name]
        data = [first, *[low, high] * 500]
    assert len(data) == int(certified["n"])
    mean = st.mean_t(data)
    assert mean.value == pytest.approx(float(certified["certified_mean"]), rel=1e-14)
    # NumAcc3 and 4 hold 0.1 in numbers whose own spacing is 1e-10 and 2e-9
    assert mean.s == pytest.approx(float(certified["certified_sd"]), rel=1e-7)
    lag1 = float(certified["certified_lag1_autocorrelation"])
    assert st.lag1_autocorrelation(data) == pytest.approx(lag1, rel=1e-7)


def _certified(published, start):
    rows = published("nist_linear_certified.csv")
    return {r["parameter"]: float(r["certified"]) for r in rows if r["dataset"].startswith(start)}


def test_nist_norris(published):
    rows, want = published("nist_norris_data.csv"), _certified(published, "Norris")
    line = straight_line([float(r["x"]) for r in rows], [float(r["y"]) for r in rows])
    assert line.intercept == pytest.approx(want["B0"], rel=1e-11)
    assert line.slope == pytest.approx(want["B1"], rel=1e-13)
    assert math.sqrt(line.covariance[0, 0]) == pytest.approx(want["sd(B0)"], rel=1e-11)
    assert line.u_slope == pytest.approx(want["sd(B1)"], rel=1e-11)
    assert line.s == pytest.approx(want["residual sd"], rel=1e-11)
    assert line.dof == want["residual df"]


@pytest.mark.parametrize(
    ("name", "x", "y"),
    [("NoInt1", range(60, 71), range(130, 141)), ("NoInt2", [4, 5, 6], [3, 4, 4])],
)
def test_nist_through_origin(published, name, x, y):
    want = _certified(published, name)
    fit = fit_linear(np.array(list(x), float)[:, None], list(y))
    assert fit.coefficients[0] == pytest.approx(want["B1"], rel=1e-13)
    assert fit.us[0] == pytest.approx(want["sd(B1)"], rel=1e-13)


def test_nist_pontius_quadratic(published):
    rows, want = published("nist_pontius_data.csv"), _certified(published, "Pontius")
    x = np.array([float(r["x"]) for r in rows])
    fit = fit_linear(np.column_stack([x**0, x, x * x]), [float(r["y"]) for r in rows])
    for i in range(3):
        assert fit.coefficients[i] == pytest.approx(want[f"B{i}"], rel=1e-9)
        assert fit.us[i] == pytest.approx(want[f"sd(B{i})"], rel=1e-9)
    assert fit.s == pytest.approx(want["residual sd"], rel=1e-9)


def test_exact_shares(published):
    # Newcombe (1998), NIST/SEMATECH 7.2.4.1 (from memory; recomputed with SciPy)
    seen = 0
    for row in published("stats_examples.csv"):
        if not row["method"].startswith("Clopper-Pearson"):
            continue
        k, n = (int(v) for v in row["case"].split(" of "))
        coverage = 0.90 if "90" in row["method"] else 0.95
        want = [float(v) for v in row["recomputed_scipy"].partition("(")[0].split(";")]
        assert st.clopper_pearson(k, n, coverage) == pytest.approx(want, abs=1.5e-6)
        if row["published"]:
            text = row["published"].partition("(")[0]
            want = [float(v) for v in text.split(";")]
            digits = 10.0 ** -min(len(v.strip().partition(".")[2]) or 9 for v in text.split(";"))
            assert st.clopper_pearson(k, n, coverage) == pytest.approx(want, abs=1.01 * digits)
        seen += 1
    assert seen == 9


@pytest.mark.parametrize("n", [10, 20, 30, 50, 60, 100, 300])
def test_nothing_failed(published, n):
    # Hanley and Lippman-Hand (1983): near 3/n
    rows = [r for r in published("stats_examples.csv") if r["method"].startswith("rule of three")]
    row = next(r for r in rows if r["case"] == f"n={n}")
    exact = float(row["recomputed_scipy"].rpartition("=")[2])
    assert st.failure_bound(0, n) == pytest.approx(exact, abs=1e-6)
    assert st.failure_bound(0, n) < 3 / n


# --- bad input --------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: st.mean_t([1.0]), "two repeats"),
        (lambda: st.weighted_mean([1.0, 2.0], [0.1, 0.0]), "above zero"),
        (lambda: st.weighted_mean([], []), "above zero"),
        (lambda: straight_line([1, 1, 1], [1, 2, 3]), "apart"),
        (lambda: straight_line([1], [1]), "at least 2"),
        (lambda: st.failure_bound(3, 2), "between"),
        (lambda: propagate(lambda x, y: x, [1, 1], [1, 1], {(0, 1): 2.0}), "within"),
    ],
)
@pytest.mark.filterwarnings("ignore:invalid value")
def test_what_cannot_be_computed_is_refused(call, match):
    with pytest.raises(ValueError, match=match):
        call()
