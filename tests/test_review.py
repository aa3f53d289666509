"""The evening: the plan against a log whose truth is known; what later trips learn, and only with consent."""

from __future__ import annotations

import json
import math
import shutil
import tomllib
from dataclasses import replace

import matplotlib.image
import numpy as np
import pandas as pd
import pytest
import shapely
from at_sea import EAST, PLANE, after, bite, log_of, place, planned, trip_text, trolled
from scipy import stats
from seas import HOUR

from searcher.course import day_of
from searcher.errors import TableError
from searcher.findings import draw_reliability, say_review, write_review
from searcher.learn import learned_profile, prior_weights, read_season, season_profile, update_weights
from searcher.plan import learned_weights, make_plan
from searcher.profile import PIECES, read_profile
from searcher.reviewing import review
from searcher.route import fading_of
from searcher.sea import to_seconds
from searcher.sightings import Sighting
from searcher.sightings.entry import BY_PLAN
from searcher.tables import empty_table
from searcher.trip import parse_trip


@pytest.fixture(scope="module")
def plan():
    return planned()


def break_met(plan, number: int, hour: float, away: float) -> Sighting:
    """A break met `away` m east of where that of a box was forecast for the hour."""
    front = plan.fronts.loc[plan.boxes.set_index("rank")["front"][number]]
    x = PLANE.vertices(front.geometry)[:, 0].mean()
    gone = float(to_seconds(after(hour)) - to_seconds(front["valid_time"].to_datetime64()))
    return Sighting("temperature break", shapely.Point(place(x + EAST * gone + away, 0.0)), after(hour))


def test_how_far_off_lines_were(plan):
    found = review(plan, log_of(break_met(plan, 2, 3.0, 1500.0), break_met(plan, 2, 5.0, -800.0)))
    assert found.lines["offset"].tolist() == pytest.approx([1500.0, 800.0], abs=60.0)
    assert found.lines["towards"].tolist() == ["east", "west"]
    assert found.lines["off"].tolist() == pytest.approx(
        (found.lines["offset"] / found.lines["doubt"]).tolist()
    )
    fronts = plan.boxes.set_index("rank")["front"]
    assert {fronts[number] for number in found.lines["number"]} == {fronts[2]}
    told = say_review(found)
    away = [1500.0, 800.0] / found.lines["doubt"].to_numpy()
    usual = math.sqrt(float((away**2).mean()))
    assert any(f"{usual:.1f} times as far off as was forecast: 1 is as it should be" in text for text in told)
    for text, off in zip(told[2:4], away, strict=True):
        assert text.endswith(": within that." if off <= 1.0 else f": {off:.1f} times that.")


def test_a_review_spells_colour_as_everything_else(plan):
    change = replace(break_met(plan, 2, 3.0, 500.0), kind="color change")
    told = " ".join(say_review(review(plan, log_of(change))))
    assert "Colour change at" in told
    assert "olor" not in told


def test_a_season_of_today_alone_is_drawn_once(plan, tmp_path):
    found = review(plan, log_of(trolled(plan, 2, 1.0, 2.0), bite(plan, 2, 1.5)))
    pictures = []
    for name, season in (("plain", None), ("season", found.table)):
        draw_reliability(replace(found, season=season, trips=0), tmp_path / f"{name}.png")
        pictures.append(matplotlib.image.imread(tmp_path / f"{name}.png"))
    np.testing.assert_array_equal(*pictures)
    draw_reliability(replace(found, season=found.table, trips=2), tmp_path / "more.png")
    assert not np.array_equal(matplotlib.image.imread(tmp_path / "more.png"), pictures[0])


def test_boxes_trolled_whose_line_was_not_met_are_told(plan):
    fronts = plan.boxes.set_index("rank")["front"]
    one, other = (int(fronts[fronts == front].index[0]) for front in (0, 1))
    log = log_of(trolled(plan, one, 1.0, 2.0), trolled(plan, other, 2.5, 3.5), break_met(plan, one, 1.5, 0.0))
    assert review(plan, log).missed == (other,)


def test_an_entry_placed_by_a_box_says_that_its_line_was_met_and_not_where(plan):
    """Its place is the forecast's own, so an offset of nothing would praise the forecast without reason."""
    line = plan.boxes.set_index("rank")["line"][2]
    named = Sighting("temperature break", line.interpolate(0.5, normalized=True), after(3.0), source=BY_PLAN)
    found = review(plan, log_of(named, trolled(plan, 2, 2.5, 3.5)))
    assert found.lines.empty
    assert (found.named, found.missed) == (1, ())
    told = list(say_review(found))
    assert any("Of 1 entry placed by the number of a box" in text for text in told)
    assert not any("No forecast line was met" in text for text in told)


