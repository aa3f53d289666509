"""The desk in a real browser, over a real planner on a small analytic sea.

Screenshots are left in the ignored folder `artefacts/`.
"""

from __future__ import annotations

import asyncio
import http.client
import json
import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from pyproj import Proj
from seas import TASMAN, Plane, make_axes, make_node, make_simple_sea, make_trip, tanh_front

pytest.importorskip("bokeh.server")
from searcher.desk.guard import Served
from searcher.desk.page import Page
from searcher.desk.whatif import Desk
from searcher.desk.wishes import wishes_of

ROOT = Path(__file__).parents[1]
#: a change may take this long on a machine that others are at work on, ms
PATIENCE = 240_000
NASTY = "<img src=x onerror=alert(1)>Port"
PLANE = Plane(TASMAN)
#: of the sea floor, m
DEPTH = 300.0
#: the map is in metres of Mercator's on a sphere, about a whole meridian
MERCATOR = Proj(proj="merc", lon_0=round(TASMAN.lon), R=6378137)
PIXEL = """([x, y]) => {
  const models = Bokeh.documents.flatMap((each) => [...each._all_models.values()]);
  const plot = models.find((model) => model.name === "map" && model.x_range);
  const { el, frame } = Bokeh.index.find_one_by_id(plot.id);
  el.scrollIntoView({ block: "end" });
  const { left, top } = el.getBoundingClientRect();
  return [left + frame.x_scale.compute(x), top + frame.y_scale.compute(y)];
}"""

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    def picture(x, y):
        return tanh_front(x, y, angle=90.0, offset=20e3, step=2.0, width=3000.0)[0]

    lon, lat = make_axes(TASMAN, half=1.5, step=0.05)
    floor = make_node("depth", lon, lat, depth=DEPTH)
    hours = {"image_hours": (-30.0, -10.0), "current_hours": (-120, 36)}
    sea = make_simple_sea(u=0.1, sst=[picture, picture], half=1.5, depth=floor, **hours)
    trip = make_trip()
    port = trip.port.model_copy(update={"name": NASTY})
    return Desk(trip.model_copy(update={"port": port, "folder": tmp_path_factory.mktemp("trip")}), sea)


@pytest.fixture(scope="module")
def served(desk):
    """The page, served from a thread of its own."""
    first, box, ready = desk.plan(wishes_of(desk.trip)), [], threading.Event()

    def serve():
        asyncio.set_event_loop(asyncio.new_event_loop())
        box.append(Served(lambda doc: Page(desk, first).fill(doc)))
        ready.set()
        box[0].run()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    assert ready.wait(60)
    yield box[0]
    box[0].loop.add_callback(box[0].stop)
    thread.join(30)


def ask(served, *, path: str | None = None, **headers) -> int:
    """The status of a request made by hand."""
    place, _, rest = served.address.removeprefix("http://").partition("/")
    link = http.client.HTTPConnection(place, timeout=60)
    link.request("GET", f"/{rest}" if path is None else path, headers={"Host": place} | headers)
    status = link.getresponse().status
    link.close()
    return status


def test_strangers_are_refused(served):
    place, _, rest = served.address.removeprefix("http://").partition("/")
    assert place.startswith("127.0.0.1:")
    token = rest.strip("/")
    assert len(token) >= 32
    assert ask(served) == 200
    upgrade = {"Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13"}
    upgrade |= {"Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ=="}  # the example of RFC 6455, section 1.3
    for refused in (
        {"path": "/"},
        {"path": "/ws"},
        {"path": "/static/js/bokeh.min.js"},
        {"path": f"/{token[:-1]}x/"},
        {"path": f"//{token}/"},
        {"path": "/?token=" + token},
        {"Host": "desk.example"},
        {"Host": "localhost:" + place.split(":")[1]},
        {"Origin": "http://desk.example"},
        {"Origin": "null"},
        {"path": f"/{token}/ws", "Origin": "http://desk.example", **upgrade},
        {"path": f"/{token}/ws", "Origin": "http://127.0.0.1", **upgrade},
    ):
        assert ask(served, **refused) == 403, refused


