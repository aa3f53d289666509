"""The page and the float plan: complete, escaped, self-contained, legible on a phone."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import brief_plan
import numpy as np
import pytest
from pyproj import Geod

from searcher import brief, geo
from searcher.brief import page, stories, words
from searcher.brief.float_plan import BLANK, float_plan_text
from searcher.brief.timeline import draw_timeline
from searcher.conditions import Condition
from searcher.errors import SearcherError

NASTY = '<script>alert("1")</script>&amp;'


class Reader(HTMLParser):
    """Tags with their attributes, words, and the ids and labels of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "br", "img", "link", "input"):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"</{tag}> closes another"

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


@pytest.fixture(scope="module")
def source(plan):
    return page.page_text(plan)


@pytest.fixture(scope="module")
def read(source):
    return Reader(source)


def test_page_is_well_formed_and_closed(read):
    assert not read.open


def test_page_loads_nothing(source, read):
    """No address outside the file, and a policy that lets only the page's own scripts run (CSP level 3)."""
    links = [
        attrs[key] for _, attrs in read.tags for key in ("src", "href", "data", "action") if key in attrs
    ]
    assert links
    assert all(link.startswith(("data:image/png;base64,", "#")) for link in links)
    assert not {"link", "iframe", "object", "form", "base"} & {tag for tag, _ in read.tags}
    ours = re.sub(r"<script>.*?</script>", "", re.sub(r"base64,[^\"]*", "", source), flags=re.S)
    assert not re.search(r"https?://|@import|url\((?!#)", ours)
    (policy,) = [a["content"] for t, a in read.tags if a.get("http-equiv") == "Content-Security-Policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    scripts = re.findall(r"<script>(.*?)</script>", source, flags=re.S)
    digests = [hashlib.sha256(text.encode()).digest() for text in scripts]
    hashes = " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)
    assert len(scripts) == 2
    assert rules == {
        "default-src": "'none'",
        "img-src": "data:",
        "style-src": "'unsafe-inline'",
        "script-src": hashes,
    }


def test_page_is_small_enough_to_send(plan, tmp_path):
    assert brief.write_brief(plan, tmp_path / "brief.html").stat().st_size < 4e6


def test_page_can_be_read_aloud(read):
    tags = read.tags
    assert dict(tags)["html"] == {"lang": "en"}
    assert all(attrs.get("alt") for tag, attrs in tags if tag == "img")
    assert sum(tag == "table" for tag, _ in tags) == sum(tag == "caption" for tag, _ in tags) >= 4
    assert all("scope" in attrs for tag, attrs in tags if tag == "th")
    levels = [int(tag[1]) for tag, _ in tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))
    ids = [attrs["id"] for _, attrs in tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    labels = [attrs["aria-labelledby"] for _, attrs in tags if "aria-labelledby" in attrs]
    assert set(labels) <= set(ids)
    assert all("aria-label" in attrs or "aria-hidden" in attrs for tag, attrs in tags if tag == "svg")


def test_page_has_what_a_skipper_asks(plan, read):
    text = read.text
    wanted = [
        "The official marine forecast decides",
        "up to 14.0 kn near 13:00",
        "within your limit",
        "Turn for home by 14:20",
        "29.9 nmi, 087° true from the sea buoy",
        "30° 16.16′ S",
        "Expected: 3.4 encounters per hour (8 days in 10: 1.2 to 8.2)",
        "long line: 61 to 76 m back",
        "Artificial bait at 7.0 kn (usual for it: 6.0 to 10.0 kn)",
        "Set the longest first",
        "2 passes, 07:00 until 08:15",
        "leave at 07:40 if nothing by then",
        "Work until",
        "a quarter mile before the line to troll",
        "Lines where expected when the boat could first be there, 08:00",
        "Breaks are trolled on purpose on their cold side, where floating matter gathers.",
        "turn for home by 14:20 from the last box",
        "from the sea buoy to its middle",
        "Numbers are ranks; the order of the day is chosen for the most encounters",
        "gathered matter: how much denser floating matter is reckoned to lie here",
        "Invented for tests",
        "sunrise 06:02",
        plan.boxes["why"].iloc[0],
        *words.cautions_of(plan),
    ]
    for words_ in wanted:
        assert words_ in text, words_
    for leg in plan.legs.itertuples():
        assert plan.trip.show.say_clock(leg.end.to_datetime64()) in text
        assert plan.trip.show.say_fuel(leg.fuel_left) in text


def test_fuel_at_the_end_is_that_of_the_float_plan(plan, read):
    """The legs end at the sea buoy; the way in from there, at cruising speed, is paid for too."""
    into = geo.distance(brief_plan.PORT, brief_plan.BUOY) / brief_plan.CRUISE * brief_plan.BURN_CRUISE
    left = plan.trip.show.say_fuel(plan.legs["fuel_left"].iloc[-1] - into)
    assert re.search(rf"After the last one you are in .+ at \d\d:\d\d, with {re.escape(left)}\.", read.text)
    assert f"Left on return: {left}" in float_plan_text(plan)


def with_ranks(plan, ranks, **settings):
    """The plan with a route over the boxes of some ranks."""
    legs = brief_plan.make_legs(plan.trip, plan.boxes, ranks=ranks)
    return replace(plan, legs=legs, settings=plan.settings | settings)


@pytest.mark.parametrize(
    ("ranks", "settings", "said"),
    [
        ((4, 7), {"banned": []}, "Boxes 1 to 3 hold more an hour, but are not on the route"),
        ((5, 6), {"banned": [3]}, "Boxes 1 to 2 and 4 hold more"),
        ((2, 3), {"banned": []}, "Box 1 holds more an hour, but is not on the route"),
        ((3,), {"banned": []}, "Boxes 1 to 2 hold more"),
        ((1, 9), {"banned": []}, ""),
        ((2, 3), {"banned": [1]}, ""),
        ((2, 3), {}, ""),  # the plan does not know whether the skipper left box 1 out
        ((2, 3), {"banned": [], "pinned": [3]}, ""),
        ((), {"banned": []}, ""),
    ],
)
def test_better_boxes_that_the_route_passes_over_are_explained(plan, ranks, settings, said):
    made = with_ranks(plan, ranks, **settings)
    text = stories.passed_over(made, words.steps_of(made))
    assert text.startswith(said)
    assert bool(text) == bool(said)
    if len(ranks) > 1:
        shown = Reader(page.page_text(made)).text
        assert ("not on the route" in shown) == bool(said)
        assert text in shown


def test_a_box_that_holds_as_much_as_the_best_of_the_route_needs_no_words(plan):
    boxes = plan.boxes.assign(expected=2.0)
    made = replace(with_ranks(plan, (2, 3), banned=[]), boxes=boxes)
    assert stories.passed_over(made, words.steps_of(made)) == ""


@pytest.mark.parametrize("empty", [False, True])
def test_links_at_the_top_lead_to_the_sections_there_are(read, empty):
    here = Reader(page.page_text(brief_plan.empty_plan())) if empty else read
    ids = {attrs["id"] for _, attrs in here.tags if "id" in attrs}
    links = [attrs["href"].removeprefix("#") for tag, attrs in here.tags if tag == "a"]
    assert set(links) <= ids
    assert {"map", "boxes", "float"} <= set(links)
    assert ("route" in links) == ("timeline" in links) == (not empty)
    navs = [attrs for tag, attrs in here.tags if tag == "nav"]
    assert [nav["aria-label"] for nav in navs] == ["On this page"]


def test_first_place_agrees_with_the_geodesic(plan):
    """Bearing and distance from the buoy to the first lines-in point, by pyproj's Geod."""
    from pyproj import Geod

    first = plan.legs.geometry[plan.legs["kind"] == "lines in"].iloc[0].coords[0]
    azimuth, _, metres = Geod(ellps="WGS84").inv(*brief_plan.BUOY, *first)
    said = page.page_facts(plan)["first"]["from_buoy"]
    assert said == f"{metres / 1852:.1f} nmi, {azimuth % 360:03.0f}° true from the sea buoy"


def nasty_plan(plan):
    trip = plan.trip.model_copy(
        update={
            "port": plan.trip.port.model_copy(update={"name": NASTY}),
            "boat": plan.trip.boat.model_copy(update={"name": NASTY}),
            "float_plan": plan.trip.float_plan.model_copy(
                update={"people": NASTY, "notes": f"{NASTY}\n{NASTY}"}
            ),
        }
    )
    boxes = plan.boxes.assign(why=NASTY, kind=NASTY)
    data = tuple({**row, "source": NASTY, "credit": NASTY, "license": NASTY} for row in plan.data)
    return replace(plan, trip=trip, boxes=boxes, data=data, cautions=(NASTY, *plan.cautions))


def test_every_text_is_escaped(plan):
    text = page.page_text(nasty_plan(plan))
    read = Reader(text)
    assert text.count("<script") == text.count("</script>") == 3
    assert read.text.count(NASTY) > 20
    assert not read.open
    live = re.search(r'<script type="application/json" id="map-data">(.*?)</script>', text, flags=re.S).group(
        1
    )
    assert not set("<>&") & set(live)
    assert NASTY in json.dumps(json.loads(live), ensure_ascii=False).replace('\\"', '"')


@pytest.mark.parametrize(
    ("values", "kind", "said"),
    [
        ((5.0, 1.0), "within", "Within your own limits: wind and waves"),
        ((5.0, 2.5), "over", "Over your own limit: waves"),
        ((11.0, np.nan), "over", "Over your own limit: wind"),
        ((np.nan, 1.0), "unknown", "Not known: wind"),
        ((np.nan, np.nan), "unknown", "Not known: wind and waves"),
        ((), "unknown", "Not known: wind and waves"),
    ],
)
def test_verdict_only_compares_with_the_skippers_limits(values, kind, said):
    names = (("wind", 10.0), ("waves", 2.0))
    noon = np.datetime64("2026-01-17T01:00", "ns")
    facts = tuple(Condition(n, v, limit, noon) for (n, limit), v in zip(names, values, strict=False))
    found = page.verdict(facts)
    assert (found["kind"], found["text"]) == (kind, said)


def test_page_speaks_the_skippers_units(plan):
    keys = 'temperature = "F"\ndepth = "ft"\nheight = "ft"\ndistance = "km"\nspeed = "ms"\nfuel = "gal"'
    read = Reader(page.page_text(replace(plan, trip=brief_plan.make_trip(show=keys))))
    assert "200 to 250 ft back" in read.text
    assert "7.2 m/s" in read.text  # 14 kn
    assert "55.5 km, 087°" in read.text  # 29.9 nmi is 55.46 km
    assert not re.search(
        r"\d (nmi|kn|L)\b", read.text.replace(" at 2 kn ", " ").replace("1.4 nmi of this", "")
    )


def test_page_without_a_route_says_so():
    read = Reader(page.page_text(brief_plan.empty_plan()))
    assert "No route was found." in read.text
    assert read.text.index("No route:") < read.text.index("Not known: wind and waves")
    assert "Turn for home by" not in read.text
    assert "Timeline" not in str(read.tags)
    assert "No box was found inside the fuel range." in read.text
    assert not read.open


def test_texts_spell_colour_one_way(plan):
    columns = plan.boxes.rename(columns={"evidence_chlorophyll": "evidence_color"})
    boxes = columns.assign(kind="color change", why="")
    shown = Reader(page.page_text(replace(plan, boxes=boxes))).text
    sheet = brief.draw_map(plan)
    legend = [text.get_text() for text in sheet.legends[0].get_texts()]
    assert "colour change" in shown
    assert "colour change" in legend
    assert not re.search(r"\bcolor", " ".join([shown, *legend, float_plan_text(plan)]))


def test_what_has_gathered_has_one_name_everywhere(plan, tmp_path):
    """The tables keep the kind "convergence line"; who reads page, map, plotter, globe or sheet is told of
    gathered matter."""
    made = replace(plan, boxes=plan.boxes.assign(why="."))
    brief.write_all(made, tmp_path)
    shown = {
        "page": Reader((tmp_path / "brief.html").read_text(encoding="utf-8")).text,
        "legend": " ".join(text.get_text() for text in brief.draw_map(made).legends[0].get_texts()),
        **{name: (tmp_path / name).read_text("utf-8") for name in ("route.gpx", "plan.kml", "boxes.csv")},
    }
    for where, text in shown.items():
        assert "gathered matter" in text.lower(), where
        assert "convergence" not in text, where
    assert '"convergence line"' in (tmp_path / "fronts.geojson").read_text("utf-8")


def test_evidence_bars_point_the_right_way(plan):
    boxes = page.page_facts(plan)["boxes"]
    first = {piece["name"]: piece for piece in boxes[0]["evidence"]}
    assert first["temperature step"]["factor"] == "×2.5"  # exp 0.9 = 2.4596
    assert first["temperature step"]["x"] == 50
    assert first["chlorophyll"]["factor"] == "not known"
    last = stories.evidence("evidence_temperature_step", -0.3, widest=1.0)
    assert last["factor"] == "×0.74"  # exp -0.3 = 0.7408
    assert last["x"] + last["wide"] == pytest.approx(50)


def test_stale_data_are_called_stale(plan):
    old = tuple({**row, "age": 3 * 86400.0} if row["age"] is not None else row for row in plan.data)
    rows = page.page_facts(replace(plan, data=old))["data"]
    assert [row["stale"] for row in rows] == [row["age"] != "–" for row in rows]
    assert not any(row["stale"] for row in page.page_facts(plan)["data"])


@pytest.mark.parametrize(
    ("degrees", "letters", "said"),
    [
        (-30.306, "NS", "30° 18.36′ S"),
        (153.146, "EW", "153° 08.76′ E"),
        (-0.99999, "NS", "1° 00.00′ S"),
        (0.0, "EW", "0° 00.00′ E"),
        (-1e-9, "EW", "0° 00.00′ E"),
    ],
)
def test_positions_are_in_degrees_and_decimal_minutes(degrees, letters, said):
    assert words.say_minutes(degrees, letters=letters) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (20, "0 min"),
        (3599, "1 h"),
        (3900, "1 h 05 min"),
        (90000, "25 h"),
        (190800, "2 days 5 h"),
        (259200, "3 days"),
    ],
)
def test_spans(seconds, said):
    assert words.say_span(seconds) == said


