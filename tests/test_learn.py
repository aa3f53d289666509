"""Learning against statistics libraries, quadrature, sampling and exact formulas; hints as they are said."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import statsmodels.api as sm
from pyproj import Geod
from scipy import integrate, optimize, stats
from scipy.special import digamma, polygamma
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel

from searcher.boxes import shoulder
from searcher.errors import TableError
from searcher.geo import LocalPlane, Place
from searcher.learn import (
    Weights,
    correct_temperature,
    depth_gain,
    find_peak,
    flock_gain,
    hookup_state,
    learned_profile,
    measure_offsets,
    poisson_interval,
    posterior_rate,
    prior_weights,
    read_season,
    reliability,
    season_profile,
    shift_lines,
    sign_gain,
    update_weights,
)
from searcher.learn.hints import DEPTH_FADE, DEPTH_GAIN, DEPTH_REACH, FLOCK_GAIN, LASTING, NEAR, QUIET_FADE
from searcher.learn.registration import LENGTH, NOISE, disagreement
from searcher.profile import PIECES, read_profile
from searcher.score import expected_rate
from searcher.sightings import Sighting
from searcher.sightings.entry import tabulate
from searcher.tables import CONVERGENCE_LINE, TEMPERATURE_BREAK, empty_table, make_table

HOUR = 3600.0
NOON = np.datetime64("2026-01-17T01:00", "ns")
GEOD = Geod(ellps="WGS84")
HERE = Place(153.5, -30.4)


def weights(mean, sd) -> Weights:
    """Independent weights named base, a, b, ..."""
    names = ("base", *"abcdefgh"[: len(mean) - 1])
    return Weights(names, np.array(mean, dtype=float), np.diag(np.square(np.array(sd, dtype=float))))


def trolled(rng, true: np.ndarray, count: int, hours=(0.3, 1.5)) -> pd.DataFrame:
    """Invented stretches with standard normal features, met as Poisson by the true weights."""
    features = rng.normal(size=(count, len(true) - 1))
    duration = rng.uniform(*hours, count) * HOUR
    rate = np.exp(true[0] + features @ true[1:])
    table = pd.DataFrame(features, columns=list("abcdefgh"[: len(true) - 1]))
    return table.assign(duration=duration, encounters=rng.poisson(rate * duration / HOUR))


# --- weights


def test_with_a_flat_prior_it_is_the_general_linear_model():
    """Mean and covariance of statsmodels' Poisson regression with exposure (maximum likelihood)."""
    rng = np.random.default_rng(5)
    table = trolled(rng, np.array([0.3, 0.5, -0.8, 0.0]), 200)
    got = find_peak(weights([0, 0, 0, 0], [1e4] * 4), table)
    design = sm.add_constant(table[["a", "b", "c"]].to_numpy())
    model = sm.GLM(
        table["encounters"].to_numpy(),
        design,
        family=sm.families.Poisson(),
        exposure=table["duration"].to_numpy() / HOUR,
    )
    fit = model.fit(tol=1e-12)
    assert got.mean == pytest.approx(fit.params, abs=1e-6)
    assert got.covariance == pytest.approx(fit.cov_params(), rel=1e-4, abs=1e-9)


def test_an_offset_is_that_of_the_general_linear_model():
    rng = np.random.default_rng(6)
    table = trolled(rng, np.array([0.3, 0.5]), 100).assign(offset=rng.normal(size=100))
    got = find_peak(weights([0, 0], [1e4, 1e4]), table)
    fit = sm.GLM(
        table["encounters"].to_numpy(),
        sm.add_constant(table[["a"]].to_numpy()),
        family=sm.families.Poisson(),
        offset=np.log(table["duration"] / HOUR).to_numpy() + table["offset"].to_numpy(),
    ).fit(tol=1e-12)
    assert got.mean == pytest.approx(fit.params, abs=1e-6)


def test_the_peak_is_where_a_general_optimizer_finds_it():
    """scipy.optimize on the log posterior written out, with correlated prior weights."""
    rng = np.random.default_rng(7)
    table = trolled(rng, np.array([-1.0, 0.5, 0.7]), 12)
    root = rng.normal(size=(3, 3)) * 0.5
    prior = Weights(("base", "a", "b"), np.array([-1.5, 0.2, 0.8]), root @ root.T + 0.1 * np.eye(3))
    design = np.column_stack([np.ones(12), table[["a", "b"]]])
    hours, count = table["duration"].to_numpy() / HOUR, table["encounters"].to_numpy()

    def cost(w):
        likely = stats.poisson.logpmf(count, hours * np.exp(design @ w)).sum()
        return -likely - stats.multivariate_normal.logpdf(w, prior.mean, prior.covariance)

    best = optimize.minimize(cost, prior.mean, method="BFGS", options={"gtol": 1e-8})
    got = find_peak(prior, table)
    assert got.mean == pytest.approx(best.x, abs=1e-5)
    step = 1e-4 * np.eye(3)
    at = got.mean
    curve = [[cost(at + a + b) - cost(at + a - b) - cost(at - a + b) + cost(at - a - b)
              for b in step] for a in step]  # fmt: skip
    assert np.linalg.inv(got.covariance) == pytest.approx(np.array(curve) / 4e-8, rel=1e-4, abs=1e-3)


