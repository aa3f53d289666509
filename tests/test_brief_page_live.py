"""The page in a real browser, with no network: its map, layers, stories, themes, widths and print.

Screenshots are left in the ignored folder `artefacts/`.
"""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import brief_plan
import numpy as np
import pandas as pd
import pytest
from matplotlib.image import imread
from test_brief_page import NASTY, nasty_plan

from searcher import brief
from searcher.brief import words

ROOT = Path(__file__).parents[1]
PLOT = "Bokeh.documents[0].get_model_by_name('map')"
RANGES = f"(p => [p.x_range.start, p.x_range.end, p.y_range.start, p.y_range.end])({PLOT})"

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def plan():
    return brief_plan.make_plan()


@pytest.fixture(scope="module")
def pages(plan, tmp_path_factory):
    """Two pages: the plan's, and one whose every text is an attack."""
    folder = tmp_path_factory.mktemp("pages")
    made = {"plain": plan, "nasty": nasty_plan(plan)}
    return {name: brief.write_brief(each, folder / f"{name}.html") for name, each in made.items()}


class Visit:
    """A tab with no network, which writes down what it complains of and what it asks for."""

    def __init__(self, browser, path: Path, *, width=1200, height=900, **options) -> None:
        view = {"width": width, "height": height}
        self.context = browser.new_context(viewport=view, offline=True, **options)
        self.tab = self.context.new_page()
        self.complaints, self.requests, self.path = [], [], path
        self.tab.on("console", lambda message: self.complaints.append(message.text))
        self.tab.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.tab.on("dialog", lambda dialog: self.complaints.append(dialog.message))
        self.tab.on("request", lambda request: self.requests.append(request.url))
        self.tab.goto(path.as_uri())
        self.tab.wait_for_selector("#live-map[data-ready]", timeout=60_000)

    def __enter__(self):
        return self

    def __exit__(self, *_) -> None:
        self.context.close()

    def check_quiet(self) -> None:
        """Nothing was complained of, nothing but the page itself was asked for."""
        assert self.complaints == []
        asked = {url.split("#")[0] for url in self.requests if not url.startswith(("data:", "blob:"))}
        assert asked == {self.path.as_uri()}

    def shoot(self, name: str, **options) -> np.ndarray:
        """A screenshot, kept among the artefacts, as (rows, columns, 3)."""
        (ROOT / "artefacts").mkdir(exist_ok=True)
        self.tab.wait_for_timeout(250)  # the map is drawn a frame or two later
        self.tab.screenshot(path=ROOT / "artefacts" / f"{name}.png", **options)
        return imread(ROOT / "artefacts" / f"{name}.png")[..., :3]

    def map_picture(self) -> np.ndarray:
        """The map as it stands, (rows, columns, 3)."""
        self.tab.wait_for_timeout(300)
        return imread(io.BytesIO(self.tab.locator("#live-map").screenshot()))[..., :3]

    def ranges(self) -> np.ndarray:
        return np.array(self.tab.evaluate(RANGES))

    def place_of(self, lon: float, lat: float) -> tuple[float, float]:
        """Where a place lies on the screen, by the map's own scale."""
        frame = f"(() => {{ const f = Bokeh.index.find_one_by_id({PLOT}.id).frame;"
        find = (
            f"{frame} const b = document.querySelector('#live-map').getBoundingClientRect();"
            f"const live = JSON.parse(document.getElementById('map-data').textContent);"
            f"const r = Math.PI / 180; const x = 6378137 * r * ({lon} - live.lon);"
            f"const y = 6378137 * Math.asinh(Math.tan(r * {lat}));"
            "return [b.x + f.x_scale.compute(x), b.y + f.y_scale.compute(y)] })()"
        )
        return tuple(self.tab.evaluate(find))


@pytest.fixture
def visit(browser, pages):
    with Visit(browser, pages["plain"]) as opened:
        yield opened
        opened.check_quiet()


def test_page_is_under_four_megabytes(pages):
    assert all(path.stat().st_size < 4e6 for path in pages.values())


# ---- the map


