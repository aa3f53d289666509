"""From evidence to ranked boxes: the distribution of the rate, and what may not change the order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from seas import TASMAN, Plane, make_axes, make_fronts, make_node, make_simple_sea, make_trip, make_waters

from searcher.geo import LocalPlane, Place
from searcher.profile import PIECES, read_profile
from searcher.reach import find_reach
from searcher.score import MOST_BOXES, expected_rate, rank_boxes, without_overlaps
from searcher.tables import CONVERGENCE_LINE, EVIDENCE, TEMPERATURE_BREAK, check_table, evidence_columns

PLANE = Plane(TASMAN)


def north_south(x: float, y: float = 0.0, *, half: float = 4e3) -> shapely.LineString:
    return PLANE.line([[x, y - half], [x, y + half]])


@pytest.fixture(scope="module")
def trip():
    return make_trip(tank=60.0)


@pytest.fixture(scope="module")
def sea():
    """22 °C in the west to 28 °C in the east, 4000 m deep."""
    lon, lat = make_axes(TASMAN, half=1.0, step=0.05)
    return make_simple_sea(
        sst=lambda x, _y: 25.0 + 3.0 * np.clip(x / 40e3, -1, 1),
        half=1.0,
        depth=make_node("depth", lon, lat, depth=4000.0),
    )


@pytest.fixture(scope="module")
def reach(trip, sea):
    lon, lat = make_axes(TASMAN, half=0.9, step=0.02)
    return find_reach(trip, sea, waters=make_waters(lon, lat, u=0.5))


@pytest.fixture(scope="module")
def fronts():
    """Six lines of both kinds, of different doubts."""
    lines = [
        north_south(x, y)
        for x, y in ((-30e3, 0), (-15e3, 9e3), (0, 15e3), (12e3, 0), (24e3, 5e3), (33e3, -9e3))
    ]
    kinds = [TEMPERATURE_BREAK, CONVERGENCE_LINE] * 3
    return make_fronts(lines, kind=kinds, doubt=[800.0, 1500, 900, 4000, 1000, 700], step=[1.0, np.nan] * 3)


# ---- what is offered


def test_boxes_outside_the_trips_depths_are_not_offered(sea, reach, fronts):
    """4000 m everywhere: a band that holds it changes nothing, one that does not leaves nothing."""
    trip = make_trip(tank=60.0)
    for band, offered in (((3000.0, 5000.0), True), ((100.0, 3000.0), False)):
        target = trip.target.model_copy(update={"min_depth": band[0], "max_depth": band[1]})
        boxes = rank_boxes(fronts, reach, sea, trip.model_copy(update={"target": target}))
        assert bool(len(boxes)) is offered


# ---- the rate


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_the_rate_is_log_normal(seed):
    """Mean and 10 % and 90 % points against scipy.stats.lognorm."""
    profile, rng = read_profile("dolphinfish"), np.random.default_rng(seed)
    features = rng.normal(0, 0.5, (5, len(PIECES)))
    rate = expected_rate(profile, features)
    base = profile.sections["base"]
    for k in range(5):
        share, spread = (
            features[k] * [profile.sections[piece][key] for piece in PIECES] for key in ("weight", "sd")
        )
        sigma = np.sqrt(base["sd"] ** 2 + (spread**2).sum())
        oracle = stats.lognorm(s=sigma, scale=np.exp(base["mean"] + share.sum()))
        assert rate["expected"][k] == pytest.approx(oracle.mean(), rel=1e-9)
        assert rate["expected_low"][k] == pytest.approx(oracle.ppf(0.1), rel=1e-6)
        assert rate["expected_high"][k] == pytest.approx(oracle.ppf(0.9), rel=1e-6)


@pytest.mark.parametrize("tied", [0.0, 0.4])
def test_the_rate_against_weights_drawn_at_random(tied):
    """exp of a sum of normal weights times features, 400 000 draws; alone, and correlated alike."""
    profile, rng = read_profile("dolphinfish"), np.random.default_rng(1)
    size = len(PIECES) + 1
    correlation = (1 - tied) * np.eye(size) + tied
    profile = replace(profile, correlation=correlation.tolist())
    features = np.array([-0.5, 1.2, 0.8, 0.1, 0.4, 0.5, -0.3, -0.1, 0.6, -0.7])
    mean = [profile.sections["base"]["mean"], *map(profile.weight, PIECES)]
    sd = np.array([profile.sections["base"]["sd"], *map(profile.spread, PIECES)])
    drawn = rng.multivariate_normal(mean, sd[:, None] * correlation * sd, 400_000) @ [1.0, *features]
    rate = expected_rate(profile, features[None])
    assert rate["expected"][0] == pytest.approx(np.exp(drawn).mean(), rel=0.02)
    assert rate["expected_low"][0] == pytest.approx(np.quantile(np.exp(drawn), 0.1), rel=0.01)
    assert rate["expected_high"][0] == pytest.approx(np.quantile(np.exp(drawn), 0.9), rel=0.01)


# ---- the table


@pytest.fixture(scope="module")
def boxes(fronts, reach, sea, trip):
    return rank_boxes(fronts, reach, sea, trip)


def test_boxes_are_a_table_ranked_best_first(boxes):
    check_table("boxes", boxes)
    assert boxes["rank"].tolist() == list(range(1, len(boxes) + 1))
    assert (np.diff(boxes["expected"]) <= 0).all()
    assert len(boxes) >= 6
    assert (boxes["expected_low"] < boxes["expected"]).all()
    assert (boxes["expected"] < boxes["expected_high"]).all()


def test_the_pieces_of_evidence_make_up_the_rate(boxes):
    """The median of a log-normal is the root of the product of points as far to either side of it."""
    assert evidence_columns(boxes) == [EVIDENCE + piece for piece in PIECES]
    total = read_profile("dolphinfish").sections["base"]["mean"] + boxes[evidence_columns(boxes)].sum(axis=1)
    median = np.sqrt(boxes["expected_low"] * boxes["expected_high"])
    np.testing.assert_allclose(np.log(median), total, atol=1e-9)


def test_time_and_fuel_are_those_of_the_reach(boxes, reach):
    middle = shapely.get_coordinates(
        shapely.line_interpolate_point(np.array(boxes["line"]), 0.5, normalized=True)
    )
    for row, (lon, lat) in zip(boxes.itertuples(), middle, strict=True):
        there = reach.sel(lon=lon, lat=lat, method="nearest")
        assert row.time_out == float(there["time_out"])
        assert row.time_home == float(there["time_home"])
        assert row.fuel == pytest.approx(float(there["fuel_out"] + there["fuel_home"]))
    assert boxes["depth"].tolist() == pytest.approx([4000.0] * len(boxes))


def test_warmer_water_within_the_profile_ranks_first(boxes):
    alike = boxes[(boxes["kind"] == TEMPERATURE_BREAK)]
    warm = alike[alike["temperature"].between(24, 28)]
    cold = alike[alike["temperature"] < 23]
    assert len(warm) > 0
    assert len(cold) > 0
    assert warm["rank"].max() < cold["rank"].min()
    assert (boxes.loc[boxes["temperature"].between(24, 28), EVIDENCE + "temperature"] == 0.0).all()


def test_order_of_the_rows_changes_nothing(fronts, reach, sea, trip, boxes):
    for seed in range(3):
        mixed = fronts.sample(frac=1.0, random_state=seed)
        again = rank_boxes(mixed, reach, sea, trip)
        pd.testing.assert_frame_equal(
            pd.DataFrame(again.drop(columns=["geometry", "line"])),
            pd.DataFrame(boxes.drop(columns=["geometry", "line"])),
        )
        assert all(a.equals(b) for a, b in zip(again["line"], boxes["line"], strict=True))


def test_units_of_show_change_words_only(fronts, reach, sea, boxes):
    trip = make_trip(tank=60.0, text='[show]\ntemperature = "F"\ndepth = "fathom"\ndistance = "km"\n')
    other = rank_boxes(fronts, reach, sea, trip)
    words = ["why", "geometry", "line"]
    pd.testing.assert_frame_equal(
        pd.DataFrame(other.drop(columns=words)), pd.DataFrame(boxes.drop(columns=words))
    )
    for plain, shown in zip(boxes["why"], other["why"], strict=True):
        assert "°C" in plain
        assert "°F" in shown
        assert "°C" not in shown
        assert "fathoms" in shown


def test_units_of_the_trip_file_change_nothing(fronts, reach, sea, boxes):
    """The same boat in litres."""
    gallon = 3.785411784
    burn = tuple(
        (speed, rate * gallon) for speed, rate in ((4.0, 2.0), (8.0, 4.0), (20.0, 20.0 / 1.5), (30.0, 30.0))
    )
    litres = make_trip(tank=60.0 * gallon, unit="l", burn=burn)
    other = rank_boxes(fronts, reach, sea, litres)
    assert other["expected"].tolist() == pytest.approx(boxes["expected"].tolist(), rel=1e-12)


def test_why_says_what_was_found(boxes):
    for row in boxes.itertuples():
        if row.kind == TEMPERATURE_BREAK:
            assert "1.0 °C break" in row.why
            assert "warm to the west" in row.why  # its lines run north, the warm water on their left
            assert "seen in every clear picture" in row.why
        else:
            assert "floating matter is reckoned to have gathered" in row.why
        assert f"water of {row.temperature:.1f} °C" in row.why
        assert "over 4000 to 4000 m" in row.why
        assert row.why.endswith(f"Its place is good to about {row.doubt / 1852:.1f} nmi.")


def test_of_lines_that_lie_on_each_other_the_better_is_kept(reach, sea, trip):
    line = north_south(15e3)
    twice = make_fronts([line, north_south(15.2e3)], step=[0.6, 2.0], strength=[0.6 / 8e3, 2.0 / 8e3])
    ranked = rank_boxes(twice, reach, sea, trip)
    assert ranked["front"].tolist() == [1]
    apart = make_fronts([line, north_south(25e3)], step=[0.6, 2.0])
    assert sorted(rank_boxes(apart, reach, sea, trip)["front"]) == [0, 1]


def test_no_box_lies_mostly_in_the_water_looked_over_from_a_better_one(reach, sea, trip):
    rng = np.random.default_rng(2)
    lines = [north_south(*rng.uniform(-25e3, 25e3, 2), half=8e3) for _ in range(40)]
    ranked = rank_boxes(make_fronts(lines, step=rng.uniform(0.5, 2.5, 40), doubt=1500.0), reach, sea, trip)
    assert 5 < len(ranked) <= MOST_BOXES
    plane = LocalPlane(Place(161.0, -36.0))
    lines = plane.to_plane(ranked["line"].values)
    strips = shapely.buffer(
        lines, 365.0, cap_style="flat"
    )  # Taquet et al. 2007, Aquat. Living Resour. 20:323
    for k in range(1, len(ranked)):
        better = shapely.union_all(strips[:k])
        assert shapely.intersection(lines[k], better).length < 0.5 * lines[k].length
    assert sorted(without_overlaps(ranked)) == list(range(len(ranked)))


def test_a_sea_without_depth_ranks_too(fronts, reach, trip):
    ranked = rank_boxes(fronts, reach, make_simple_sea(half=1.0), trip)
    assert ranked["depth"].isna().all()
    assert (ranked[EVIDENCE + "depth"] == 0.0).all()
    assert "over" not in ranked["why"].iloc[0].split("break")[0]


def test_nothing_within_reach_is_an_empty_table(reach, sea, trip):
    check_table("boxes", rank_boxes(make_fronts([]), reach, sea, trip))
    far = rank_boxes(make_fronts([north_south(80e3)]), reach, sea, trip)
    assert far.empty
    check_table("boxes", far)