def test_courses_have_three_figures():
    assert [words.say_course(c) for c in (0.2, 7.4, 359.6)] == ["000°", "007°", "000°"]


def test_a_run_tells_all_its_courses_and_where_it_turns(plan):
    """Whoever has only the paper steers by it: courses against PROJ's geodesics, every turn in its place."""
    turning = brief_plan.with_turns(plan)
    places = list(turning.legs.geometry[0].coords)
    facts = page.page_facts(turning)
    run, troll = (next(step for step in facts["steps"] if step["kind"] == kind) for kind in ("run", "troll"))
    pairs = np.array(list(pairwise(places)))
    courses = Geod(ellps="WGS84").inv(*pairs[:, 0].T, *pairs[:, 1].T)[0] % 360
    assert run["course"] == " ".join(f"{course:03.0f}°" for course in courses)
    wanted = [
        f"{int(-lat)}° {-lat % 1 * 60:05.2f}′ S  {int(lon)}° {lon % 1 * 60:05.2f}′ E"
        for lon, lat in brief_plan.TURNS
    ]
    assert [turn.replace("\u00a0", " ") for turn in run["turns"]] == wanted
    text = Reader(page.page_text(turning)).text.replace("\u00a0", " ")
    told = re.sub(r"\s+", " ", "; ".join(wanted))
    under = re.search(r"By way of ([^.]*(?:\.\d[^.]*)*)\.", text)[1]
    assert re.sub(r"\s+", " ", under).replace(" ;", ";").strip() == told
    assert troll["course"].endswith("then line")
    assert troll["turns"] == []
    flat = re.sub(r"\s+", " ", float_plan_text(turning))
    assert "by way of 5 turns: 30° 09.0′ S 153° 15.0′ E; 30° 07.2′ S 153° 21.0′ E; 30°" in flat
    assert "by way of" not in float_plan_text(plan)