def test_what_was_expected_is_what_the_plan_said_less_what_was_worked_out(plan):
    """Rate of the box times its hours, random search: ρ(1 - e^(-f·t))/f (Koopman 1980)."""
    found = review(plan, log_of(trolled(plan, 2, 1.0, 2.0), trolled(plan, 2, 2.1, 3.1), bite(plan, 2, 1.5)))
    rate = plan.boxes.set_index("rank")["expected"][2] / HOUR
    fading = fading_of(plan.boxes, day_of(plan.trip, plan.reach))[plan.boxes["rank"].tolist().index(2)]
    assert found.expected == pytest.approx(rate * -math.expm1(-fading * 2 * HOUR) / fading, rel=1e-6)
    assert found.met == 1
    (row,) = found.table.itertuples()
    assert row.observed == 1
    assert row.observed_low == pytest.approx(stats.chi2.ppf(0.1, 2) / 2)  # Garwood 1936
    assert row.observed_high == pytest.approx(stats.chi2.ppf(0.9, 4) / 2)


def test_a_day_without_boxes_is_reviewed_all_the_same(plan):
    bare = replace(plan, boxes=empty_table("boxes"), legs=empty_table("legs"), stays=plan.stays.iloc[:0])
    found = review(bare, log_of(trolled(plan, 1, 1.0, 2.0)))
    assert found.missed == ()
    assert len(found.stretches) == 1


def test_an_empty_log_is_refused(plan):
    with pytest.raises(TableError, match="nothing in the log to review"):
        review(plan, log_of())


def test_a_log_without_stretches_is_reviewed_all_the_same(plan, tmp_path):
    found = review(
        plan, log_of(Sighting("temperature", shapely.Point(place(24e3, 0.0)), after(1.0), value=25.0))
    )
    assert found.expected == 0.0
    assert any("No stretch was written down" in text for text in say_review(found))
    assert len(write_review(found, tmp_path)) == 3


def test_an_encounter_during_no_stretch_is_told_and_counts_in_no_rate(plan, tmp_path):
    stretch = trolled(plan, 2, 1.0, 2.0, "nothing")
    plain, found = (review(plan, log_of(stretch, *more)) for more in ((), (bite(plan, 3, 4.0),)))
    assert (found.strays, found.met) == (1, 0)
    assert found.expected == pytest.approx(plain.expected)
    pd.testing.assert_frame_equal(found.table, plain.table)
    assert any("1 encounter came during no stretch" in text for text in say_review(found))
    assert not any("during no stretch" in text for text in say_review(plain))
    write_review(found, tmp_path)
    facts = json.loads((tmp_path / "review.json").read_text())
    assert (facts["stray_encounters"], len(facts["stretches"])) == (1, 1)
    (tmp_path / "t").mkdir()
    alone = review(replace(plan, trip=trip_in(tmp_path, CONSENT)), log_of(bite(plan, 3, 4.0)))
    assert (alone.strays, alone.season, alone.learned) == (1, None, "")
    assert not any("from_log in trip.toml is false" in text for text in say_review(alone))
    assert len(write_review(alone, tmp_path / "t")) == 3


def test_the_picture_and_the_files(plan, tmp_path):
    log = log_of(
        *(trolled(plan, 2 + k, 1.0 + k, 1.8 + k, "nothing") for k in range(6)),
        trolled(plan, 15, 7.2, 8.2),
        bite(plan, 15, 7.5),
    )
    found = review(plan, log)
    assert len(found.table) == 2
    paths = write_review(found, tmp_path)
    assert {path.name for path in paths} == {"review.txt", "review.png", "review.json"}
    picture = matplotlib.image.imread(tmp_path / "review.png")
    assert picture.shape[0] > 400
    assert len(np.unique(picture.reshape(-1, picture.shape[2]), axis=0)) > 20
    facts = json.loads((tmp_path / "review.json").read_text())
    assert facts["met"] == 1
    assert len(facts["stretches"]) == 7
    assert sum(row["observed"] for row in facts["reliability"]) == 1
    assert not list(tmp_path.glob(".*"))


# ---- the season


CONSENT = "[learn]\nfrom_log = true\n"