@pytest.mark.parametrize(("count", "hours", "close"), [(0, 3.0, 0.25), (2, 3.0, 0.1), (12, 6.0, 0.02)])
def test_one_weight_against_quadrature(count, hours, close):
    """The exact posterior of ln rate under the profile's own base, by numerical integration (scipy)."""
    base = read_profile("dolphinfish").sections["base"]

    def dense(x):
        return stats.poisson.pmf(count, hours * np.exp(x)) * stats.norm.pdf(x, base["mean"], base["sd"])

    total = integrate.quad(dense, -8, 6)[0]
    mean = integrate.quad(lambda x: x * dense(x), -8, 6)[0] / total
    sd = math.sqrt(integrate.quad(lambda x: (x - mean) ** 2 * dense(x), -8, 6)[0] / total)
    table = pd.DataFrame({"duration": [hours * HOUR], "encounters": [count]})
    got = update_weights(weights([base["mean"]], [base["sd"]]), table)
    assert got.mean[0] == pytest.approx(mean, abs=close * sd)
    assert got.sd[0] == pytest.approx(sd, rel=close)


@pytest.mark.parametrize("count", [5, 20, 100])
def test_one_weight_against_the_conjugate_gamma(count):
    """With a flat prior on ln rate the rate is Gamma(n, T) (Gelman et al. 2013, section 2.6).

    ln rate then has mean digamma(n) - ln T and variance trigamma(n); the peak ln(n/T) and 1/n are their first
    terms, the mean of `update_weights` has the second, -1/(2n), too; the terms left out are under 1/(12n²)
    and 0.6/n² (Abramowitz & Stegun 1964, 6.3.18, 6.4.12).
    """
    hours = 7.0
    table = pd.DataFrame({"duration": [hours * HOUR], "encounters": [count]})
    peak, got = (learn(weights([0.0], [1e5]), table) for learn in (find_peak, update_weights))
    assert peak.mean[0] == pytest.approx(math.log(count / hours), abs=1e-8)
    assert got.covariance[0, 0] == pytest.approx(1 / count, rel=1e-6)
    assert abs(got.mean[0] - (digamma(count) - math.log(hours))) < 1 / (12 * count**2)
    assert abs(got.covariance[0, 0] - polygamma(1, count)) < 0.6 / count**2


def test_three_weights_against_importance_sampling():
    """200 000 draws of a wide t distribution, weighed by the exact posterior (scipy)."""
    rng = np.random.default_rng(8)
    prior = weights([-1.0, 0.5, 0.3], [0.8, 0.4, 0.4])
    table = trolled(rng, np.array([-0.5, 0.8, 0.0]), 15)
    got = update_weights(prior, table)
    wide = stats.multivariate_t(got.mean, got.covariance * 1.5, df=5, seed=rng)
    draws = wide.rvs(200_000)
    design = np.column_stack([np.ones(15), table[["a", "b"]]])
    log_rate = draws @ design.T
    hours, count = table["duration"].to_numpy() / HOUR, table["encounters"].to_numpy()
    log_mass = (count * log_rate - hours * np.exp(log_rate)).sum(axis=1)
    log_mass += stats.multivariate_normal.logpdf(draws, prior.mean, prior.covariance) - wide.logpdf(draws)
    mass = np.exp(log_mass - log_mass.max())
    mass /= mass.sum()
    assert 1 / (mass**2).sum() > 20_000  # enough effective draws to tell
    mean = mass @ draws
    sd = np.sqrt(mass @ (draws - mean) ** 2)
    assert np.abs(got.mean - mean) == pytest.approx(np.zeros(3), abs=0.2 * sd.max())
    assert got.sd == pytest.approx(sd, rel=0.1)


def test_intervals_hold_as_often_as_they_say():
    """True weights drawn from the prior, 400 seasons (simulation-based calibration, Talts et al. 2018)."""
    rng = np.random.default_rng(9)
    prior = weights([-1.0, 0.5, 0.3], [0.8, 0.4, 0.4])
    inside = 0
    for _ in range(400):
        true = rng.multivariate_normal(prior.mean, prior.covariance)
        got = update_weights(prior, trolled(rng, true, 20))
        where = pd.DataFrame({"a": rng.normal(size=1), "b": rng.normal(size=1)})
        rate = math.exp(true[0] + true[1] * where["a"].iloc[0] + true[2] * where["b"].iloc[0])
        low, high = (posterior_rate(got, where)[name][0] for name in ("expected_low", "expected_high"))
        inside += low <= rate <= high
    spread = math.sqrt(400 * 0.8 * 0.2)
    assert abs(inside - 320) < 3.5 * spread


def test_learning_pays():
    """Twenty trips with unknown true weights: the posterior's ln rates err far less than the prior's."""
    rng = np.random.default_rng(10)
    prior = weights([-1.0, 0.5, 0.3, 0.2], [0.8, 0.4, 0.4, 0.4])
    before, after = [], []
    for _ in range(20):
        true = rng.multivariate_normal(prior.mean, prior.covariance)
        got = update_weights(prior, trolled(rng, true, 20 * 5))
        where = np.column_stack([np.ones(50), rng.normal(size=(50, 3))])
        before.append(np.abs(where @ (prior.mean - true)).mean())
        after.append(np.abs(where @ (got.mean - true)).mean())
    assert np.mean(after) < 0.5 * np.mean(before)