@pytest.mark.parametrize(
    ("up", "said", "dark"), [(True, "the sun does not set", 0.0), (False, "the sun does not rise", 960.0)]
)
def test_a_sun_that_does_not_set_or_rise_is_told_so(plan, up, said, dark):
    polar = brief_plan.with_sun(plan, up=up)
    timeline = draw_timeline(polar, words.steps_of(polar))
    assert timeline["sun"] == said.capitalize()
    assert not any("sun" in line["text"] for line in timeline["lines"])
    assert sum(right - left for left, right in timeline["night"]) == pytest.approx(dark)
    sheet = " ".join(text.get_text() for text in brief.draw_map(polar).texts)
    assert said in sheet
    assert "sunrise" not in sheet + Reader(page.page_text(polar)).text.replace("earlier than sunrise", "")


# ---- float plan


def test_float_plan_leaves_blanks_and_invents_nothing(plan):
    text = float_plan_text(plan)
    for label in ("Names, phones", "Contacts", "Sea rescue, radio channel", "Call sea rescue at", "Notes"):
        assert f"{label}: {BLANK}" in text
    assert not re.search(r"\+?\d[\d ]{6,}", re.sub(r"[\d° .′]+[NSEW]", "", text)), (
        "that looks like a telephone number"
    )
    assert max(map(len, text.splitlines())) <= 78