def test_map_keeps_one_scale_both_ways(visit):
    """A metre of the map is as long up as across, at first and after the window changes."""
    for width in (1200, 700):
        visit.tab.set_viewport_size({"width": width, "height": 900})
        visit.tab.wait_for_timeout(500)
        west, east, south, north = visit.ranges()
        inner = visit.tab.evaluate(f"[{PLOT}.inner_width, {PLOT}.inner_height]")
        assert (east - west) / inner[0] == pytest.approx((north - south) / inner[1], rel=0.01)


def test_map_pans_by_dragging(visit):
    before, image = visit.ranges(), visit.map_picture()
    box = visit.tab.locator("#live-map").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    visit.tab.mouse.move(x, y)
    visit.tab.mouse.down()
    visit.tab.mouse.move(x + 60, y + 30, steps=5)
    visit.tab.mouse.up()
    after = visit.ranges()
    scale = (before[1] - before[0]) / visit.tab.evaluate(f"{PLOT}.inner_width")
    assert after[:2] - before[:2] == pytest.approx(-60 * scale, abs=3 * scale)
    assert after[2:] - before[2:] == pytest.approx(30 * scale, abs=3 * scale)
    assert np.abs(visit.map_picture() - image).mean() > 0.01


def test_map_zooms_by_wheel_and_buttons(visit):
    wide = np.diff(visit.ranges()[:2])[0]
    box = visit.tab.locator("#live-map").bounding_box()
    visit.tab.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    visit.tab.mouse.wheel(0, -300)
    visit.tab.wait_for_timeout(300)
    closer = np.diff(visit.ranges()[:2])[0]
    assert closer < 0.95 * wide
    visit.tab.click("#zoom-in")
    assert np.diff(visit.ranges()[:2])[0] == pytest.approx(closer / 1.6, rel=1e-3)
    visit.tab.click("#zoom-out")
    assert np.diff(visit.ranges()[:2])[0] == pytest.approx(closer, rel=1e-3)
    visit.tab.click("#see-near")
    near = visit.ranges()
    visit.tab.click("#see-route")
    route = visit.ranges()
    assert np.ptp(near[2:]) < np.ptp(route[2:])
    visit.tab.click("#see-all")
    assert np.ptp(visit.ranges()[:2]) > np.ptp(route[:2])


def test_map_moves_by_keys_and_says_what_lies_in_the_middle(visit):
    visit.tab.focus("#live-map")
    before = visit.ranges()
    visit.tab.keyboard.press("ArrowRight")
    after = visit.ranges()
    assert after[0] > before[0]
    assert after[2] == pytest.approx(before[2])
    said = visit.tab.inner_text("#readout")
    assert re.match(r"30° \d\d\.\d\d′ S +15[34]° \d\d\.\d\d′ E", said)
    visit.tab.keyboard.press("+")
    assert np.ptp(visit.ranges()[:2]) < np.ptp(after[:2])
    visit.tab.keyboard.press("0")
    assert np.ptp(visit.ranges()[:2]) > np.ptp(after[:2])


@pytest.mark.parametrize(
    "layer", ["temperature", "matter", "doubt", "currents", "lines", "boxes", "route", "depth", "reach"]
)
def test_every_layer_can_be_switched(visit, layer):
    switch = visit.tab.locator(f"[data-layer={layer}]")
    visit.tab.click("#see-all")
    if not switch.is_checked():
        switch.check()
    with_it = visit.map_picture()
    switch.uncheck()
    without = visit.map_picture()
    changed = (np.abs(with_it - without).max(axis=-1) > 0.02).mean()
    assert changed > 0.0004
    switch.press("Space")  # by keys
    assert switch.is_checked()
    assert (np.abs(visit.map_picture() - with_it).max(axis=-1) > 0.02).mean() < changed / 10


def test_one_shading_takes_the_place_of_the_other(visit):
    temperature, matter = (visit.tab.locator(f"[data-layer={name}]") for name in ("temperature", "matter"))
    assert (temperature.is_checked(), matter.is_checked()) == (True, False)
    matter.check()
    assert not temperature.is_checked()
    temperature.check()
    assert not matter.is_checked()


