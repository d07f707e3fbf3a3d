"""Shared statistics: truth injected, then GUM, JCGM 101, NIST StRD and published examples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from seeworthy.ground import statistics as st

# --- injected truth ---------------------------------------------------------


def test_propagation_agrees_with_the_analytic_answer():
    out = st.propagate(lambda x, y: x * y, [3.0, 4.0], [0.03, 0.02])
    assert out.value == 12
    assert out.u == pytest.approx(math.hypot(4 * 0.03, 3 * 0.02), rel=1e-12)
    assert out.parts == pytest.approx((0.12, 0.06))


def test_fully_correlated_inputs_add_and_cancel():
    both = {(0, 1): 1.0}
    assert st.propagate(lambda x, y: x + y, [1, 2], [0.3, 0.4], both).u == pytest.approx(0.7)
    assert st.propagate(lambda x, y: x - y, [1, 2], [0.4, 0.4], both).u == pytest.approx(0)


def test_an_exact_input_adds_nothing():
    out = st.propagate(lambda x, k: k * x, [2.0, 5.0], [0.1, 0.0])
    assert out.u == pytest.approx(0.5)
    assert out.parts[1] == 0


def test_monte_carlo_agrees_with_first_order_on_a_straight_model():
    model = lambda x, y: 2 * x - y  # noqa: E731
    first = st.propagate(model, [1, 2], [0.1, 0.3], {(0, 1): 0.5})
    drawn = st.propagate_mc(model, [1, 2], [0.1, 0.3], {(0, 1): 0.5}, seed=4)
    assert drawn.u == pytest.approx(first.u, rel=0.01)
    assert drawn.value == pytest.approx(0, abs=0.005)


def test_monte_carlo_is_repeatable_by_seed():
    kwargs = {"draws": 1000}
    one = st.propagate_mc(np.exp, [0.0], [1.0], seed=1, **kwargs)
    assert one == st.propagate_mc(np.exp, [0.0], [1.0], seed=1, **kwargs)
    assert one != st.propagate_mc(np.exp, [0.0], [1.0], seed=2, **kwargs)


def test_few_degrees_of_freedom_widen_the_draws():
    drawn = st.propagate_mc(lambda x: x, [0.0], [1.0], dofs=[4], draws=400_000)
    assert drawn.interval[1] == pytest.approx(st.coverage_factor(4), rel=0.02)


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


def _autoregression(rng: np.random.Generator, n: int, r: float) -> np.ndarray:
    x = np.empty(n)
    x[0] = rng.normal() / math.sqrt(1 - r * r)
    for i in range(1, n):
        x[i] = r * x[i - 1] + rng.normal()
    return x


def test_block_bootstrap_sees_what_neighbours_share():
    rng = np.random.default_rng(3)
    n, r = 400, 0.7
    true_u = math.sqrt(1 / (1 - r) ** 2 / n)
    blocked, single = [], []
    for k in range(20):
        x = _autoregression(rng, n, r)
        blocked.append(st.block_bootstrap(x, np.mean, draws=300, seed=k).u)
        single.append(st.block_bootstrap(x, np.mean, 1, draws=300, seed=k).u)
    assert np.mean(blocked) == pytest.approx(true_u, rel=0.25)
    assert np.mean(single) < 0.6 * true_u


def test_line_predictions_hold_the_next_point():
    rng = np.random.default_rng(11)
    x = np.array([0.0, 5.0, 10.0, 20.0, 30.0])
    hits = 0
    for _ in range(2000):
        line = st.straight_line(x, 40 + 0.5 * x + rng.normal(0, 1.5, 5))
        low, high = line.prediction_interval(12.0)
        hits += low <= 40 + 0.5 * 12 + rng.normal(0, 1.5) <= high
    assert hits / 2000 == pytest.approx(0.95, abs=0.015)


def test_a_calibration_line_reads_backwards():
    line = st.straight_line([0, 1, 2, 3], [1.0, 3.1, 4.9, 7.0], x0=1.5)
    x, u = line.solve(4.0)
    assert line.at(x)[0] == pytest.approx(4.0)
    assert u == pytest.approx(line.predict(x)[1] / line.slope, rel=1e-9)


def test_a_flat_line_cannot_be_read_backwards():
    line = st.straight_line([0, 1, 2, 3], [1.0, 1.1, 0.9, 1.0])
    with pytest.raises(ValueError, match="too flat"):
        line.solve(1.0)


def test_robust_line_shrugs_off_wild_points():
    rng = np.random.default_rng(5)
    x = np.linspace(0, 10, 40)
    y = 2 + 3 * x + rng.normal(0, 0.1, 40)
    y[[3, 30, 36]] += [-40, 25, 60]
    line = st.robust_line(x, y)
    assert line.slope == pytest.approx(3, abs=3 * line.u_slope)
    assert line.u_slope < 0.02
    assert abs(st.straight_line(x, y).slope - 3) > 10 * line.u_slope


def test_robust_line_intervals_are_honest_on_normal_scatter():
    rng = np.random.default_rng(8)
    x, hits = np.linspace(0, 1, 12), 0
    for _ in range(600):
        line = st.robust_line(x, rng.normal(0, 1, 12))
        hits += abs(line.slope) <= st.coverage_factor(line.dof) * line.u_slope
    assert hits / 600 == pytest.approx(0.95, abs=0.03)


def test_robust_line_through_perfect_points_is_exact():
    line = st.robust_line([1, 2, 3, 4], [2, 4, 6, 8])
    assert (line.slope, line.intercept) == (pytest.approx(2), pytest.approx(0))


def test_york_intervals_are_honest_where_least_squares_is_biased():
    rng = np.random.default_rng(9)
    truth, hits = np.linspace(0, 5, 12), 0
    for _ in range(400):
        x, y = truth + rng.normal(0, 0.6, 12), 1 + 2 * truth + rng.normal(0, 0.6, 12)
        line = st.york_line(x, y, np.full(12, 0.6), np.full(12, 0.6), known=True)
        hits += abs(line.slope - 2) <= 1.96 * line.u_slope
    assert hits / 400 == pytest.approx(0.95, abs=0.035)


def test_one_way_recovers_scatter_between_specimens():
    rng = np.random.default_rng(2)
    groups = [rng.normal(rng.normal(10, 2), 0.5, 5) for _ in range(200)]
    found = st.one_way(groups)
    assert found.s_within == pytest.approx(0.5, rel=0.05)
    assert found.s_between == pytest.approx(2, rel=0.15)


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
    # JCGM 100:2008, 4.3.7 and 4.3.9; JCGM 101:2008, 6.4.6
    assert st.u_rectangular(1) == pytest.approx(0.577350, abs=1e-6)
    assert st.u_triangular(1) == pytest.approx(0.408248, abs=1e-6)
    assert st.u_arcsine(1) == pytest.approx(0.707107, abs=1e-6)


@pytest.mark.parametrize("shape", ["normal", "rectangular", "triangular", "arcsine"])
def test_draws_of_every_shape_have_the_stated_spread(shape):
    drawn = st.propagate_mc(lambda x: x, [2.0], [0.7], shapes=[shape])
    assert drawn.value == pytest.approx(2, abs=0.01)
    assert drawn.u == pytest.approx(0.7, rel=0.01)


def test_gum_effective_degrees_of_freedom():
    # JCGM 100:2008, G.4.1, example (from memory)
    out = st.propagate(
        lambda a, b, c: a * b * c, [1, 1, 1], [0.0025, 0.0057, 0.0082], dofs=[9, 4, 14]
    )
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
            assert st.coverage_factor(dof, coverage) == pytest.approx(float(value), abs=6e-5)


def test_gum_h1_end_gauge(published):
    # JCGM 100:2008, H.1
    rows = [r for r in published("gum_h1_end_gauge.csv") if not r["input"].startswith("combined")]
    us = [float(r["standard_uncertainty"]) for r in rows]
    dofs = [float(r["degrees_of_freedom"] or "inf") for r in rows]
    length = 50.000623e6  # nm

    def model(ls, d, d1, d2, alpha, mean, swing, d_alpha, d_theta):
        theta = mean + swing
        return ls + d + d1 + d2 - ls * (d_alpha * theta + alpha * d_theta)

    out = st.propagate(model, [length, 215, 0, 0, 11.5e-6, -0.1, 0, 0, 0], us, dofs=dofs)
    assert out.value / 1e6 == pytest.approx(50.000838, abs=5e-7)
    assert out.u == pytest.approx(31.664, abs=0.01)
    assert out.dof == pytest.approx(16.752, abs=0.01)
    assert st.coverage_factor(16, 0.99) * out.u == pytest.approx(92.48, abs=0.05)


def test_gum_h2_correlated_readings(published):
    # JCGM 100:2008, H.2
    rows = published("gum_h2_data.csv")
    data = np.array([[float(r[k]) for k in ("V_volt", "I_mA", "phi_rad")] for r in rows])
    data[:, 1] /= 1000
    covariance = np.cov(data.T) / len(data)

    def model(v, i, phi):
        return [v / i * math.cos(phi), v / i * math.sin(phi), v / i]

    value, out = st.propagate_vector(model, data.mean(axis=0), covariance)
    u = np.sqrt(np.diag(out))
    assert value == pytest.approx([127.7322, 219.8465, 254.2597], abs=1e-4)
    assert u == pytest.approx([0.07107, 0.29558, 0.23634], abs=2e-5)
    r = out / np.outer(u, u)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_gum_h3_thermometer_line(published):
    # JCGM 100:2008, H.3
    rows = published("gum_h3_data.csv")
    t, b = ([float(r[k]) for r in rows] for k in ("t_k_degC", "b_k_degC"))
    line = st.straight_line(t, b, x0=20)
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.u_intercept == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.u_slope == pytest.approx(0.00067, abs=5e-6)
    assert line.s == pytest.approx(0.0035, abs=5e-5)
    r = line.covariance[0, 1] / line.u_intercept / line.u_slope
    assert r == pytest.approx(-0.930, abs=5e-4)
    assert line.at(30) == pytest.approx((-0.1494, 0.0041), abs=5e-5)
    assert line.dof == 9


_R = ["rectangular"] * 4


@pytest.mark.parametrize(
    ("us", "shapes", "u", "half"),
    [
        # JCGM 101:2008, 9.2.2 to 9.2.4 (from memory)
        ([1, 1, 1, 1], None, 2.00, 3.92),
        ([1, 1, 1, 1], _R, 2.00, 3.88),
        ([1, 1, 1, 10], _R, 10.1, 17.0),
    ],
)
def test_jcgm101_additive(us, shapes, u, half):
    drawn = st.propagate_mc(
        lambda a, b, c, d: a + b + c + d, [0] * 4, us, shapes=shapes, draws=1_000_000
    )
    assert drawn.u == pytest.approx(u, abs=0.06)
    assert drawn.interval == pytest.approx((-half, half), abs=0.06)


def test_jcgm101_mass_calibration():
    # JCGM 101:2008, 9.3 (from memory); symmetric quantiles recomputed 1.0844, 1.3836
    def model(reference, delta, air, density_w, density_r):
        return (reference + delta) * (1 + (air - 1.2) * (1 / density_w - 1 / density_r)) - 100_000

    values = [100_000, 1.234, 1.2, 8000, 8000]
    us = [0.050, 0.020, *(st.u_rectangular(h) for h in (0.1, 1000, 50))]
    shapes = ["normal", "normal", "rectangular", "rectangular", "rectangular"]
    first = st.propagate(model, values, us)
    assert first.u == pytest.approx(0.0539, abs=5e-5)
    drawn = st.propagate_mc(model, values, us, shapes=shapes, draws=1_000_000)
    assert drawn.value == pytest.approx(1.2340, abs=5e-4)
    assert drawn.u == pytest.approx(0.0755, abs=3e-4)
    assert drawn.shortest == pytest.approx((1.0834, 1.3825), abs=4e-3)
    assert drawn.interval == pytest.approx((1.0844, 1.3836), abs=2e-3)


@pytest.mark.parametrize(
    ("x1", "value", "u", "shortest"),
    [
        # JCGM 101:2008, 9.4.2, Table 8 (from memory)
        (0.0, 50e-6, 50e-6, (0, 150e-6)),
        (0.01, 150e-6, 112e-6, (0, 367e-6)),
        (0.05, 2551e-6, 502e-6, (1590e-6, 3543e-6)),
    ],
)
def test_jcgm101_comparison_loss(x1, value, u, shortest):
    drawn = st.propagate_mc(lambda a, b: a * a + b * b, [x1, 0], [0.005, 0.005], draws=1_000_000)
    assert drawn.value == pytest.approx(value, abs=2e-6)
    assert drawn.u == pytest.approx(u, abs=2e-6)
    assert drawn.shortest == pytest.approx(shortest, abs=12e-6)


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
    line = st.straight_line([float(r["x"]) for r in rows], [float(r["y"]) for r in rows])
    assert line.intercept == pytest.approx(want["B0"], rel=1e-11)
    assert line.slope == pytest.approx(want["B1"], rel=1e-13)
    assert line.u_intercept == pytest.approx(want["sd(B0)"], rel=1e-11)
    assert line.u_slope == pytest.approx(want["sd(B1)"], rel=1e-11)
    assert line.s == pytest.approx(want["residual sd"], rel=1e-11)
    assert line.dof == want["residual df"]


@pytest.mark.parametrize(
    ("name", "x", "y"),
    [("NoInt1", range(60, 71), range(130, 141)), ("NoInt2", [4, 5, 6], [3, 4, 4])],
)
def test_nist_through_origin(published, name, x, y):
    want = _certified(published, name)
    fit = st.fit_linear(np.array(list(x), float)[:, None], list(y))
    assert fit.coefficients[0] == pytest.approx(want["B1"], rel=1e-13)
    assert fit.us[0] == pytest.approx(want["sd(B1)"], rel=1e-13)


def test_nist_pontius_quadratic(published):
    rows, want = published("nist_pontius_data.csv"), _certified(published, "Pontius")
    x = np.array([float(r["x"]) for r in rows])
    fit = st.fit_linear(np.column_stack([x**0, x, x * x]), [float(r["y"]) for r in rows])
    for i in range(3):
        assert fit.coefficients[i] == pytest.approx(want[f"B{i}"], rel=1e-9)
        assert fit.us[i] == pytest.approx(want[f"sd(B{i})"], rel=1e-9)
    assert fit.s == pytest.approx(want["residual sd"], rel=1e-9)


@pytest.mark.parametrize(
    ("file", "f", "digits"),
    [
        # NIST StRD certified F
        ("nist_sirstv_data.csv", 1.18046237440255, 1e-12),
        ("nist_atmwtag_data.csv", 15.9467335677930, 1e-9),
    ],
)
def test_nist_anova(published, file, f, digits):
    groups: dict[str, list[float]] = {}
    for row in published(file):
        label, value = row.values()
        groups.setdefault(label, []).append(float(value))
    found = st.one_way(list(groups.values()))
    assert found.f == pytest.approx(f, rel=digits)
    from scipy import stats

    assert found.p == pytest.approx(stats.f_oneway(*groups.values()).pvalue, rel=1e-6)


def test_york_on_pearsons_points():
    # Pearson's data with York's weights: York (1966), Can. J. Phys. 44, 1079; York et al.
    # (2004), Table I and II (from memory): a = 5.47991022, b = -0.480533407, and the
    # standard errors of 2004, 0.2950 and 0.0580; S/(n-2) = 1.4833.
    x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    wx = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    wy = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    line = st.york_line(x, y, wx**-0.5, wy**-0.5, known=True)
    assert line.intercept == pytest.approx(5.47991022, abs=1e-8)
    assert line.slope == pytest.approx(-0.480533407, abs=1e-9)
    assert line.u_intercept == pytest.approx(0.2950, abs=5e-5)
    assert line.u_slope == pytest.approx(0.0580, abs=5e-5)
    assert line.s**2 == pytest.approx(1.4833, abs=5e-5)
    widened = st.york_line(x, y, wx**-0.5, wy**-0.5)
    assert widened.u_slope == pytest.approx(line.u_slope * math.sqrt(1.4833), rel=1e-4)


def test_york_with_correlated_errors_minimises_the_distance():
    # Independent of York's equations: direct minimum of the weighted distance.
    from scipy import optimize

    rng = np.random.default_rng(1)
    x, y = np.arange(6.0), 1 + 0.8 * np.arange(6.0) + rng.normal(0, 0.2, 6)
    ux, uy, r = np.full(6, 0.2), np.linspace(0.1, 0.4, 6), 0.6

    def distance(p):
        variance = uy**2 + p[1] ** 2 * ux**2 - 2 * p[1] * r * ux * uy
        return float(((y - p[0] - p[1] * x) ** 2 / variance).sum())

    best = optimize.minimize(
        distance, [1, 0.8], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12}
    )
    line = st.york_line(x, y, ux, uy, r)
    assert [line.intercept, line.slope] == pytest.approx(best.x, abs=1e-6)


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


_SLEEP = (
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
)


def test_welch_on_students_sleep_data():
    # Student (1908), Biometrika 6, 1; figures from memory, reproduced with SciPy
    found = st.welch_samples(*_SLEEP)
    assert found.t == pytest.approx(-1.8608, abs=5e-5)
    assert found.dof == pytest.approx(17.776, abs=1e-3)
    assert found.p == pytest.approx(0.07939, abs=5e-6)
    assert found.interval == pytest.approx((-3.3655, 0.2055), abs=5e-5)


def test_pairs_on_students_sleep_data():
    # as above
    found = st.paired(*_SLEEP)
    assert (found.t, found.dof) == (pytest.approx(-4.0621, abs=5e-5), 9)
    assert found.p == pytest.approx(0.002833, abs=5e-7)


def test_welch_from_summaries():
    # NIST/SEMATECH e-Handbook 1.3.5.3, AUTO83B (from memory)
    u = 6.41470 / math.sqrt(249), 6.10771 / math.sqrt(79)
    found = st.welch(20.14458, u[0], 30.48101, u[1], 248, 78)
    assert found.t == pytest.approx(-12.94627, abs=5e-5)
    assert found.dof == pytest.approx(136.8750, abs=5e-4)


# --- bad input --------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: st.mean_t([1.0]), "two repeats"),
        (lambda: st.weighted_mean([1.0, 2.0], [0.1, 0.0]), "above zero"),
        (lambda: st.weighted_mean([], []), "above zero"),
        (lambda: st.block_bootstrap([1.0], np.mean), "two observations"),
        (lambda: st.block_bootstrap([1.0, 2.0], lambda x: math.nan), "fails"),
        (lambda: st.straight_line([1, 1, 1], [1, 2, 3]), "apart"),
        (lambda: st.straight_line([1], [1]), "at least 2"),
        (lambda: st.robust_line([2, 2, 2], [1, 2, 3]), "different places"),
        (lambda: st.york_line([1, 2], [1, 2], [1, 1], [1, 1]), "three points"),
        (lambda: st.one_way([[1.0, 2.0]]), "two groups"),
        (lambda: st.failure_bound(3, 2), "between"),
        (lambda: st.propagate(lambda x, y: x, [1, 1], [1, 1], {(0, 1): 2.0}), "within"),
        (lambda: st.propagate_mc(np.log, [-5.0], [1.0], draws=1000), "gave no number"),
        (
            lambda: st.propagate_mc(
                lambda x, y: x, [0, 0], [1, 1], {(0, 1): 0.5}, shapes=["normal", "rectangular"]
            ),
            "only normal",
        ),
        (
            lambda: st.propagate_mc(
                lambda x, y, z: x, [0] * 3, [1] * 3, {(0, 1): 0.9, (1, 2): 0.9, (0, 2): -0.9}
            ),
            "contradict",
        ),
    ],
)
@pytest.mark.filterwarnings("ignore:invalid value")
def test_what_cannot_be_computed_is_refused(call, match):
    with pytest.raises(ValueError, match=match):
        call()