def test_float_plan_says_who_where_and_when(plan):
    people = "Ana, 0400 000 000\nBen"
    given = plan.trip.float_plan.model_copy(update={"people": people, "boat": "7 m, white, blue top"})
    text = float_plan_text(replace(plan, trip=plan.trip.model_copy(update={"float_plan": given})))
    for wanted in (
        "Ana, 0400 000 000",
        "Ben",
        "white, blue top",
        "Name: Tern",
        "Leave: Sat 17 Jan 05:00 AEDT",
        "Overdue after: Sat 17 Jan 16:00 AEDT",
        "Turn for home by: Sat 17 Jan 14:20 AEDT",
    ):
        assert wanted in text
    flat = re.sub(r"\s+", " ", text)
    assert all(caution in flat for caution in words.cautions_of(plan))


def test_float_plan_fuel_adds_up(plan):
    """Tank less every leg and the two ways between port and sea buoy."""
    spent = plan.legs["fuel_used"].sum() + 2 * plan.reach.attrs["port_fuel"]
    text = float_plan_text(plan)
    assert f"Planned use: {spent:.0f} L" in text
    assert f"Left on return: {460 - spent:.0f} L" in text
    assert "Reserve, not planned: 153 L (33% of the tank)" in text


def test_float_plan_knows_a_tank_from_what_is_in_it(plan):
    """At the desk 230 of 460 L: as many litres of reserve as before, a third of the tank."""
    boat = plan.trip.boat.model_copy(update={"tank": 230.0, "reserve": 460 / 3 / 230})
    half = replace(plan, trip=plan.trip.model_copy(update={"boat": boat}), settings={"tank": 460.0})
    text = float_plan_text(half)
    assert "In the tank: 230 L (holds 460 L)" in text
    assert "Reserve, not planned: 153 L (33% of the tank)" in text
    assert "In the tank: 460 L\n" in float_plan_text(plan)