def test_hover_says_what_the_sea_says(visit, plan):
    """Position, temperature, current and depth of a place, as the grids have them (read by xarray)."""
    lon, lat = 153.85, -30.30
    visit.tab.click("#see-all")
    visit.tab.mouse.move(*visit.place_of(lon, lat))
    visit.tab.wait_for_timeout(200)
    said = visit.tab.inner_text("#readout").replace("\u00a0", " ")
    degrees = re.findall(r"(\d+)° (\d\d\.\d\d)′ ([NSEW])", said)
    north, east = (float(d) + float(m) / 60 for d, m, _ in degrees)
    assert [side for *_, side in degrees] == ["S", "E"]
    assert (east, north) == pytest.approx((lon, -lat), abs=0.006)
    near = {"lon": slice(east - 0.03, east + 0.03), "lat": slice(-north - 0.03, 0.03 - north)}
    sst = plan.sea["temperature"]["sst"].sel(near).isel(time=-1).values
    temperature = float(re.search(r"([\d.]+) °C", said).group(1))
    assert np.nanmin(sst) - 0.06 <= temperature <= np.nanmax(sst) + 0.06
    current = (
        plan.sea["currents"]
        .to_dataset()
        .sel(time=plan.trip.window.start)
        .sel(lon=east, lat=-north, method="nearest")
    )
    speed, course = re.search(r"current ([\d.]+) kn to (\d{3})°", said).groups()
    u, v = float(current["u"]), float(current["v"])
    assert float(speed) == pytest.approx(np.hypot(u, v) * 3600 / 1852, abs=0.25)
    assert (float(course) - np.degrees(np.arctan2(u, v)) + 180) % 360 - 180 == pytest.approx(0, abs=12)
    depth = plan.sea["depth"]["depth"].sel(near).values
    assert depth.min() - 1 <= float(re.search(r"depth (\d+) m", said).group(1)) <= depth.max() + 1
    assert "floating matter ×" in said


def test_edges_are_in_degrees_and_minutes(visit):
    labels = visit.tab.evaluate(
        f"(() => {{ const p = {PLOT}; return [p.below[0], p.left[0]].map(a => "
        "a.formatter.doFormat([0, 18552], {loc: 0})) })()"
    )
    assert labels[0] == ["154° 00′ E", "154° 10′ E"]  # 6378137 m × 10′ is 18 553 m
    assert labels[1][0] == "0° 00′ N"


# ---- stories


def story(visit) -> str:
    panel = visit.tab.locator("#stories")
    return re.sub(r"\s+", " ", panel.inner_text()) if panel.is_visible() else ""


def test_box_tells_its_story_on_click(visit, plan):
    assert story(visit) == ""
    middle = plan.boxes["line"].iloc[0].interpolate(0.5, normalized=True)
    visit.tab.mouse.click(*visit.place_of(middle.x, middle.y))
    visit.tab.wait_for_timeout(300)
    said = story(visit)
    assert plan.boxes["why"].iloc[0] in said
    assert "In the route: 2 passes, 07:00 until 08:15; leave at 07:40 if nothing by then." in said
    assert "×2.5" in said  # exp 0.9 = 2.4596
    visit.shoot("map_story")
    visit.tab.click("#close-stories")
    assert story(visit) == ""


def test_leg_tells_its_story_on_click(visit, plan):
    run = plan.legs.geometry.iloc[0]
    middle = run.interpolate(0.3, normalized=True)
    visit.tab.mouse.click(*visit.place_of(middle.x, middle.y))
    visit.tab.wait_for_timeout(300)
    said = story(visit)
    assert "Run, box 1" in said
    assert plan.trip.show.say_fuel(plan.legs["fuel_left"].iloc[0]) in said


def test_everything_can_be_picked_by_keys(visit, plan):
    pick = visit.tab.locator("#pick")
    options = pick.locator("option").count()
    assert options == 1 + len(plan.boxes) + len(words.steps_of(plan)) + len(plan.fronts)
    pick.focus()
    pick.press("ArrowDown")
    visit.tab.wait_for_timeout(200)
    assert plan.boxes["why"].iloc[0] in story(visit)
    pick.select_option("line-0")
    assert "1.6 °C across it, give or take 0.2 °C, warm to the east" in story(visit)
    assert visit.tab.evaluate("document.activeElement.id") == "pick"