def test_day_by_day_is_nearly_all_at_once():
    rng = np.random.default_rng(11)
    prior, table = weights([-1.0, 0.5], [0.8, 0.4]), trolled(rng, np.array([0.0, 0.7]), 60)
    once = update_weights(prior, table)
    daily = prior
    for day in range(6):
        daily = update_weights(daily, table.iloc[10 * day : 10 * day + 10])
    assert daily.mean == pytest.approx(once.mean, abs=0.5 * once.sd.min())
    assert daily.sd == pytest.approx(once.sd, rel=0.1)


def test_nothing_trolled_teaches_nothing_and_what_is_certain_stays():
    prior = weights([-1.0, 0.5, 0.3], [0.8, 0.0, 0.4])
    rng = np.random.default_rng(12)
    table = trolled(rng, np.array([1.0, 2.0, 1.0]), 30)
    same = update_weights(prior, table.iloc[:0])
    assert same.mean == pytest.approx(prior.mean)
    assert same.covariance == pytest.approx(prior.covariance)
    got = update_weights(prior, table)
    assert (got.mean[1], got.sd[1]) == (pytest.approx(0.5), pytest.approx(0.0, abs=1e-12))
    assert np.all(got.sd <= prior.sd + 1e-12)


def test_a_wild_day_does_not_break_the_search_for_the_peak():
    prior = weights([-2.0, 0.5], [5.0, 5.0])
    table = pd.DataFrame({"a": [40.0, -40.0], "duration": [60.0, 9e4], "encounters": [300, 0]})
    got = update_weights(prior, table)
    assert np.isfinite(got.mean).all()
    assert np.all(np.linalg.eigvalsh(got.covariance) > 0)


@pytest.mark.parametrize("rate", [0.02, 0.3, 5.0])
def test_a_bite_in_unknown_time_is_as_likely_at_every_rate(rate):
    """Why it tells nothing: its likelihood over all times alike on the ln axis, by quadrature (scipy)."""
    likely = integrate.quad(lambda ln: stats.poisson.pmf(1, rate * math.exp(ln)), -20.0, 15.0)[0]
    assert likely == pytest.approx(1.0, rel=1e-6)
    table = pd.DataFrame({"a": [0.7, -0.2], "duration": [0.0, 2 * HOUR], "encounters": [1, 1]})
    prior = weights([math.log(rate), 0.5], [0.8, 0.4])
    got, want = update_weights(prior, table), update_weights(prior, table.iloc[1:])
    assert got.mean == pytest.approx(want.mean)
    assert got.covariance == pytest.approx(want.covariance)


def test_bites_without_stretches_mislead_nobody():
    """Half of the stretches not written down, only their bites: the 80 % intervals hold what they say."""
    rng = np.random.default_rng(14)
    prior = weights([-1.0, 0.5, 0.3], [0.8, 0.4, 0.4])
    held, off = [], []
    for _ in range(150):
        true = rng.multivariate_normal(prior.mean, prior.covariance)
        table = trolled(rng, true, 40)
        alone = table.iloc[20:].loc[lambda t: t.index.repeat(t["encounters"])]
        alone = alone.assign(duration=0.0, encounters=1)
        got = update_weights(prior, pd.concat([table.iloc[:20], alone], ignore_index=True))
        log_rate = true[0] + table[["a", "b"]].to_numpy() @ true[1:]
        found = posterior_rate(got, table[["a", "b"]])
        held.append((found["expected_low"] < np.exp(log_rate)) & (np.exp(log_rate) < found["expected_high"]))
        off.append(np.log(found["expected_low"] * found["expected_high"]) / 2 - log_rate)
    assert np.mean(held) == pytest.approx(0.8, abs=0.06)
    assert np.mean(off) == pytest.approx(0.0, abs=0.1)


def test_bites_raise_and_blanks_lower_the_rate():
    profile = read_profile("dolphinfish")
    prior = prior_weights(profile)
    neutral = pd.DataFrame({piece: [0.0] for piece in PIECES})
    before = posterior_rate(prior, neutral)["expected"][0]
    for count, sign in ((0, -1), (5, 1)):
        table = neutral.assign(duration=2 * HOUR, encounters=count)
        after = posterior_rate(update_weights(prior, table), neutral)["expected"][0]
        assert sign * (after - before) > 0


def test_before_any_bite_the_rate_is_that_of_the_score():
    profile = read_profile("dolphinfish")
    features = pd.DataFrame(np.random.default_rng(13).normal(size=(4, len(PIECES))), columns=list(PIECES))
    want = expected_rate(profile, features.to_numpy())
    got = posterior_rate(prior_weights(profile), features)
    for name, values in want.items():
        assert got[name] == pytest.approx(values)


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda t: t.drop(columns="a"), "column 'a' is missing"),
        (lambda t: t.drop(columns="duration"), "column 'duration' is missing"),
        (lambda t: t.assign(encounters=-1), "column 'encounters'; given -1.0"),
        (lambda t: t.assign(a=math.nan), "column 'a'; given missing values"),
    ],
)
def test_a_bad_table_of_stretches_is_told(change, fault):
    table = pd.DataFrame({"a": [0.0], "duration": [1.0], "encounters": [0]})
    with pytest.raises(TableError, match=fault):
        update_weights(weights([0, 0], [1, 1]), change(table))