class Visit:
    """A tab on the desk, which writes down what it complains of and what it asks for."""

    def __init__(self, browser, served, **options) -> None:
        self.tab = browser.new_page(viewport={"width": 1400, "height": 1000}, **options)
        self.tab.set_default_timeout(PATIENCE)
        self.complaints, self.requests, self.served = [], [], served
        self.tab.on("console", self._hear)
        self.tab.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.tab.on("dialog", lambda dialog: self.complaints.append(dialog.message))
        self.tab.on("request", lambda request: self.requests.append(request.url))
        self.tab.on("websocket", lambda socket: self.requests.append(socket.url))
        self.tab.goto(served.address)
        self.wait_for("As the trip file says")

    def _hear(self, message) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def wait_for(self, text: str) -> str:
        """The state once it holds a text."""
        self.tab.get_by_text(text).first.wait_for()
        return self.state().inner_text()

    def state(self):
        """The part of the page that tells how the last change went."""
        return self.tab.locator("[role=status][data-answers]")

    def stays(self) -> list[str]:
        """Numbers of the boxes of the day, as the page tells them."""
        table = self.tab.locator(".day table").first
        return table.locator("tbody th").all_inner_texts()

    def after(self, act) -> str:
        """The state after a change has been worked out or refused."""
        status = self.state()
        answers = int(status.get_attribute("data-answers"))
        act()
        self.tab.locator(f'[role=status][data-answers="{answers + 1}"]').wait_for()
        return status.inner_text()

    def set_fuel(self, amount: str) -> None:
        self.fill("Fuel in the tank", amount)

    def fill(self, label: str, amount: str) -> None:
        field = self.tab.get_by_label(label)
        field.fill(amount)
        field.press("Tab")

    def frame_of_map(self) -> str:
        """How wide the frame is that marks the map as old."""
        column = self.tab.locator("[aria-label=Map] .bk-Column").first
        return column.evaluate("(node) => getComputedStyle(node).borderLeftWidth")

    def pixel_of(self, lon: float, lat: float) -> list[float]:
        """Where a place of the map lies in the window."""
        return self.tab.evaluate(PIXEL, list(MERCATOR(lon, lat)))

    def shoot(self, name: str) -> None:
        (ROOT / "artefacts").mkdir(exist_ok=True)
        self.tab.wait_for_timeout(800)
        self.tab.screenshot(path=ROOT / "artefacts" / f"{name}.png")


@pytest.mark.parametrize("touch", [False, True])
def test_the_map_says_what_the_sea_says(browser, served, touch):
    """Under the pointer or at a tap: place, temperature, current and depth of the analytic sea."""
    visit = Visit(browser, served, has_touch=touch)
    tab, told = visit.tab, visit.tab.get_by_label("Values at this place").locator("div").first
    assert "Move over the map" in told.inner_text()
    for east, degrees in (
        (-20e3, 23.0),
        (60e3, 25.0),
    ):  # m from the port, far from the front
        lon, lat = (float(part) for part in PLANE.degrees(east, -10e3))
        tab.wait_for_timeout(1500)  # two taps at once would be a double tap, even apart
        (tab.touchscreen.tap if touch else tab.mouse.move)(*visit.pixel_of(lon, lat))
        said = told.filter(has_text=f"{degrees:.1f} °C").inner_text().replace("\u00a0", " ")
        places = re.findall(r"(\d+)° (\d\d\.\d\d)′ ([NSEW])", said)
        north, south = (float(d) + float(m) / 60 for d, m, _ in places)
        assert [side for *_, side in places] == ["S", "E"]
        assert (south, north) == pytest.approx((lon, -lat), abs=0.01)
        assert "seen 10 h before leaving" in said  # the newer of the pictures
        assert "current 0.2 kn to 090°" in said  # 0.1 m/s are 0.19 kn
        assert f"depth {DEPTH:.0f} m" in said
    visit.shoot(f"desk_readout_{'touch' if touch else 'pointer'}")

    # moved by a button, the map tells of its middle
    before = told.inner_text()
    tab.get_by_role("button", name="East").click()
    tab.wait_for_function("([node, was]) => node.innerText !== was", arg=[told.element_handle(), before])
    assert "current 0.2 kn to 090°" in told.inner_text()
    assert visit.complaints == []
    tab.close()