def test_float_plan_tells_the_speed_the_legs_have(plan):
    """At 16.2 kn over the ground a run of the flat water's 22 kn takes 22/16.2 as long."""
    assert "runs at 22.0 kn, trolls at 7.0 kn" in float_plan_text(plan)
    runs = plan.legs["kind"].isin(["run", "home"])
    spans = (plan.legs["end"] - plan.legs["start"]).where(
        ~runs, (plan.legs["end"] - plan.legs["start"]) * 22 / 16.2
    )
    ends = plan.legs["start"].iloc[0] + spans.cumsum()
    rough = replace(plan, legs=plan.legs.assign(start=ends - spans, end=ends))
    flat = re.sub(r"\s+", " ", float_plan_text(rough))
    assert "runs at about 16 kn over the ground in the sea expected (22.0 kn in flat water)" in flat


def test_float_plan_numbers_the_boxes_as_the_plotter_does(plan, tmp_path):
    gpx = brief.write_gpx(plan, tmp_path / "route.gpx").read_text(encoding="utf-8")
    for rank in words.worked_boxes(words.steps_of(plan)):
        assert f"<name>B{rank} IN</name>" in gpx
        assert re.search(rf"^  Box {rank}, \d\d:\d\d\sto\s\d\d:\d\d: from ", float_plan_text(plan), re.M)


def test_float_plan_without_a_route(tmp_path):
    text = brief.write_float_plan(brief_plan.empty_plan(), tmp_path / "f.txt").read_text()
    assert f"Expected back: {BLANK}" in text
    assert f"Waters: {BLANK}" in text
    assert "No route planned." in text
    assert "Turn for home by:" not in text