# --- hints


def hookups(*rows: tuple[float, float, float]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["depth", "age", "quiet"], dtype=float)


def test_a_hookup_raises_its_depth_and_fades():
    at = hookups((180.0, 0.0, 0.0))
    assert depth_gain(np.array([180.0]), at) == pytest.approx([DEPTH_GAIN])
    near = depth_gain(180.0 * np.exp([DEPTH_REACH, -DEPTH_REACH, 2 * DEPTH_REACH]), at)
    assert near == pytest.approx(DEPTH_GAIN * np.exp([-0.5, -0.5, -2.0]))
    for later in (hookups((180.0, DEPTH_FADE, 0.0)), hookups((180.0, 0.0, QUIET_FADE))):
        assert depth_gain(np.array([180.0]), later) == pytest.approx([DEPTH_GAIN / math.e])
    twice = hookups((180.0, 0.0, 0.0), (180.0, 3600.0, 0.0))
    assert depth_gain(np.array([180.0]), twice) == pytest.approx([DEPTH_GAIN])
    assert depth_gain(np.array([math.nan, -3.0, 0.0]), at).tolist() == [0, 0, 0]
    assert depth_gain(np.array([180.0]), hookups()).tolist() == [0]


def test_quiet_is_what_was_trolled_in_the_band_after_the_hookup_in_vain():
    hour = np.timedelta64(3600, "s")
    met = pd.DataFrame({"time": [NOON - 2 * hour, NOON + hour], "depth": [180.0, 100.0]})
    stretches = pd.DataFrame(
        {
            "time": [NOON - 3 * hour, NOON - hour, NOON - hour, NOON - hour, NOON - hour],
            "end": [NOON - hour, NOON + hour, NOON, NOON, NOON],
            "depth": [180.0, 180.0 * math.exp(DEPTH_REACH), 180.0, math.nan, 6000.0],
            "encounters": [0, 0, 1, 0, 0],
        }
    )
    state = hookup_state(met, stretches, now=NOON)
    assert state["depth"].tolist() == [180.0]  # the other is still to come
    assert state["age"].tolist() == [7200.0]
    assert state["quiet"].tolist() == pytest.approx([3600 + 3600 * math.exp(-0.5)])
    assert hookup_state(met.iloc[:0], stretches, now=NOON).empty
    assert hookup_state(met, stretches.iloc[:0], now=NOON)["quiet"].tolist() == [0.0]


@pytest.mark.parametrize(
    ("count", "flying", "dolphinfish", "tuna"),
    [
        (1, "low", 1, 0),
        (3, "low", 1, 0),
        (6, "low", 0.5, 0.5),
        (10, "low", 0, 1),
        (40, "low", 0, 1),
        (1, "high", 0, 0),
        (math.nan, "", 1, 0),
    ],
)
def test_what_a_flock_says(count, flying, dolphinfish, tuna):
    """Common practice, no source."""
    assert flock_gain(count, flying, "dolphinfish") == pytest.approx(FLOCK_GAIN * dolphinfish)
    assert flock_gain(count, flying, "yellowfin tuna") == pytest.approx(FLOCK_GAIN * tuna)


def test_signs_fade_with_distance_and_hours():
    seen = tabulate([Sighting("birds", HERE, NOON, count=2, flying="low")])
    places = [shapely.LineString([GEOD.fwd(*HERE, 90.0, away)[:2], GEOD.fwd(*HERE, 90.0, away + 9e3)[:2]])
              for away in (0.0, NEAR, 40e3)]  # fmt: skip
    lines = np.array(places, dtype=object)
    now = sign_gain(lines, seen, species="dolphinfish", now=NOON)
    assert now == pytest.approx(
        FLOCK_GAIN * np.exp([0.0, -0.5, -((40e3 / NEAR) ** 2) / 2]), rel=1e-3, abs=1e-9
    )
    late = sign_gain(lines, seen, species="dolphinfish", now=NOON + np.timedelta64(int(LASTING), "s"))
    assert late == pytest.approx(now / math.e)
    assert (
        sign_gain(lines, seen, species="dolphinfish", now=NOON - np.timedelta64(1, "h")).tolist() == [0] * 3
    )
    both = pd.concat([seen, tabulate([Sighting("weed line", HERE, NOON)])], ignore_index=True)
    assert sign_gain(lines, both, species="dolphinfish", now=NOON) == pytest.approx(now)
    assert sign_gain(lines, both.iloc[:0], species="wahoo", now=NOON).tolist() == [0, 0, 0]


# --- readings of the thermometer