def luminance(color: str) -> float:
    """Relative luminance of a colour as rgb(r, g, b) (WCAG 2.2)."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", color)[:3]]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_is_as_light_or_dark_as_the_system(browser, served, scheme):
    """What is written and what is filled in alike, with the contrast of WCAG 2.2 (1.4.3)."""
    visit = Visit(browser, served, color_scheme=scheme)
    paper = visit.tab.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    assert (luminance(paper) < 0.1) == (scheme == "dark")
    tab = visit.tab
    for part in (
        tab.get_by_text("The official marine forecast decides"),
        tab.locator(".day .why").first,
        tab.get_by_label("Bait"),
        tab.get_by_label("Fuel in the tank"),
        tab.get_by_role("button", name="Leave out"),
    ):
        ink, ground = part.evaluate(
            "(node) => [getComputedStyle(node).color, getComputedStyle(node).backgroundColor]"
        )
        ground = paper if ground == "rgba(0, 0, 0, 0)" else ground
        low, high = sorted((luminance(ink), luminance(ground)))
        assert (high + 0.05) / (low + 0.05) >= 4.5, part
    visit.shoot(f"desk_{scheme}")
    tab.close()


def test_a_morning_at_the_desk(browser, served, desk):
    visit = Visit(browser, served)
    tab = visit.tab
    visit.shoot("desk_first")
    assert NASTY in tab.locator("h1").inner_text()
    assert tab.get_by_text("The official marine forecast decides").is_visible()
    for label in ("Fuel in the tank", "Leave at", "Home by", "Bait", "Trolling speed", "Target", "Box"):
        assert tab.get_by_label(label, exact=False).first.is_visible(), label
    # the arrows beside a number, which have no name, are no stops of the tab key: the field does the same
    arrows = tab.locator(".bk-spin-btn")
    assert (
        arrows.evaluate_all("(all) => all.map((node) => [node.tabIndex, node.ariaHidden])")
        == [[-1, "true"]] * 4
    )
    assert tab.get_by_role("button", name=re.compile(r"^$")).count() == 0
    stays = visit.stays()
    assert stays

    # a box of the day is left out by the keyboard alone: it leaves the day
    boxes = tab.get_by_label("Box", exact=True)
    names = boxes.locator("option").all_inner_texts()
    boxes.select_option(label=next(name for name in names if name.startswith(f"{stays[0]}:")))
    tab.get_by_role("button", name="Leave out").focus()
    visit.after(lambda: tab.keyboard.press("Enter"))
    assert stays[0] not in visit.stays()
    # what no other day can exceed is told when it has been worked out, which nobody waits for
    tab.locator(".day caption").first.filter(
        has_text=re.compile("proven best|of the best possible")
    ).wait_for()
    assert "being worked out" not in visit.state().inner_text()
    visit.shoot("desk_left_out")

    # less fuel, and too little of it: the plan of before stands, marked as old, and is not written
    visit.after(lambda: visit.set_fuel("230"))
    assert tab.get_by_text("230 L in the tank (the trip file").first.is_visible()
    left = visit.stays()
    assert "Not possible" in visit.after(lambda: visit.set_fuel("90"))
    assert tab.get_by_text("Old: the plan before the last change").is_visible()
    assert visit.stays() == left
    assert visit.frame_of_map() == "8px"
    assert tab.get_by_role("button", name="Write to a new sub-folder").is_disabled()
    visit.shoot("desk_refused")
    # more than the tank holds, and nothing, are refused in a sentence, and the last change can be taken back
    assert "at most the tank, " in visit.after(lambda: visit.set_fuel("3000"))
    assert "given nothing" in visit.after(lambda: visit.set_fuel(""))
    take_back = tab.get_by_role("button", name="Take the last change back")
    assert "taken back" in visit.after(lambda: take_back.click())
    assert tab.get_by_label("Fuel in the tank").input_value() == "230"
    assert take_back.is_disabled()

    # a bait has its own speed, and what stands in the field is what is planned
    usual = tab.get_by_label("Bait").input_value()
    visit.after(lambda: tab.get_by_label("Bait").select_option("bare natural"))
    speed = float(tab.get_by_label("Trolling speed").input_value())
    assert tab.get_by_text(f"trolling at {speed:.1f} kn").first.is_visible()
    visit.after(lambda: tab.get_by_label("Bait").select_option(usual))
    assert tab.get_by_text("trolling at").count() == 0
    assert "does not go with" in visit.after(lambda: visit.fill("Trolling speed", "14"))
    visit.after(lambda: take_back.click())

    visit.after(lambda: visit.set_fuel("240"))
    assert visit.frame_of_map() == "0px"
    said = visit.after(lambda: tab.get_by_role("button", name="Write to a new sub-folder").click())
    folder = desk.trip.folder / "desk-1"
    assert str(folder) in said
    assert {"brief.html", "route.gpx", "float_plan.txt"} <= {path.name for path in folder.iterdir()}
    told = " ".join((folder / "float_plan.txt").read_text().split())  # its lines are broken
    assert "240 L in the tank (the trip file" in told

    # moved about by buttons, and still nothing but this page is asked for
    tab.get_by_role("button", name="Zoom in").click()
    tab.get_by_label("Floating matter").check()
    visit.shoot("desk_last")
    assert visit.complaints == []
    home = re.escape(served.address.removeprefix("http://"))
    strangers = [url for url in visit.requests if not re.match(rf"(?:(?:http|ws)://{home}|data:|blob:)", url)]
    assert strangers == []
    tab.close()


def test_a_desk_that_is_killed_leaves_a_page_that_says_so(browser, trip_folder):
    command = [sys.executable, "-m", "searcher.cli", "desk", str(trip_folder), "--no-browser", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        tab = browser.new_page()
        tab.set_default_timeout(PATIENCE)
        tab.goto(json.loads(process.stdout.readline())["address"])
        tab.get_by_text("As the trip file says").first.wait_for()
        assert not tab.get_by_text("The desk has ended").is_visible()
        process.kill()
        tab.get_by_text("The desk has ended").wait_for()
        assert tab.evaluate("document.querySelector('main').inert")
        tab.close()