@pytest.fixture
def season(plan, tmp_path):
    """Three reviewed trips beside each other: in two the boxes gave much, in one nothing."""
    logs = {
        "one": (trolled(plan, 2, 1.0, 2.0), bite(plan, 2, 1.2), bite(plan, 2, 1.6)),
        "two": (trolled(plan, 3, 1.0, 2.5), bite(plan, 3, 1.2), bite(plan, 3, 1.5), bite(plan, 3, 2.2)),
        "three": (trolled(plan, 14, 1.0, 2.0, "nothing"),),
    }
    for name, log in logs.items():
        (tmp_path / name).mkdir()
        write_review(review(plan, log_of(*log)), tmp_path / name)
    return tmp_path


def trip_in(folder, more: str):
    (folder / "today").mkdir(exist_ok=True)
    return parse_trip(trip_text(more=more), folder / "today" / "trip.toml")


def test_with_consent_the_season_is_the_prior(season):
    """The posterior of the whole season's stretches, as the functions of learning have it."""
    trip = trip_in(season, CONSENT)
    profile, trips = learned_weights(trip)
    assert trips == 3
    base = read_profile("dolphinfish")
    logs = read_season(season, base)
    assert sum(len(log) for log in logs) == 3
    assert sum(log["encounters"].sum() for log in logs) == 5
    exact = learned_profile(base, update_weights(prior_weights(base), pd.concat(logs)))
    assert profile == exact
    assert profile.sections["base"]["mean"] > base.sections["base"]["mean"]
    assert all(profile.spread(piece) <= base.spread(piece) + 1e-9 for piece in PIECES)


def test_a_learned_profile_named_as_the_species_counts_no_trip_twice(season, plan):
    """Weights as of the season once, whether learned.toml or the logs tell of it; a new trip is added."""
    trip = trip_in(season, CONSENT)
    once, _ = learned_weights(trip)
    (season / "today" / "mine.toml").write_text(
        season_profile(read_profile("dolphinfish"), read_season(season, read_profile("dolphinfish"))),
        encoding="utf-8",
    )
    own = trip.model_copy(update={"target": trip.target.model_copy(update={"species": "mine.toml"})})
    twice, trips = learned_weights(own)
    assert trips == 0
    assert prior_weights(twice).mean == pytest.approx(prior_weights(once).mean, abs=1e-5)
    assert prior_weights(twice).covariance == pytest.approx(prior_weights(once).covariance, abs=1e-5)
    found = review(replace(plan, trip=own), log_of(trolled(plan, 1, 3.0, 4.0, "nothing")))
    assert (found.trips, found.season["stretches"].sum()) == (3, 4)  # the table is of all
    assert len(tomllib.loads(found.learned)["learned"]) == 4
    (season / "four").mkdir()
    write_review(found, season / "four")
    assert learned_weights(own)[1] == 1
    (season / "today" / "mine.toml").write_text(found.learned, encoding="utf-8")
    assert learned_weights(own)[1] == 0


def test_without_consent_nothing_is_read(season):
    profile, trips = learned_weights(trip_in(season, ""))
    assert (profile, trips) == (read_profile("dolphinfish"), 0)
    (season / "one" / "review.json").write_text("{")
    learned_weights(trip_in(season, ""))
    with pytest.raises(TableError, match=r"one.review\.json cannot be read as the review of a trip"):
        learned_weights(trip_in(season, CONSENT))


def test_a_trip_does_not_learn_from_itself_nor_from_another_fish(season):
    shutil.copytree(season / "one", season / "today")
    assert learned_weights(trip_in(season, CONSENT))[1] == 3
    other = trip_in(season, '[learn]\nfrom_log = true\nseason = ".."\n')
    wahoo = other.model_copy(update={"target": other.target.model_copy(update={"species": "wahoo"})})
    assert learned_weights(wahoo) == (read_profile("wahoo"), 0)


def test_a_plan_says_from_how_many_trips_it_learned(season, plan):
    trip = trip_in(season, CONSENT)
    made = make_plan(trip, plan.sea)
    assert made.learned_from == 3
    rates = made.boxes.set_index("rank")["expected"]
    assert rates[1] > plan.boxes.set_index("rank")["expected"][1]
    found = review(made, log_of(trolled(made, 1, 1.0, 2.0, "nothing")))
    assert found.trips == 3
    assert found.season["observed"].sum() == 5
    assert any("learned from 3 of your own trips" in text for text in say_review(found))
    paths = write_review(found, season / "today")
    learned = next(path for path in paths if path.name == "learned.toml")
    assert tomllib.loads(learned.read_text())["name"] == "dolphinfish"
    assert read_profile(str(learned)).sections["base"]["mean"] < made.profile.sections["base"]["mean"]