def test_the_bias_of_the_map_is_the_conjugate_one():
    """Against numerical integration of prior times likelihood; one reading as good as the prior halves it."""
    readings = np.array([0.7, 0.4, math.nan, 0.9])

    def dense(bias):
        return stats.norm.pdf(bias, 0, 0.5) * stats.norm.pdf(readings[[0, 1, 3]], bias, 0.2).prod()

    total = integrate.quad(dense, -3, 3)[0]
    mean = integrate.quad(lambda b: b * dense(b), -3, 3)[0] / total
    sd = math.sqrt(integrate.quad(lambda b: (b - mean) ** 2 * dense(b), -3, 3)[0] / total)
    assert correct_temperature(readings) == pytest.approx((mean, sd))
    assert correct_temperature(np.array([])) == (0.0, 0.5)
    assert correct_temperature(np.array([1.0]), prior_sd=0.2) == pytest.approx((0.5, 0.2 / math.sqrt(2)))


# --- lines met


def fronts_of(*lines, kind: str = CONVERGENCE_LINE, doubt: float = 3000.0) -> gpd.GeoDataFrame:
    count = len(lines)
    base = empty_table("fronts")
    columns = {name: [0.0] * count for name in base if name != "geometry"}
    texts = {"kind": [kind] * count, "warm_side": ["west"] * count, "source": ["test"] * count}
    numbers = {"step": [1.5] * count, "strength": [4e-4] * count, "doubt": [doubt] * count}
    times = {"valid_time": [NOON] * count, "seen_time": [NOON] * count}
    return make_table("fronts", lines, columns | texts | numbers | times)


def meridian(plane: LocalPlane, east: float, half: float = 57e3) -> shapely.LineString:
    """A line straight north in a plane (m)."""
    steps = np.linspace(-half, half, 61)
    return plane.to_degrees(shapely.LineString(np.column_stack([np.full(61, east), steps])))


def seen_at(plane: LocalPlane, east: float, north: float, kind: str = "weed line") -> Sighting:
    return Sighting(kind, plane.to_degrees(shapely.Point(east, north)), NOON)


def test_shifts_are_those_of_a_general_gaussian_process():
    """Parallel lines met at several places: scikit-learn's regression of the eastward displacement."""
    plane = LocalPlane(HERE)
    fronts = fronts_of(meridian(plane, 0.0), meridian(plane, 9e3), meridian(plane, 40e3))
    met = [(2500.0, 5e3, 0.0), (-1000.0, -20e3, 0.0), (11e3, -5e3, 9e3)]
    log = tabulate([seen_at(plane, east, north) for east, north, _ in met])
    offsets = measure_offsets(fronts, log)
    assert offsets["front"].tolist() == [0, 0, 1]
    # the regression works in the plane that `shift_lines` works in
    centre = LocalPlane(Place(float(offsets["lon"].mean()), float(offsets["lat"].mean())))
    places = shapely.get_coordinates(centre.to_plane(shapely.points(offsets[["lon", "lat"]])))
    kernel = ConstantKernel(3000.0**2, "fixed") * RBF(LENGTH, "fixed")
    machine = GaussianProcessRegressor(kernel, alpha=NOISE**2, optimizer=None)
    machine.fit(places, [east - base for east, _, base in met])
    shifted = shift_lines(fronts, offsets)
    for before, after in zip(fronts.itertuples(), shifted.itertuples(), strict=True):
        xy, new = (shapely.get_coordinates(centre.to_plane(row.geometry)) for row in (before, after))
        want, sd = machine.predict(xy, return_std=True)
        assert len(xy) == len(new)
        assert new[:, 0] - xy[:, 0] == pytest.approx(want, abs=15.0)
        assert new[:, 1] - xy[:, 1] == pytest.approx(np.zeros(len(xy)), abs=15.0)
        assert after.doubt == pytest.approx(math.sqrt(np.mean(sd**2)), rel=0.01)


def test_a_line_met_shifts_those_near_and_not_those_far():
    plane = LocalPlane(HERE)
    fronts = fronts_of(meridian(plane, 0.0, 5e3), meridian(plane, 10e3, 5e3), meridian(plane, 150e3, 5e3))
    shifted = shift_lines(fronts, measure_offsets(fronts, tabulate([seen_at(plane, 3704.0, 0.0)])))
    moves = [
        np.mean(
            shapely.get_coordinates(plane.to_plane(after))[:, 0]
            - shapely.get_coordinates(plane.to_plane(before))[:, 0]
        )
        for before, after in zip(fronts.geometry, shifted.geometry, strict=True)
    ]
    sure = 3000.0**2 / (3000.0**2 + NOISE**2)  # of one place: the share of variances, as of two readings
    assert moves[0] == pytest.approx(3704 * sure, rel=0.02)
    assert moves[1] == pytest.approx(3704 * sure * math.exp(-(10e3**2) / (2 * LENGTH**2)), rel=0.02)
    assert moves[2] == pytest.approx(0.0, abs=1.0)
    assert shifted["doubt"].iloc[0] < 700
    assert shifted["doubt"].iloc[0] < shifted["doubt"].iloc[1] < 3000
    assert shifted["doubt"].iloc[2] == pytest.approx(3000.0, abs=1.0)


def offsets_of(plane: LocalPlane, *rows: tuple[float, float]) -> pd.DataFrame:
    """Offsets eastward (m) of a line to the north, met so far north (m); of doubt 1500 m."""
    places = [plane.lonlat_of(np.array([[0.0, north]]))[0] for north, _ in rows]
    columns = {"lon": [x for x, _ in places], "lat": [y for _, y in places], "east": 1.0, "north": 0.0}
    return pd.DataFrame({**columns, "offset": [offset for _, offset in rows], "doubt": 1500.0})