def test_no_route_comes_before_fair_weather():
    fair = (
        Condition("wind", 3.0, 9.0, np.datetime64("NaT")),
        Condition("waves", 0.5, 2.0, np.datetime64("NaT")),
    )
    facts = page.page_facts(replace(brief_plan.empty_plan(), conditions=fair))
    assert facts["verdict"]["text"].startswith("No route")
    assert facts["verdict"]["sign"] != "✔"
    assert facts["weather"] == "Within your own limits: wind and waves"


def later_plan(plan):
    """The plan with all legs three quarters of an hour later than asked."""
    by = np.timedelta64(44, "m")
    return replace(plan, legs=plan.legs.assign(start=plan.legs["start"] + by, end=plan.legs["end"] + by))


def test_later_start_is_the_same_everywhere_and_explained(plan):
    later = later_plan(plan)
    said = "You asked 05:00; lines go in no earlier than sunrise, so 05:44."
    page_words = Reader(page.page_text(later)).text
    float_words = re.sub(r"\s+", " ", float_plan_text(later))
    sheet = " ".join(text.get_text() for text in brief.draw_map(later).texts)
    for text, leave in (
        (page_words, "Leave port 05:44"),
        (float_words, "05:44 AEDT"),
        (sheet, "Leave 05:44"),
    ):
        assert leave in re.sub(r"\s+", " ", text)
        assert said in re.sub(r"\s+", " ", text)
    assert words.leave_words(plan) == ""


def test_hours_are_in_order_and_a_late_turn_is_explained(plan):
    rows = page.page_facts(plan)["clock"]
    assert [row[1] for row in rows] == sorted(row[1] for row in rows)
    assert plan.turn_for_home > words.port_hours(plan)[1]
    planned = plan.trip.show.say_clock(plan.legs["start"].iloc[-1].to_datetime64())
    left = plan.trip.show.say_fuel(plan.legs["fuel_left"].iloc[-2])
    assert ("Turn for home by", "14:20", f"latest; planned {planned}, {left} left") in rows
    early = replace(plan, turn_for_home=plan.legs["start"].iloc[-1].to_datetime64())
    notes = {label: note for label, _, note in page.page_facts(early)["clock"]}
    assert notes["Turn for home by"] == "no later, from the last box"


def test_box_places_agree_with_the_geodesic(plan):
    """Distance and bearing to the middle of the trolling line, by pyproj's Geod along its vertices."""
    from pyproj import Geod

    geod = Geod(ellps="WGS84")
    box = plan.boxes.iloc[3]
    middle = box["line"].interpolate(0.5, normalized=True)
    azimuth, _, metres = geod.inv(*brief_plan.BUOY, middle.x, middle.y)
    said = next(row for row in page.page_facts(plan)["boxes"] if row["rank"] == 4)["from_buoy"]
    assert said == f"{metres / 1852:.1f} nmi, {azimuth % 360:03.0f}° true from the sea buoy to its middle"


@pytest.mark.parametrize(
    ("rate", "said"),
    [
        (3.42, "3.4"),
        (0.2, "0.20"),
        (0.0341, "0.034"),
        (0.0999, "0.10"),
        (12.4, "12"),
        (0.0, "0.0"),
        (9.96, "10"),
    ],
)
def test_rates_have_two_figures(rate, said):
    assert words.say_rate(rate) == said


def test_passes_do_not_shrink_the_waters(plan):
    """Two passes end where they began; the waters worked are still the whole line."""
    turned = brief_plan.with_passes(plan, 2)
    worked = words.working_line(plan, 1, words.steps_of(plan))
    assert words.working_line(turned, 1, words.steps_of(turned)) == worked
    first, last = (words.say_place(place) for place in worked)
    assert f"from {first}\n    to {last}, 2 passes" in float_plan_text(turned)
    assert last.split("  ")[0] in Reader(page.page_text(turned)).text.replace("\u00a0", " ")