def test_what_is_picked_far_off_comes_into_view(visit, plan):
    for _ in range(4):
        visit.tab.click("#zoom-in")
    visit.tab.select_option("#pick", "line-4")
    west, east, south, north = visit.ranges()
    middle = plan.fronts.geometry.iloc[4].centroid
    x, y = visit.place_of(middle.x, middle.y)
    box = visit.tab.locator("#live-map").bounding_box()
    assert box["x"] < x < box["x"] + box["width"]
    assert box["y"] < y < box["y"] + box["height"]
    assert west < east
    assert south < north


def test_injected_text_is_shown_as_text(browser, pages):
    with Visit(browser, pages["nasty"]) as visit:
        visit.tab.select_option("#pick", "box-1")
        assert NASTY in visit.tab.locator("#stories").inner_text()
        assert visit.tab.locator("h1").inner_text() == NASTY
        assert visit.tab.locator("script").count() == 3
        names = visit.tab.evaluate(
            f"{PLOT}.renderers.map(r => r.data_source.data.text).filter(Boolean).flat()"
        )
        assert NASTY in names  # drawn on a canvas, where there is no markup
        visit.shoot("page_injected", full_page=True)
        visit.check_quiet()


def test_policy_stops_what_is_not_ours(visit):
    """A script put into the open page does not run (the page's policy names ours by their hashes)."""
    visit.tab.evaluate(
        "() => { const s = document.createElement('script'); s.textContent = 'window.intruder = 1';"
        "document.body.append(s); }"
    )
    assert visit.tab.evaluate("window.intruder ?? 'none'") == "none"
    assert any("Content Security Policy" in text for text in visit.complaints)
    visit.complaints.clear()


# ---- themes