def test_offsets_that_disagree_leave_doubt():
    """A line met two kilometres to the east and, 700 m on, as far to the west: where it is nobody knows.

    Noise is raised until the misfit is what it should be, yᵀS⁻¹y = n (S of numpy); two that agree, or one by
    itself however far off, leave what plain conditioning leaves.
    """
    plane = LocalPlane(HERE)
    fronts = fronts_of(meridian(plane, 0.0, 4e3), doubt=1500.0)
    agree = shift_lines(fronts, offsets_of(plane, (0.0, 1000.0), (700.0, 900.0)))["doubt"].iloc[0]
    differ = shift_lines(fronts, offsets_of(plane, (0.0, 2000.0), (700.0, -2000.0)))["doubt"].iloc[0]
    assert agree < 400.0
    assert 900.0 < differ < 1200.0
    alike = 1500.0**2 * np.exp(-((np.subtract.outer([0.0, 700.0], [0.0, 700.0])) ** 2) / (2 * LENGTH**2))
    each, y = np.full(2, NOISE), np.array([2000.0, -2000.0])
    times = disagreement(y, alike, each)
    assert y @ np.linalg.solve(alike + times * np.diag(each**2), y) == pytest.approx(2.0, rel=1e-6)
    assert disagreement(np.array([1000.0, 900.0]), alike, each) == 1.0
    assert disagreement(np.array([9000.0]), alike[:1, :1], each[:1]) == 1.0
    far = shift_lines(fronts, offsets_of(plane, (0.0, 4000.0)))["doubt"].iloc[0]
    near = shift_lines(fronts, offsets_of(plane, (0.0, 0.0)))["doubt"].iloc[0]
    assert far == pytest.approx(near)


def test_a_line_tells_nothing_along_itself():
    """A line to the north is not shifted north by one to the west that was met farther west."""
    plane = LocalPlane(HERE)
    eastward = plane.to_degrees(shapely.LineString([(east, 8e3) for east in range(-30_000, 31_000, 1500)]))
    fronts = fronts_of(meridian(plane, 0.0), eastward)
    offsets = measure_offsets(fronts.iloc[:1], tabulate([seen_at(plane, -2000.0, 0.0)]))
    assert (offsets["east"].iloc[0], offsets["north"].iloc[0]) == pytest.approx((-1.0, 0.0), abs=0.01)
    assert offsets["offset"].iloc[0] == pytest.approx(2000.0, abs=5.0)
    after = shift_lines(fronts, offsets).geometry.iloc[1]
    north = shapely.get_coordinates(plane.to_plane(after))[:, 1]
    assert north == pytest.approx(np.full(north.size, 8e3), abs=10.0)


def test_weed_is_looked_for_on_the_dense_side_of_a_break():
    """The warm water lies to the left, here the west, so matter gathers to the east of the line."""
    plane = LocalPlane(HERE)
    fronts = fronts_of(meridian(plane, 0.0), kind=TEMPERATURE_BREAK)
    aside = shoulder(1.5, 4e-4)
    weed, jump = (
        measure_offsets(fronts, tabulate([seen_at(plane, aside + 500.0, 0.0, kind)]))["offset"].iloc[0]
        for kind in ("weed line", "temperature break")
    )
    assert weed == pytest.approx(500.0, abs=5.0)
    assert jump == pytest.approx(aside + 500.0, abs=5.0)


def test_what_cannot_be_one_of_the_lines_is_left_out():
    plane = LocalPlane(HERE)
    fronts = fronts_of(meridian(plane, 0.0, 10e3), doubt=1000.0)
    log = tabulate(
        [
            seen_at(plane, 4000.0, 0.0),  # farther than three doubts
            seen_at(plane, 500.0, 12e3),  # off its end
            seen_at(plane, 500.0, 0.0, "color change"),  # not that kind of line
            seen_at(plane, 500.0, 0.0, "bite"),
        ]
    )
    assert measure_offsets(fronts, log).empty
    same = shift_lines(fronts, measure_offsets(fronts, log))
    assert same.geometry.iloc[0].equals(fronts.geometry.iloc[0])
    assert measure_offsets(fronts.iloc[:0], log).empty


def test_a_line_met_where_it_was_forecast_stays_and_is_better_known():
    plane = LocalPlane(HERE)
    fronts = fronts_of(meridian(plane, 0.0, 5e3))
    shifted = shift_lines(fronts, measure_offsets(fronts, tabulate([seen_at(plane, 0.0, 0.0)])))
    east = shapely.get_coordinates(plane.to_plane(shifted.geometry.iloc[0]))[:, 0]
    assert east == pytest.approx(np.zeros(east.size), abs=5.0)
    assert NOISE <= shifted["doubt"].iloc[0] < 700.0


