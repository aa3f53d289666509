"""The float plan as a page to print; its words are tested with those of the brief."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import brief_plan
import pandas as pd
import pytest
from lxml import html

from searcher import brief
from searcher.brief import words
from searcher.brief.float_plan import float_plan_page, float_plan_sections, float_plan_text
from searcher.brief.maps import map_region
from searcher.brief.page import page_text
from searcher.errors import SearcherError
from searcher.trip.model import Finish


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


def filled(plan, **given):
    """The plan with texts in its section [float_plan]."""
    text = plan.trip.float_plan.model_copy(update=given)
    return replace(plan, trip=plan.trip.model_copy(update={"float_plan": text}))


def rows_of(page: str) -> dict[str, list[str]]:
    """Label -> lines of its value, [] where a blank is left."""
    rows = {}
    for row in html.fromstring(page).xpath("//dl/div"):
        (value,) = row.xpath("dd")
        blank = value.get("class") == "blank"
        rows[row.xpath("string(dt)")] = [] if blank else [text.strip() for text in value.itertext()]
    return rows


def test_page_says_what_the_text_says(plan):
    made = filled(plan, people="Ana, 0400 000 000\nBen", contacts="Cleo")
    wanted = {label: lines for _, rows in float_plan_sections(made) for label, lines in rows}
    assert rows_of(float_plan_page(made)) == wanted
    assert wanted["Names, phones"] == ["Ana, 0400 000 000", "Ben"]


def test_page_leaves_blanks_and_invents_nothing(plan):
    rows = rows_of(float_plan_page(plan))
    for label in ("Names, phones", "Contacts", "Sea rescue, radio channel", "Call sea rescue at", "Notes"):
        assert rows[label] == []
    shown = html.fromstring(float_plan_page(plan)).xpath("string(//main)")
    without_places = re.sub(r"\d+° [\d.]+′ [NSEW]", "", shown)
    assert not re.search(r"\+?\d[\d ]{6,}", without_places), "that looks like a telephone number"


def test_page_has_every_leg_and_caution(plan):
    tree = html.fromstring(float_plan_page(plan))
    ends = [cell.text for cell in tree.xpath("//tbody/tr/td[2]")]
    assert ends == [plan.trip.show.say_clock(end) for end in plan.legs["end"]]
    assert [item.text for item in tree.xpath("//li")] == list(words.cautions_of(plan))


def test_page_shows_markup_as_text_and_loads_nothing(plan):
    page = float_plan_page(filled(plan, notes="<script>alert(1)</script>", people='"><img src=x>'))
    tree = html.fromstring(page)
    assert rows_of(page)["Notes"] == ["<script>alert(1)</script>"]
    assert not tree.xpath("//script | //img | //link | //iframe")
    assert not re.search(r"url\(|@import|https?:", page)


def test_page_without_a_route(tmp_path):
    path = brief.write_float_page(brief_plan.empty_plan(), tmp_path / "float_plan.html")
    page = path.read_text(encoding="utf-8")
    assert rows_of(page)["Expected back"] == rows_of(page)["Waters"] == []
    assert "No route planned." in page


def test_page_that_cannot_be_written_is_named(plan, tmp_path):
    with pytest.raises(SearcherError, match=r"no folder .*missing.* to write float_plan\.html in"):
        brief.write_float_page(plan, tmp_path / "missing" / "float_plan.html")


@pytest.mark.browser
def test_page_prints_on_at_most_two_sheets(plan, tmp_path):
    """Printed by Chromium; pages counted by poppler."""
    api = pytest.importorskip("playwright.sync_api")
    chromium = Path("/usr/bin/chromium")
    if not (chromium.exists() and shutil.which("pdfinfo")):
        pytest.skip("no Chromium or no poppler")
    path = brief.write_float_page(brief_plan.with_passes(plan, 3), tmp_path / "float_plan.html")
    with api.sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=str(chromium), args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        page = browser.new_page()
        said = []
        page.on("console", lambda message: said.append(message.text))
        page.goto(path.as_uri())
        page.pdf(path=str(tmp_path / "float_plan.pdf"), prefer_css_page_size=True)
        browser.close()
    assert said == []
    told = subprocess.run(
        ["pdfinfo", str(tmp_path / "float_plan.pdf")], capture_output=True, text=True, check=True
    ).stdout
    assert int(re.search(r"Pages: +(\d+)", told)[1]) <= 2


def with_finish(plan):
    """The plan with a day that ends in another port, half an hour and 9 L inside its sea buoy."""
    finish = Finish(name="Far Harbour", at=[153.202, -29.926], sea_buoy=[153.235, -29.926])
    reach = plan.reach.assign_attrs(finish_time=1800.0, finish_fuel=9.0)
    return replace(plan, trip=plan.trip.model_copy(update={"finish": finish}), reach=reach)


def test_a_day_that_ends_in_another_port_says_so_everywhere(plan, tmp_path):
    made = with_finish(plan)
    text, rows = float_plan_text(made), rows_of(float_plan_page(made))
    assert text.startswith("FLOAT PLAN  Wirrin Harbour to Far Harbour\n")
    assert "to Far Harbour 29° 55.56′ S  153° 12.12′ E" in re.sub(r"\s*\n\s+", " ", text)
    arrival = plan.legs["end"].iloc[-1] + pd.Timedelta("30min")
    assert rows["Expected in Far Harbour"] == [plan.trip.show.say_time(arrival)]
    assert rows["Left on return"] == [f"{plan.legs['fuel_left'].iloc[-1] - 9.0:.0f} L"]
    gpx = brief.write_gpx(made, tmp_path / "route.gpx").read_text(encoding="utf-8")
    assert "<name>END BUOY</name>" in gpx
    assert "<name>Search plan, Wirrin Harbour to Far Harbour</name>" in gpx
    globe = brief.write_kml(made, tmp_path / "plan.kml").read_text("utf-8")
    assert "Sea buoy of Far Harbour" in globe
    assert "Search plan, Wirrin Harbour to Far Harbour" in globe


def test_page_and_maps_name_both_ports(plan):
    """The page in its head, hours, route and map; every printed sheet in its title and on the map."""
    made = with_finish(plan)
    page = html.fromstring(page_text(made))
    shown = " ".join(page.xpath("string(//main)").split())
    assert page.xpath("string(//h1)") == "Wirrin Harbour to Far Harbour"
    assert "In Far Harbour, as planned" in shown
    assert "from the sea buoy to that of Far Harbour" in shown
    assert "true from the sea buoy of Wirrin Harbour" in shown
    live = page.xpath("string(//script[@id='map-data'])")
    assert {"Wirrin Harbour", "Far Harbour"} <= set(re.findall(r'"(\w+ Harbour)"', live))
    for subject in ("plan", "temperature", "currents", "ranking"):
        sheet = brief.draw_map(made, subject=subject)
        assert any("Wirrin Harbour to Far Harbour" in text.get_text() for text in sheet.texts), subject
        on_map = [text.get_text() for text in sheet.axes[0].texts]
        assert {"Wirrin Harbour", "Far Harbour"} <= set(on_map), subject
        assert on_map.count("sea buoy") == 2
    hours = " ".join(text.get_text() for text in brief.draw_map(made).texts)
    assert "in Far Harbour by 16:00" in hours
    assert "Far Harbour" not in " ".join(text.get_text() for text in brief.draw_map(plan).texts)


def test_a_port_to_end_in_is_inside_the_map(plan):
    """Its berth and its sea buoy, also where neither the route nor the fuel reaches so far."""
    finish = Finish(name="North Harbour", at=[153.56, -28.65], sea_buoy=[153.62, -28.65])
    made = replace(plan, trip=plan.trip.model_copy(update={"finish": finish}))
    for around in ("route", "reach"):
        west, south, east, north = map_region(made, around=around)
        for lon, lat in (finish.at, finish.sea_buoy):
            assert west < lon < east
            assert south < lat < north