def luminance(color: str) -> float:
    """Relative luminance (WCAG 2.2, definition) of an `rgb(...)`."""
    shares = np.array([float(v) for v in re.findall(r"[\d.]+", color)[:3]]) / 255
    linear = np.where(shares <= 0.04045, shares / 12.92, ((shares + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    """How much lighter one colour is than another (WCAG 2.2, contrast ratio)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_themes_switch_and_stay(visit):
    tab = visit.tab
    button = tab.get_by_role("button", name="Night red")
    assert button.get_attribute("aria-pressed") == "false"
    button.focus()
    button.press("Enter")
    assert button.get_attribute("aria-pressed") == "true"
    image = visit.shoot("page_night")
    assert image[..., 0].mean() > 3 * max(image[..., 1].mean(), image[..., 2].mean())  # red
    assert image.mean() < 0.15  # and dark
    picture = visit.map_picture()
    assert picture[..., 1:].max() < 0.35
    tab.reload()
    tab.wait_for_selector("#live-map[data-ready]")
    assert tab.evaluate("document.documentElement.dataset.theme") == "night"
    tab.get_by_role("button", name="Night red").click()
    assert tab.evaluate("document.documentElement.dataset.theme") == "day"


def test_themes_need_no_storage(browser, pages):
    """Where the browser refuses storage the choice is kept in the page's own address."""
    with Visit(browser, pages["plain"]) as visit:
        visit.context.add_init_script(
            "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('no') } })"
        )
        visit.tab.reload()
        visit.tab.wait_for_selector("#live-map[data-ready]")
        visit.tab.get_by_role("button", name="Night red").click()
        assert visit.tab.url.endswith("#night")
        visit.tab.get_by_role("link", name="Float plan").click()  # which does not take the night's place
        visit.tab.wait_for_function("scrollY > 500")
        assert visit.tab.url.endswith("#night")
        visit.tab.reload()
        visit.tab.wait_for_selector("#live-map[data-ready]")
        assert visit.tab.evaluate("document.documentElement.dataset.theme") == "night"
        visit.check_quiet()


@pytest.mark.parametrize("theme", ["day", "night"])
def test_text_has_contrast(visit, theme):
    """At least 4.5 to 1 (WCAG 2.2, 1.4.3) for every text against the ground it stands on."""
    if theme == "night":
        visit.tab.get_by_role("button", name="Night red").click()
    pairs = visit.tab.evaluate(
        """() => [...document.querySelectorAll('body *')].filter(e =>
          e.offsetParent && !e.closest('svg')
          && [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim())
        ).map(e => { let g = e; while (g && /, 0\\)|transparent/.test(getComputedStyle(g).backgroundColor))
          g = g.parentElement;
          return [getComputedStyle(e).color, getComputedStyle(g ?? document.documentElement).backgroundColor,
                  e.textContent.trim().slice(0, 30)] })"""
    )
    assert len(pairs) > 100
    for ink, ground, text in pairs:
        assert contrast(ink, ground) >= 4.5, (text, ink, ground)


PARTS = """() => {
  const inks = (e) => { const s = getComputedStyle(e); return [s.fill, s.stroke].filter(c => c !== "none") };
  const first = (name) => document.querySelector(name);
  const ground = (e) => {
    while (/rgba\\(.*, 0\\)/.test(getComputedStyle(e).backgroundColor)) e = e.parentElement;
    return getComputedStyle(e).backgroundColor;
  };
  const drawn = (name) => [name, inks(first(name)), ground(first(name).closest("svg"))];
  const box = first(".layers input:not(:checked)");
  const up = inks(first(".evidence .up"))[0], down = inks(first(".evidence .down"));
  return [
    drawn(".evidence .up"), drawn(".evidence .down"), ["down on up", down, up],
    drawn(".bar.troll"), drawn(".bar.run"), drawn(".reserve"), drawn(".level"),
    ["troll on dark", inks(first(".bar.troll")), inks(first(".day .dark"))[0]],
    ["run on dark", inks(first(".bar.run")), inks(first(".day .dark"))[0]],
    ["gauge", inks(first(".gauge .fuel")), inks(first(".gauge .tank"))[0]],
    ["number", inks(first("svg .number")).slice(0, 1), inks(first(".bar.troll"))[0]],
    ["box", [getComputedStyle(box).borderTopColor], ground(box.parentElement)],
  ];
}"""


@pytest.mark.parametrize("theme", ["day", "night"])
def test_what_is_drawn_has_contrast(browser, plan, tmp_path, theme):
    """At least 3 to 1 (WCAG 2.2, 1.4.11) by its filling or its edge, against what it lies on or beside."""
    columns = {"evidence_depth": np.linspace(0.2, -1.0, len(plan.boxes))}
    mixed = replace(plan, boxes=plan.boxes.assign(**columns))
    with Visit(browser, brief.write_brief(mixed, tmp_path / "mixed.html")) as visit:
        if theme == "night":
            visit.tab.get_by_role("button", name="Night red").click()
        for name, inks, ground in visit.tab.evaluate(PARTS):
            ratios = [contrast(ink, ground) for ink in inks]
            assert max(ratios) >= 3, (name, inks, ground, ratios)


# ---- any width, no scripts, aloud, on paper


@pytest.mark.parametrize("width", [320, 390, 768, 1200])
@pytest.mark.parametrize("name", ["plain", "nasty"])
def test_page_fits_every_width(browser, pages, width, name):
    with Visit(browser, pages[name], width=width, height=844) as visit:
        tab = visit.tab
        tab.select_option("#pick", "box-1")
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        assert tab.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= 16
        beyond = "filter(e => e.getBoundingClientRect().right > innerWidth + 1)"
        query = f"[...document.querySelectorAll('main *')].{beyond}.map(e => e.outerHTML.slice(0, 120))"
        assert tab.evaluate(query) == []
        assert tab.evaluate("document.querySelector('#live-map').clientWidth") > 0.9 * min(width, 600) - 20
        if name == "plain":
            visit.shoot(f"page_{width}", full_page=True)
        visit.check_quiet()


def test_touch_reads_values(browser, pages):
    with Visit(browser, pages["plain"], width=390, height=844, has_touch=True, is_mobile=True) as visit:
        visit.tab.locator("#live-map").scroll_into_view_if_needed()
        visit.tab.touchscreen.tap(*visit.place_of(153.75, -30.4))
        visit.tab.wait_for_timeout(300)
        assert "current" in visit.tab.inner_text("#readout")
        visit.check_quiet()


def test_page_without_scripts_shows_the_still_map(browser, pages):
    context = browser.new_context(
        offline=True, java_script_enabled=False, viewport={"width": 390, "height": 844}
    )
    tab = context.new_page()
    tab.goto(pages["plain"].as_uri())
    assert tab.locator("figure.still img").is_visible()
    assert not tab.locator("#live-map").is_visible()
    assert not tab.locator("#night").is_visible()
    assert tab.locator("table.boxes").is_visible()
    context.close()


def test_page_has_landmarks_and_names(visit):
    """Roles by the browser's own reckoning (WAI-ARIA 1.2); every control has a name."""
    tab = visit.tab
    for role in ("banner", "main", "navigation", "contentinfo"):
        assert tab.get_by_role(role).count() == 1, role
    regions = tab.get_by_role("region").all()
    assert len(regions) >= 8
    assert tab.get_by_role("heading", level=1).count() == 1
    levels = [int(node.evaluate("e => e.tagName[1]")) for node in tab.get_by_role("heading").all()]
    assert all(b - a <= 1 for a, b in pairwise(levels))
    for role in ("button", "checkbox", "combobox", "application", "status"):
        nodes = tab.get_by_role(role)
        assert nodes.count() > 0, role
        assert nodes.count() == tab.get_by_role(role, name=re.compile(r"\w|[+−×]")).count(), role
    assert tab.get_by_role("columnheader").count() > 15
    assert tab.get_by_role("rowheader").count() > 15


def test_page_is_reached_by_tab_keys_in_order(visit):
    seen = []
    for _ in range(25):
        visit.tab.keyboard.press("Tab")
        seen.append(
            visit.tab.evaluate(
                "(e => e.id || e.className || e.dataset.layer || e.hash)(document.activeElement)"
            )
        )
    assert seen[:2] == ["skip", "night"]
    assert seen[2:9] == ["#map", "#timeline", "#cautions", "#route", "#boxes", "#data", "#float"]
    assert seen.index("temperature") < seen.index("zoom-in") < seen.index("pick") < seen.index("live-map")
    inside = """() => {
      const all = [];
      const look = (node) => {
        for (const child of node.children) {
          all.push(child.tabIndex);
          if (child.shadowRoot) look(child.shadowRoot);
          look(child);
        }
      };
      look(document.querySelector("#live-map"));
      return all;
    }"""
    assert 0 not in visit.tab.evaluate(inside)


def printed(browser, plan, folder, name: str) -> bytes:
    with Visit(browser, brief.write_brief(plan, folder / "brief.html")) as visit:
        paper = visit.tab.pdf(prefer_css_page_size=True)
    (ROOT / "artefacts").mkdir(exist_ok=True)
    (ROOT / "artefacts" / f"{name}.pdf").write_bytes(paper)
    return paper


def test_page_prints_on_two_sheets(browser, plan, tmp_path):
    paper = printed(browser, plan, tmp_path, "page_printed")
    sizes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", paper)
    assert len(sizes) == 2
    # A4 is 210 × 297 mm (ISO 216); a point is 1/72 inch
    assert all(float(w) == pytest.approx(210 / 25.4 * 72, abs=1) for w, _ in sizes)
    assert all(float(h) == pytest.approx(297 / 25.4 * 72, abs=1) for _, h in sizes)
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext here")
    said = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=paper, capture_output=True, check=True
    ).stdout
    first, second, _ = said.decode().split("\f")
    for wanted in ("Go or not", "Where first", "Turn for home by", "Trolling set", "Cautions"):
        assert wanted in first, wanted
    for wanted in ("Route and fuel", "Search boxes", "Data", "Invented for tests"):
        assert wanted in second, wanted
    assert "Layers" not in first


def test_the_demonstrations_day_prints_on_two_sheets(browser, demo_folder):
    """A day of a dozen boxes or more, each with a leg that trolls it."""
    with Visit(browser, demo_folder / "brief.html") as visit:
        paper = visit.tab.pdf(prefer_css_page_size=True)
        visit.tab.emulate_media(media="print")
        legs = visit.tab.locator(".route tbody tr:visible th").all_inner_texts()
        stays = visit.tab.locator(".stays tbody th").all_inner_texts()
    assert len(re.findall(rb"/MediaBox", paper)) == 2
    trolled = {words.split()[-1] for words in legs if words.startswith("Troll") and "stay in" not in words}
    assert trolled == {words.strip() for words in stays}


def test_links_of_the_page_lead_to_their_headings(browser, pages):
    with Visit(browser, pages["plain"], width=320, height=640) as visit:
        links = visit.tab.get_by_role("navigation", name="On this page").get_by_role("link").all()
        assert len(links) == 7
        for link in links:
            assert link.bounding_box()["height"] >= 24  # WCAG 2.2, 2.5.8
            heading = visit.tab.locator(link.get_attribute("href"))
            assert heading.evaluate("e => e.tagName") == "H2"
            link.click()
            visit.tab.wait_for_timeout(50)
            assert 0 <= heading.bounding_box()["y"] < 640
        visit.tab.emulate_media(media="print")
        assert not visit.tab.locator("nav").is_visible()
        visit.check_quiet()


def test_words_on_better_boxes_fit_the_two_sheets(browser, plan, tmp_path):
    legs = brief_plan.make_legs(plan.trip, plan.boxes, ranks=range(3, 11))
    settings = plan.settings | {"banned": []}
    paper = printed(browser, replace(plan, legs=legs, settings=settings), tmp_path, "page_printed_passed")
    assert len(re.findall(rb"/MediaBox", paper)) == 2


@pytest.mark.parametrize("boxes", [7, 10])
def test_a_long_day_prints_on_two_sheets_too(browser, plan, tmp_path, boxes):
    """Many boxes, two passes over the first, as many stays."""
    legs = brief_plan.make_legs(plan.trip, plan.boxes, ranks=range(1, boxes + 1))
    stays = pd.concat([plan.stays.iloc[[0]]] * boxes).assign(box=np.arange(1, boxes + 1))
    long = brief_plan.with_passes(replace(plan, legs=legs, stays=stays), 2)
    paper = printed(browser, long, tmp_path, f"page_printed_{boxes}_boxes")
    assert len(re.findall(rb"/MediaBox", paper)) == 2


def test_a_route_too_long_for_a_sheet_breaks_between_rows_under_its_head(browser, plan, tmp_path):
    """It follows the stays on the second sheet, as far as that goes, and names its columns on the third."""
    legs = brief_plan.make_legs(plan.trip, plan.boxes, ranks=[*range(1, 11)] * 3)
    stays = pd.concat([plan.stays.iloc[[0]]] * 30).assign(box=[*range(1, 11)] * 3)
    paper = printed(browser, replace(plan, legs=legs, stays=stays), tmp_path, "page_printed_long")
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext here")
    said = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=paper, capture_output=True, check=True
    ).stdout
    _, second, third, _ = said.decode().split("\f")
    assert "How long at each box" in second
    assert "Route and fuel" in second
    assert second.count("Troll") > 15
    assert "There at" in third
    assert third.count("Troll") > 3


def test_turns_of_a_run_are_on_paper(browser, plan, tmp_path):
    if shutil.which("pdftotext") is None:
        pytest.skip("no pdftotext here")
    paper = printed(browser, brief_plan.with_turns(plan), tmp_path, "page_printed_turns")
    said = subprocess.run(
        ["pdftotext", "-layout", "-", "-"], input=paper, capture_output=True, check=True
    ).stdout
    told = said.decode().partition("By way of")[2].partition("Lines in")[0]
    assert re.findall(r"(\d+)°\s+([\d.]+)′ S\s+(\d+)°\s+([\d.]+)′ E", told) == [
        (str(int(-lat)), f"{-lat % 1 * 60:05.2f}", str(int(lon)), f"{lon % 1 * 60:05.2f}")
        for lon, lat in brief_plan.TURNS
    ]
    assert len(re.findall(rb"/MediaBox", paper)) == 2