def test_what_is_left_of_the_doubt_is_what_the_lines_still_err_by():
    """Three lines 10 km apart, displaced at random as the forecast's doubt says; one is met, 80 times.

    Errors after shifting, in units of the new doubt, have standard deviation 1 (numpy draws what displaces).
    """
    rng, plane = np.random.default_rng(16), LocalPlane(HERE)
    aside = np.array([0.0, 10e3, 20e3])
    fronts = fronts_of(*(meridian(plane, east, 2e3) for east in aside), doubt=2000.0)
    alike = np.exp(-((aside[:, None] - aside) ** 2) / (2 * LENGTH**2))
    before, after = [], []
    for moved in rng.multivariate_normal(np.zeros(3), 2000.0**2 * alike, size=80):
        seen = tabulate([seen_at(plane, moved[0] + rng.normal(0, NOISE), 0.0)])
        offsets = measure_offsets(fronts.iloc[:1], seen)
        shifted = shift_lines(fronts, offsets)
        east = [shapely.get_coordinates(plane.to_plane(line))[:, 0].mean() for line in shifted.geometry]
        before.append(moved)
        after.append((aside + moved - east) / shifted["doubt"])
    assert np.std(after, axis=0) == pytest.approx(np.ones(3), abs=0.25)
    left = np.std(np.multiply(after, shifted["doubt"].to_numpy()), axis=0) / np.std(before, axis=0)
    assert left[0] < 0.25
    assert left[1] < 0.65


def test_registration_works_over_180():
    plane = LocalPlane(Place(180.0, -18.0))
    fronts = fronts_of(meridian(plane, 0.0, 5e3))
    met = shapely.Point(-180.0 + 2000.0 / (60 * 1852.0 * math.cos(math.radians(18.0))), -18.0)
    log = tabulate([Sighting("weed line", met, NOON)])
    shifted = shift_lines(fronts, measure_offsets(fronts, log)).geometry.iloc[0]
    assert np.ptp(shapely.get_coordinates(shifted)[:, 0]) < 1.0
    assert shapely.get_coordinates(plane.to_plane(shifted))[:, 0].mean() == pytest.approx(1980, abs=30)


# --- the season


def test_the_interval_of_a_count_is_the_published_one():
    """95 % limits of Garwood 1936, Biometrika 28:437-442, as widely tabulated (from memory)."""
    table = {0: (0.0, 3.689), 1: (0.0253, 5.572), 5: (1.623, 11.668), 10: (4.795, 18.390)}
    for count, limits in table.items():
        assert poisson_interval(count, level=0.95) == pytest.approx(limits, abs=6e-4)


@pytest.mark.parametrize("count", [0, 1, 4, 30])
def test_the_interval_is_exact_in_both_tails(count):
    low, high = poisson_interval(count, level=0.8)
    assert stats.poisson.cdf(count, high) == pytest.approx(0.1)
    if count:
        assert stats.poisson.sf(count - 1, low) == pytest.approx(0.1)


def test_a_calibrated_forecast_is_seen_to_be_and_an_overdone_one_too():
    rng = np.random.default_rng(14)
    rate, duration = rng.lognormal(-1, 1, 2000), rng.uniform(0.5, 1.5, 2000) * HOUR
    met = rng.poisson(rate * duration / HOUR)
    good = reliability(rate, met, duration=duration, level=0.99)
    assert (good["observed_low"] <= good["expected"]).all()
    assert (good["expected"] <= good["observed_high"]).all()
    assert good["observed"].sum() == met.sum()
    assert good["expected"].sum() == pytest.approx(rate @ duration / HOUR)
    assert good["stretches"].tolist() == [400] * 5
    assert good["rate"].is_monotonic_increasing
    overdone = reliability(rate**2, met, duration=duration, level=0.99)
    outside = (overdone["expected"] < overdone["observed_low"]) | (
        overdone["expected"] > overdone["observed_high"]
    )
    assert outside.sum() >= 3


def test_few_stretches_make_few_classes():
    one = reliability(np.array([0.5]), np.array([1]), duration=np.array([HOUR]))
    assert one[["stretches", "expected", "observed"]].iloc[0].tolist() == [1, 0.5, 1]
    with pytest.raises(TableError, match="expected equal lengths"):
        reliability(np.array([0.5]), np.array([1, 2]), duration=np.array([HOUR]))


def season(rng, count: int) -> pd.DataFrame:
    table = pd.DataFrame(rng.normal(0, 0.5, (count, len(PIECES))), columns=list(PIECES))
    return table.assign(duration=HOUR, encounters=rng.poisson(0.8, count))


def test_a_season_becomes_a_profile_that_is_read_back(tmp_path):
    rng = np.random.default_rng(15)
    profile = read_profile("dolphinfish")
    logs = [season(rng, 12), season(rng, 8)]
    (tmp_path / "my_profile.toml").write_text(season_profile(profile, logs), encoding="utf-8")
    mine = read_profile("my_profile.toml", tmp_path)
    want = update_weights(prior_weights(profile), pd.concat(logs, ignore_index=True))
    back = prior_weights(mine)
    assert back.names == want.names
    assert back.mean == pytest.approx(want.mean, abs=1e-6)
    assert back.sd == pytest.approx(want.sd, abs=1e-6)
    assert back.covariance == pytest.approx(want.covariance, abs=1e-5)
    assert mine.setting("temperature", "low") == profile.setting("temperature", "low")
    source = mine.sections["break"]["source"]
    assert source.startswith(profile.sections["break"]["source"])
    met = sum(int(log["encounters"].sum()) for log in logs)
    assert source.endswith(f"learned from 2 trips of one's own, 20.0 h trolled, {met} encounters")
    again = season_profile(mine, logs)
    assert again.count("learned from 2 trips") == len(PIECES) + 1