@pytest.mark.parametrize("gap", [0.0, 900.0])
def test_boxes_joined_on_a_line_are_worked_as_boxes(plan, gap):
    """Lines stay in from box 1 to box 2: no lines up, run or lines in between them."""
    joined = brief_plan.join_boxes(plan, gap)
    steps = words.steps_of(joined)
    begin, end = words.working_line(joined, 2, words.steps_of(joined))
    (work,) = words.passes_of(steps, 2)
    assert (begin, end) == (work.places[0], work.places[-1])
    assert [step.joins for step in steps if step.box == 2 and step.kind == "troll"] == [True] * (gap > 0) + [
        False
    ]
    facts = page.page_facts(joined)
    assert {1, 2, 3} <= {bar["box"] for bar in facts["timeline"]["bars"] if bar["kind"] == "troll"}
    assert ("troll on, lines stay in" in [row["does"] for row in facts["steps"]]) == (gap > 0)
    text = float_plan_text(joined)
    assert f"from {words.say_place(begin)}\n    to {words.say_place(end)}\n" in text
    assert ("troll on (box 2)" in text) == (gap > 0)


def test_words_of_the_timeline_are_not_struck_through(plan):
    for hours in (1, 3, 5, 7, 9, 10.5):
        turn = plan.trip.window.start + np.timedelta64(round(60 * hours), "m")
        made = page.page_facts(replace(plan, turn_for_home=turn))["timeline"]["lines"]
        assert len({line["row"] for line in made}) == len(made) >= 3
        for low in made:
            assert 0 <= low["left"] < low["right"] <= 1000
            higher = [line["x"] for line in made if line["row"] < low["row"]]
            assert not any(low["left"] < x < low["right"] for x in higher), hours


# ---- all of it


def test_standing_cautions_come_once(plan):
    from searcher.conditions import STANDING_CAUTIONS

    twice = replace(plan, cautions=(*plan.cautions, *STANDING_CAUTIONS))
    assert words.cautions_of(twice) == (*plan.cautions, *STANDING_CAUTIONS) == words.cautions_of(plan)


def test_write_all_writes_all(plan, tmp_path):
    paths = brief.write_all(plan, tmp_path / "new" / "folder")
    names = {path.name for path in paths}
    tables = {"fronts.geojson", "boxes.geojson", "legs.geojson", "boxes.csv", "legs.csv", "stays.csv"}
    plans = {"brief.html", "map.png", "map.pdf", "route.gpx", "plan.kml", "float_plan.txt", "float_plan.html"}
    assert names == plans | tables
    assert {path.name for path in (tmp_path / "new" / "folder").iterdir()} == names
    for path in paths:
        if path.suffix not in (".png", ".pdf", ".csv"):
            assert "planning" in path.read_text(encoding="utf-8"), path


def test_write_all_names_a_folder_that_cannot_be(plan, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(SearcherError, match="file"):
        brief.write_all(plan, tmp_path / "file")


def test_a_day_that_begins_after_midnight_is_that_day(plan):
    """Asked for 17:00 of the evening before, the boat leaves in the morning: on every page it is Saturday."""
    window = plan.trip.window
    asked = window.model_copy(update={"start": window.start - np.timedelta64(12, "h")})
    night = replace(plan, trip=plan.trip.model_copy(update={"window": asked}))
    facts = page.page_facts(night)
    assert facts["day"] == "Saturday 17 January 2026"
    assert facts["later"].startswith("You asked Fri ")
    leave = {label: time for label, time, _ in facts["clock"]}["Leave port"]
    assert leave == night.trip.show.say_clock(words.leaving(night))
    fronts = night.fronts.assign(valid_time=night.fronts["valid_time"])
    first = asked.start
    fronts.loc[fronts.index[0], "valid_time"] = first
    hours = words.line_words(replace(night, fronts=fronts)).split(", ")[-1]
    assert hours.startswith(f"Fri {night.trip.show.say_clock(asked.start)} to ")


def test_the_page_says_what_the_weights_have_learned_from(plan):
    assert "learned" not in page.page_text(plan)
    text = page.page_text(replace(plan, learned_from=1))
    assert "The weights have learned from one trip of your own." in text
    assert "from 3 of your own trips." in page.page_text(replace(plan, learned_from=3))


def test_distances_before_a_line_are_in_the_skippers_unit(plan):
    """A quarter of a nautical mile is 0.5 km."""
    show = replace(plan.trip.show, distance="km")
    metric = replace(plan, trip=plan.trip.model_copy(update={"show": show}))
    assert "0.5 km before the line" in page.page_text(metric)
    assert "a quarter mile before the line" in page.page_text(plan)