def test_no_trip_of_a_season_counts_twice(tmp_path):
    """A profile that has learned from trips learns the same of them and one more as from all at once."""
    rng, profile = np.random.default_rng(18), read_profile("dolphinfish")
    hours = pd.date_range(NOON, periods=12, freq="2h")
    logs = [season(rng, 12).assign(time=hours + pd.Timedelta(days=day)) for day in range(3)]

    def learned(base, trips):
        (tmp_path / "own.toml").write_text(season_profile(base, trips), encoding="utf-8")
        return read_profile("own.toml", tmp_path)

    two = learned(profile, logs[:2])
    assert len(two.learned) == 2
    same, three = learned(two, logs[:2]), learned(two, logs)
    assert prior_weights(same).mean == pytest.approx(prior_weights(two).mean, abs=1e-6)
    assert prior_weights(same).covariance == pytest.approx(prior_weights(two).covariance, abs=1e-5)
    assert three.learned[:2] == two.learned
    want = update_weights(prior_weights(two), logs[2])
    assert prior_weights(three).mean == pytest.approx(want.mean, abs=1e-6)
    assert three.sections["base"]["source"].count("learned from") == 2
    # two mornings alike in hours and catch are two trips
    alike = logs[0].assign(time=logs[0]["time"] + pd.Timedelta(days=30))
    assert len(learned(two, [alike]).learned) == 3


def test_a_season_without_trolling_teaches_nothing():
    for logs in ([], [season(np.random.default_rng(1), 0)]):
        with pytest.raises(TableError, match="no stretch trolled"):
            season_profile(read_profile("dolphinfish"), logs)


def test_an_interval_after_a_season_holds_as_much_as_it_says():
    """80 % of rates, over seasons with true weights drawn from the prior; spreads alone hold more."""
    rng, profile = np.random.default_rng(16), read_profile("dolphinfish")
    prior = prior_weights(profile)
    held, alone = [], []
    for _ in range(120):
        true = rng.multivariate_normal(prior.mean, prior.covariance)
        features = pd.DataFrame(rng.normal(0.5, 0.2, (80, len(PIECES))), columns=list(PIECES))
        log_rate = np.column_stack([np.ones(80), features]) @ true
        table = features.assign(duration=HOUR, encounters=rng.poisson(np.exp(log_rate)))
        mine = learned_profile(profile, update_weights(prior, table))
        for kept, judged in ((mine, held), (replace(mine, correlation=[]), alone)):
            rate = expected_rate(kept, features[:20].to_numpy())
            inside = (np.log(rate["expected_low"]) < log_rate[:20]) & (
                log_rate[:20] < np.log(rate["expected_high"])
            )
            judged.append(inside.mean())
    # 120 seasons, each of some five independent boxes
    assert np.mean(held) == pytest.approx(0.8, abs=0.06)
    assert np.mean(alone) > 0.88


def test_reviews_of_a_version_that_knew_less_still_teach(tmp_path):
    """A feature it did not know is 0: the weight of that stays as it was."""
    profile, log = read_profile("dolphinfish"), season(np.random.default_rng(17), 12).assign(expected=0.5)
    (tmp_path / "a").mkdir()
    review = {"species": "dolphinfish", "version": 1, "stretches": log.drop(columns="weed").to_dict("list")}
    (tmp_path / "a" / "review.json").write_text(json.dumps(review), encoding="utf-8")
    (found,) = read_season(tmp_path, profile)
    after = update_weights(prior_weights(profile), found)
    k = after.names.index("weed")
    assert after.mean[k] == pytest.approx(profile.weight("weed"), abs=1e-9)
    assert after.sd[k] == pytest.approx(profile.spread("weed"), abs=1e-9)


def test_a_learned_profile_leaves_the_old_one_alone():
    profile = read_profile("dolphinfish")
    before = profile.weight("break")
    prior = prior_weights(profile)
    other = learned_profile(profile, Weights(prior.names, prior.mean + 1, prior.covariance))
    assert profile.weight("break") == before
    assert other.weight("break") == before + 1


# --- other species


@pytest.mark.parametrize("species", ["yellowfin_tuna", "blackfin_tuna", "wahoo"])
def test_profiles_of_other_species_have_sources_and_wider_spreads(species):
    other, best_known = read_profile(species), read_profile("dolphinfish")
    for piece in ("base", *PIECES):
        assert len(other.sections[piece]["source"]) > 20
        assert other.sections[piece]["sd"] >= best_known.sections[piece]["sd"]
    assert sum(other.spread(piece) > best_known.spread(piece) for piece in PIECES) >= 5


def test_temperatures_of_other_species_hold_those_published():
    """Fenton et al. 2015: mean 23.8 °C; Rajapaksha et al. 2013: 28 °C; Theisen & Baldwin 2012: up to 27.5 °C.

    The first two from their abstracts, the last from memory; the papers are cited in the profiles.
    """
    for species, known in (("blackfin_tuna", 23.8), ("yellowfin_tuna", 28.0), ("wahoo", 27.5)):
        profile = read_profile(species)
        assert profile.setting("temperature", "low") <= known <= profile.setting("temperature", "high")
