"""Fetching from real servers on 127.0.0.1, with every fault that a network has on the way.

The seas of `servers` are formulas, so that what arrives is compared with what must arrive. `erddapy` (the
community's own client of ERDDAP) asks the same server for the same box as an oracle for the addresses.
"""

from __future__ import annotations

import inspect
import os
import signal
import subprocess
import sys
import threading
import time
import tomllib
import warnings
from email.utils import formatdate
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple
from urllib.parse import unquote

import httpx
import numpy as np
import pytest
import servers
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from searcher.cli.verbs import held_age
from searcher.errors import SourceError
from searcher.geo import Region
from searcher.sources import SourceWarning, load_sea, store, web
from searcher.sources import fetch as fetching
from searcher.sources.asking import cut_pieces, list_runs, make_request, shift_near
from searcher.sources.catalogue import find_products, read_catalogue
from searcher.sources.copernicus import build_arguments
from searcher.sources.fetch import fetch_products
from searcher.sources.files import read_fields, survey_file
from searcher.sources.web import find_message, read_retry_after

SPOT = Region(152.0, -32.0, 154.0, -30.0)
#: the second of them takes seconds, so one test in each run stands for it
PROTOCOLS = ["griddap", pytest.param("opendap", marks=pytest.mark.slow)]
GLOBE = (-180.0, -60.0, 180.0, 60.0)


class Window(NamedTuple):
    start: np.datetime64
    end: np.datetime64


WINDOW = Window(np.datetime64("2026-01-16T19:00", "ns"), np.datetime64("2026-01-17T06:00", "ns"))
NOW = np.datetime64("2026-01-16T18:00", "ns")
FIELDS = {
    "temperature": (["analysed_sst"], ["degree_C"], "24 h"),
    "currents": (["water_u", "water_v"], ["m s-1", "m s-1"], "3 h"),
    "depth": (["elevation"], ["m"], None),
    "color": (["CHL1"], ["mg m-3"], "24 h"),
}


def row(
    name: str, field: str, address: str, dataset: str, *, protocol="griddap", box=GLOBE, grid=0.1, **more
) -> str:
    """A row of a catalogue."""
    variables, units, step = FIELDS[field]
    keys = {
        "title": "a test", "field": field, "protocol": protocol, "address": address, "dataset": dataset,
        "variables": variables, "units": units, "grid": grid, "latency": "0 h", "box": list(box),
        "licence": "none", "credit": "invented", "checked": "seen",
    }  # fmt: skip
    if step:
        keys["time_step"] = step
    return f"[{name}]\n" + "".join(f"{key} = {value!r}\n" for key, value in (keys | more).items())


@pytest.fixture(scope="module")
def seas():
    with servers.running_seas() as port:
        yield port


@pytest.fixture
def proxy(seas):
    with servers.Proxy(seas) as found:
        yield found


@pytest.fixture(autouse=True)
def short_waits(monkeypatch):
    monkeypatch.setattr(web, "FIRST_WAIT", 0.02)


@pytest.fixture
def fetch(tmp_path, proxy):
    """Fetch rows from the seas into tmp_path/data; a row is (id, field, dataset, more keys)."""
    book = tmp_path / "sources.toml"

    def run(*rows, region=SPOT, window=WINDOW, address=None, **options):
        book.write_text("".join(_written(one, address or proxy.address) for one in rows))
        options = {"tries": 2, "timeout": 5.0, "now": NOW} | options
        return fetch_products(
            [one[0] for one in rows], region, window, tmp_path / "data", extra=book, **options
        )

    return run


def _written(one, root: str) -> str:
    name, field, dataset, *more = one
    keys = more[0] if more else {}
    ends = {"griddap": "/erddap", "opendap": "/datasets/{dataset}/opendap"}
    address = keys.pop("address", None) or root + ends[keys.get("protocol", "griddap")]
    return row(name, field, address, dataset, **keys)


def listing(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Name -> size and content of everything in a folder."""
    return {path.name: (path.stat().st_size, path.read_bytes()) for path in sorted(folder.glob("*"))}


def axes_of(data: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return data["longitude"].values, data["latitude"].values, data["time"].values


def open_file(path: Path) -> xr.Dataset:
    with xr.open_dataset(path) as data:
        return data.load()


def check_sst(path: Path, region: Region) -> xr.Dataset:
    """Every value is the formula's, the region is covered and not much more."""
    data = open_file(path)
    lon, lat, times = axes_of(data)
    values = data["analysed_sst"].transpose("time", "latitude", "longitude").values
    np.testing.assert_allclose(values, servers.sst_of(lon, lat, times), atol=1e-5)
    step = abs(lon[1] - lon[0])
    assert (
        region.west - 2.1 * step
        < lon.min()
        <= region.west
        < region.east
        <= lon.max()
        < region.east + 2.1 * step
    )
    assert lat.min() <= region.south < region.north <= lat.max()
    assert (np.diff(lon) > 0).all()
    return data


def check_currents(path: Path) -> xr.Dataset:
    data = open_file(path)
    data = data.squeeze("depth") if "depth" in data.dims else data
    lon, lat, times = axes_of(data)
    for name, values in zip(("water_u", "water_v"), servers.current_of(lon, lat, times), strict=True):
        np.testing.assert_allclose(
            data[name].transpose("time", "latitude", "longitude").values, values, atol=1e-5
        )
    return data


# ---------------------------------------------------------------------- what arrives


@pytest.mark.parametrize("dataset", ["sst", "sst_down"])
@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_box_and_its_hours_arrive(fetch, dataset, protocol):
    (found,) = fetch(
        ("it", "temperature", dataset, {"protocol": protocol, "beside": ["quality_level", "no_such"]})
    )
    assert (found.status, found.problem) == ("fetched", "")
    data = check_sst(found.path, SPOT)
    assert data.attrs["credit"] == "invented"
    assert data.attrs["license"] == "by the server"
    assert (data["quality_level"].values == 5).all()
    assert data["longitude"].size <= 25  # a window, not the whole
    assert found.times[-1] == np.datetime64("2026-01-16T12:00")
    assert WINDOW.start - found.times[0] < np.timedelta64(80, "h")
    assert found.retrieved == NOW
    assert found.note == "newest 7 h before departure"


def test_griddap_is_asked_in_the_order_and_direction_of_the_axes(fetch, proxy):
    fetch(("it", "temperature", "sst_down"))
    assert len(proxy.asked) == 2
    assert unquote(proxy.asked[1]) == (
        "/erddap/griddap/sst_down.nc?analysed_sst[(2026-01-13T18:00:00Z):1:(2026-01-16T12:00:00Z)]"
        "[(-29.9):1:(-32.1)][(151.9):1:(154.1)]"
    )
    assert "[" not in proxy.asked[1]  # servers refuse bare brackets


def test_the_communitys_client_gets_the_same(fetch, proxy, tmp_path):
    from erddapy import ERDDAP

    (found,) = fetch(("it", "temperature", "sst"))
    client = ERDDAP(server=f"{proxy.address}/erddap", protocol="griddap", response="nc")
    client.dataset_id = "sst"
    client.griddap_initialize()
    client.variables = ["analysed_sst"]
    client.constraints |= {
        "time>=": "2026-01-13T18:00:00Z", "time<=": "2026-01-16T19:00:00Z", "time_step": 1,
        "latitude>=": -32.1, "latitude<=": -29.9, "latitude_step": 1,
        "longitude>=": 151.9, "longitude<=": 154.1, "longitude_step": 1,
    }  # fmt: skip
    theirs = tmp_path / "theirs.nc"
    theirs.write_bytes(httpx.get(client.get_download_url(), timeout=10).raise_for_status().content)
    xr.testing.assert_equal(open_file(theirs)["analysed_sst"], open_file(found.path)["analysed_sst"])


@pytest.mark.parametrize("protocol", ["griddap", "opendap"])
def test_currents_come_from_the_surface_and_reach_past_the_window(fetch, protocol):
    (found,) = fetch(("it", "currents", "currents", {"protocol": protocol}))
    assert found.status == "fetched"
    check_currents(found.path)
    assert found.times[-1] >= WINDOW.end
    assert found.times[0] <= WINDOW.start - np.timedelta64(69, "h")
    assert found.note == ""


@pytest.mark.parametrize("region", [Region(178, -20, 183, -15), Region(-182, -20, -177, -15)])
@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_box_over_180_is_one_file(fetch, proxy, region, protocol):
    (found,) = fetch(("it", "temperature", "sst_half", {"protocol": protocol, "grid": 1.0}), region=region)
    assert found.status == "fetched", found.problem
    check_sst(found.path, region)
    if protocol == "griddap":
        assert len(proxy.data_requests()) == 2
    assert [path.name for path in found.path.parent.iterdir() if path.name.startswith(".")] == []


@pytest.mark.parametrize("protocol", PROTOCOLS)
@pytest.mark.parametrize(
    "region", [Region(-3, 40, 2, 44), Region(-75, 30, -70, 34), Region(152, -32, 156, -29)]
)
def test_longitudes_0_to_360_served_and_latitudes_descending(fetch, region, protocol):
    keys = {"protocol": protocol, "grid": 1.0, "box": (0, -60, 360, 60)}
    (found,) = fetch(("it", "temperature", "sst_turn", keys), region=region)
    assert found.status == "fetched", found.problem
    data = open_file(found.path)
    lon, lat, times = axes_of(data)
    np.testing.assert_allclose(
        data["analysed_sst"].transpose("time", "latitude", "longitude").values,
        servers.sst_of(lon, lat, times),
        atol=1e-5,
    )
    inside = (lon - region.west) % 360
    assert inside[inside < 180].max() >= region.east - region.west
    assert ((np.diff(lon) > 0) & (np.diff(lon) < 1.01)).all()


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_sea_floor_has_no_times(fetch, protocol):
    (found,) = fetch(("it", "depth", "floor", {"protocol": protocol}))
    assert (found.status, found.times, found.note) == ("fetched", (), "")
    data = open_file(found.path)
    np.testing.assert_allclose(
        data["elevation"].values[0], -1000 - 100 * (data["longitude"].values - 150), atol=0.1
    )


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_where_a_server_ends_earlier_the_last_it_has_is_taken(fetch, protocol):
    later = Window(WINDOW.start + np.timedelta64(30, "D"), WINDOW.end + np.timedelta64(30, "D"))
    found = fetch(
        ("pictures", "temperature", "sst", {"protocol": protocol}),
        ("running", "currents", "currents", {"protocol": protocol}),
        window=later,
        now=later.start,
    )
    assert [(one.status, len(one.times)) for one in found] == [("fetched", 1), ("fetched", 1)]
    assert found[0].times == (servers.DAYS[-1],)
    assert found[0].note == "newest 727 h before departure"
    assert found[1].note == "ends 702 h before the trip does"


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_a_server_that_begins_later_has_nothing(fetch, protocol):
    (found,) = fetch(("it", "temperature", "sst_late", {"protocol": protocol}))
    assert found.status == "failed"
    assert "begins at 2026-03-09" in found.problem


def test_fetched_files_make_a_sea(fetch):
    fetch(
        ("pictures", "temperature", "sst", {"beside": ["quality_level"]}),
        ("running", "currents", "currents", {"protocol": "opendap"}),
        ("floor", "depth", "floor"),
    )
    folder = Path(fetch(("floor", "depth", "floor"))[0].path).parent
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", SourceWarning)
        sea = load_sea(SPOT, WINDOW, sources=sorted(folder.glob("*.nc")))
    assert set(sea.children) >= {"temperature", "currents", "depth"}
    data = sea["currents"].to_dataset().sel(time=WINDOW.end)
    u, _ = servers.current_of(data["lon"].values, data["lat"].values, WINDOW.end)
    np.testing.assert_allclose(data["u"].values, u[0], atol=1e-5)


# ---------------------------------------------------------------------- what goes wrong


def on_data(answer):
    """Harm for requests for values only."""
    return lambda handler, ask: servers.is_data(handler.path) and answer(handler, ask) is not False


def refuse(status: int, text: str = "", **headers):
    return lambda handler, _: handler.send(status, {"Content-Type": "text/plain", **headers}, text.encode())


def say(text: str, kind: str = "text/html"):
    return lambda handler, _: handler.send(200, {"Content-Type": kind}, text.encode())


def cut_short(handler, ask):
    status, headers, body = ask(handler.path)
    handler.send(status, headers, body, stop=len(body) // 2)


def shorten(handler, ask):
    """Half the bytes, with a length that says so: only the file itself tells."""
    status, headers, body = ask(handler.path)
    handler.send(status, headers, body[: len(body) // 2])


def stall(handler, ask):
    status, headers, body = ask(handler.path)
    handler.send(status, headers, body, said=len(body) + 1)
    handler.server.done.wait(8)


def of_other_place(handler, ask):
    handler.send(*ask(handler.path.replace("32.1", "33.9").replace("29.9", "33.2")))


def of_other_variable(handler, ask):
    handler.send(*ask(handler.path.replace("sst.nc?analysed_sst", "sst.nc?quality_level")))


PAGE = "<html><head><title>Please log in</title></head><body>Welcome to the harbour network</body></html>"
ERROR = 'Error {\n    code=404;\n    message="Not Found: Your query produced no matching results.";\n}\n'
FAULTS = {
    "404": (refuse(404, ERROR), r"answered 404 Not Found: Not Found: Your query produced no matching"),
    "403": (refuse(403), r"answered 403 Forbidden\. It asks for a login"),
    "500 always": (refuse(500, "out of memory"), r"answered 500 .* Error: out of memory \(2 tries\)"),
    "503 for long": (
        refuse(503, **{"Retry-After": "7200"}),
        r"answered 503 Service Unavailable\. It asks to come back in 120 min",
    ),
    "body cut in half": (cut_short, r"broke off its answer: .*\(2 tries\)"),
    "file cut in half": (shorten, r"cannot be read as netCDF, damaged or cut short"),
    "stall": (stall, r"was silent for 0\.5 s \(2 tries\)"),
    "page": (say(PAGE), r"the answer is not a netCDF file; given 'Please log in'"),
    "error as data": (say(ERROR, "text/plain"), r"not a netCDF file; given 'Not Found: Your query produced"),
    "nothing": (say(""), r"the answer is empty; expected a netCDF file"),
    "elsewhere": (of_other_place, r"the answer covers 0% of the box asked for"),
    "another variable": (of_other_variable, r"the answer has no temperature; it has quality_level"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_one_line_and_leaves_the_folder_as_it_was(fetch, proxy, tmp_path, fault):
    harm, words = FAULTS[fault]
    fetch(("it", "temperature", "sst"), now=NOW - np.timedelta64(2, "D"))
    (tmp_path / "data" / "mine.nc").write_bytes(b"the user's own")
    before = listing(tmp_path / "data")
    proxy.harm = on_data(harm)
    (found,) = fetch(("it", "temperature", "sst"), timeout=0.5)
    assert found.status == "failed"
    assert "\n" not in found.problem
    with pytest.raises(SourceError, match=words):
        raise SourceError(found.problem)
    assert listing(tmp_path / "data") == before
    assert found.path == tmp_path / "data" / "it.nc"
    assert found.note == "the file fetched 48 h ago is kept"


@pytest.mark.parametrize("protocol", ["griddap", "opendap"])
def test_a_refused_connection(fetch, tmp_path, protocol):
    address = f"http://127.0.0.1:{servers.free_port()}"
    (found,) = fetch(("it", "temperature", "sst", {"protocol": protocol}), address=address)
    assert found.status == "failed"
    assert found.path is None
    assert found.problem.startswith("no connection to 127.0.0.1:")
    assert found.problem.endswith("(2 tries)")
    assert not (tmp_path / "data").exists()  # it was not there before


@pytest.mark.parametrize(
    ("dataset", "words"), [("sst_hot", "believable -3 to 45"), ("sst_cloud", "holds no value")]
)
@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_values_past_belief_never_become_a_file(fetch, tmp_path, dataset, words, protocol):
    (found,) = fetch(("it", "temperature", dataset, {"protocol": protocol}))
    assert found.status == "failed"
    assert words in found.problem
    assert "partial" not in found.problem
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (refuse(404, "no such dataset"), "answered 404 Not Found: no such dataset"),
        (say(PAGE), "is no OPeNDAP dataset; it answered: Please log in"),
        (refuse(500), r"answered 500 Internal Server Error (2 tries)"),
    ],
)
def test_opendap_faults_before_any_data(fetch, proxy, tmp_path, harm, words):
    proxy.harm = lambda handler, ask: harm(handler, ask) is not False
    (found,) = fetch(("it", "temperature", "sst", {"protocol": "opendap"}))
    assert found.status == "failed"
    assert words in found.problem
    assert not (tmp_path / "data").exists()


@pytest.mark.slow
@pytest.mark.parametrize(
    "harm", [refuse(404), cut_short, stall, say(PAGE)], ids=["404", "cut", "stall", "page"]
)
def test_opendap_faults_in_the_data(fetch, proxy, tmp_path, harm):
    proxy.harm = on_data(harm)
    began = time.monotonic()
    (found,) = fetch(("it", "temperature", "sst", {"protocol": "opendap"}), timeout=0.6)
    assert time.monotonic() - began < 15
    assert found.status == "failed"
    assert "\n" not in found.problem
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize(
    ("dataset", "words"), [("nowhere", "nowhere"), ("currents", "currents has no analysed_sst")]
)
def test_griddap_faults_of_the_description(fetch, dataset, words):
    (found,) = fetch(("it", "temperature", dataset))
    assert found.status == "failed"
    assert words in found.problem


def test_description_that_is_none(fetch, proxy):
    proxy.harm = lambda handler, ask: say(PAGE)(handler, ask) is not False
    (found,) = fetch(("it", "temperature", "sst"))
    assert found.problem == "the description of sst is not what ERDDAP sends: Please log in"


def test_trouble_that_passes_is_tried_again(fetch, proxy):
    left = [500, 503]

    def harm(handler, ask):
        if not servers.is_data(handler.path) or not left:
            return False
        refuse(left.pop())(handler, ask)
        return True

    proxy.harm = harm
    (found,) = fetch(("it", "temperature", "sst"), tries=3)
    assert found.status == "fetched"
    assert len(proxy.data_requests()) == 3
    check_sst(found.path, SPOT)


def test_what_the_server_asks_to_wait_is_waited(fetch, proxy):
    times = []

    def harm(handler, ask):
        if servers.is_data(handler.path):
            times.append(time.monotonic())
            if len(times) == 1:
                refuse(429, **{"Retry-After": "1"})(handler, ask)
                return True
        return False

    proxy.harm = harm
    (found,) = fetch(("it", "temperature", "sst"))
    assert found.status == "fetched"
    assert 1.0 <= times[1] - times[0] < 3.0


def test_one_bad_product_does_not_spoil_the_rest(fetch, proxy):
    proxy.harm = on_data(lambda handler, ask: stall(handler, ask) if "sst_down" in handler.path else False)
    found = fetch(
        ("hot", "temperature", "sst_hot"),
        ("good", "temperature", "sst"),
        ("stalled", "temperature", "sst_down"),
        ("nowhere", "temperature", "nowhere"),
        ("far", "temperature", "sst", {"box": (0, 0, 10, 10)}),
        ("currents", "currents", "currents", {"protocol": "opendap"}),
        ("floor", "depth", "floor"),
        timeout=2.0,
    )
    assert [one.status for one in found] == [
        "failed",
        "fetched",
        "failed",
        "failed",
        "failed",
        "fetched",
        "fetched",
    ]
    assert "does not cover the region" in found[4].problem
    names = {path.name for path in found[1].path.parent.iterdir()}
    assert names == {f"{name}.nc{end}" for name in ("good", "currents", "floor") for end in ("", ".json")}


def test_several_come_at_once(fetch, proxy):
    """Four answers that each wait for all four to be asked."""
    together = threading.Barrier(4)
    proxy.harm = on_data(lambda *_: together.wait(8) is None)
    found = fetch(*((f"it{number}", "temperature", "sst") for number in range(4)))
    assert [one.status for one in found] == ["fetched"] * 4


def test_unknown_product_is_an_error_at_once(tmp_path):
    with pytest.raises(SourceError, match="no product 'mure' in the catalogue, did you mean 'mur'"):
        fetch_products(["mure"], SPOT, WINDOW, tmp_path / "data")
    assert not (tmp_path / "data").exists()


def test_progress_is_told(fetch):
    told = []
    fetch(("it", "temperature", "sst"), progress=lambda *what: told.append(what))
    assert told[0] == ("it", 0, None)
    assert told[-1][0] == "it"
    assert told[-1][1] == told[-1][2] > 1000


# ---------------------------------------------------------------------- what is there already


def test_young_enough_is_not_fetched_again(fetch, proxy):
    fetch(("it", "temperature", "sst"))
    asked = len(proxy.asked)
    (found,) = fetch(("it", "temperature", "sst"), now=NOW + np.timedelta64(23, "h"))
    assert (found.status, found.retrieved) == ("cached", NOW)
    assert found.note == "fetched 23 h ago; newest 7 h before departure"
    assert len(found.times) == 4
    assert len(proxy.asked) == asked
    (found,) = fetch(("it", "temperature", "sst"), now=NOW + np.timedelta64(25, "h"))
    assert (found.status, found.retrieved) == ("fetched", NOW + np.timedelta64(25, "h"))
    (found,) = fetch(("it", "temperature", "sst"), now=NOW + np.timedelta64(26, "h"), max_age=600.0)
    assert found.status == "fetched"


def test_a_clock_that_was_wrong_once_stops_nothing(fetch):
    (first,) = fetch(("it", "temperature", "sst"), now=np.datetime64("2030-01-01T00:00", "ns"))
    assert first.status == "fetched", first.problem
    (offline,) = fetch(("it", "temperature", "sst"), offline=True)
    assert "fetched on 2030-01-01 00:00 UTC by a clock ahead of this one" in offline.note
    assert fetch(("it", "temperature", "sst"))[0].status == "fetched"
    assert fetch(("it", "temperature", "sst"))[0].status == "cached"


@pytest.mark.parametrize(
    ("name", "value"),
    [("ALL_PROXY", "carrier-pigeon://127.0.0.1:1080"), ("SSL_CERT_FILE", "/nowhere/cert.pem")],
)
def test_proxies_and_certificates_that_cannot_be_used(fetch, monkeypatch, name, value):
    fetch(("it", "temperature", "sst"))
    monkeypatch.setenv(name, value)
    with pytest.raises(SourceError, match=rf"the proxy or the certificates set .*; expected .*{name}"):
        fetch(("it", "temperature", "sst_down"))
    assert fetch(("it", "temperature", "sst"), offline=True)[0].status == "cached"


def test_sea_floor_is_fetched_once(fetch):
    fetch(("it", "depth", "floor"))
    assert fetch(("it", "depth", "floor"), now=NOW + np.timedelta64(900, "D"))[0].status == "cached"
    assert (
        fetch(("it", "depth", "floor"), now=NOW + np.timedelta64(900, "D"), max_age=60.0)[0].status
        == "fetched"
    )


@pytest.mark.parametrize(
    "changed",
    [
        {"region": Region(152, -32, 155, -30)},
        {"region": Region(152, -33, 154, -30)},
        {"window": Window(WINDOW.start + np.timedelta64(1, "h"), WINDOW.end)},
    ],
)
def test_another_place_or_hour_is_fetched(fetch, changed):
    fetch(("it", "temperature", "sst"))
    assert fetch(("it", "temperature", "sst"), **changed)[0].status == "fetched"


def test_a_smaller_place_is_in_what_is_there(fetch):
    fetch(("it", "temperature", "sst"))
    small = Region(152.5 - 360, -31.5, 153.5 - 360, -30.5)
    assert fetch(("it", "temperature", "sst"), region=small)[0].status == "cached"


def test_another_dataset_is_fetched(fetch):
    fetch(("it", "temperature", "sst"))
    again = fetch(("it", "temperature", "sst_down"))[0]
    assert again.status == "fetched", again.problem


def test_offline_uses_what_is_there_and_says_how_old(fetch, proxy):
    fetch(("it", "temperature", "sst"))
    asked = len(proxy.asked)
    later = NOW + np.timedelta64(30, "h")
    found = fetch(("it", "temperature", "sst"), ("never", "depth", "floor"), offline=True, now=later)
    assert [one.status for one in found] == ["cached", "failed"]
    assert found[0].note == "fetched 30 h ago; newest 7 h before departure"
    assert "never is not in" in found[1].problem
    (found,) = fetch(("it", "temperature", "sst"), offline=True, region=Region(100, -32, 104, -30), now=later)
    assert (found.status, found.note[:46]) == ("cached", "fetched for another place or other hours; fetc")
    assert len(proxy.asked) == asked


def test_a_users_file_is_never_touched(fetch, tmp_path):
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "it.nc").write_bytes(b"my own cruise")
    before = listing(tmp_path / "data")
    (found,) = fetch(("it", "temperature", "sst"))
    assert found.status == "failed"
    assert "it.nc is not as it was fetched, and is left alone. Rename it" in found.problem
    assert listing(tmp_path / "data") == before


def test_a_fetched_file_that_was_changed_is_the_users(fetch, tmp_path):
    fetch(("it", "temperature", "sst"))
    with open(tmp_path / "data" / "it.nc", "ab") as file:
        file.write(b"!")
    before = listing(tmp_path / "data")
    assert "is left alone" in fetch(("it", "temperature", "sst"))[0].problem
    assert listing(tmp_path / "data") == before


def test_damaged_record_counts_as_none(fetch, tmp_path):
    fetch(("it", "temperature", "sst"))
    (tmp_path / "data" / "it.nc.json").write_text("{")
    assert "is left alone" in fetch(("it", "temperature", "sst"))[0].problem
    (tmp_path / "data" / "it.nc").unlink()
    assert fetch(("it", "temperature", "sst"))[0].status == "fetched"


def test_a_second_fetch_in_one_folder_waits_its_turn(fetch, tmp_path):
    with (
        store.hold_folder(tmp_path / "data"),
        pytest.raises(SourceError, match="another fetch is at work in"),
    ):
        fetch(("it", "temperature", "sst"))
    assert fetch(("it", "temperature", "sst"))[0].status == "fetched"


class OfWindows:
    """`msvcrt.locking` as its documentation has it, by a lock of this system."""

    LK_NBLCK = 2

    def locking(self, handle, mode, count):
        import fcntl

        assert (mode, count) == (self.LK_NBLCK, 1)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise PermissionError(13, "Permission denied") from None


@pytest.mark.skipif(sys.platform == "win32", reason="a stand-in for Windows")
def test_a_second_fetch_waits_its_turn_on_windows(tmp_path, monkeypatch):
    monkeypatch.setattr(store, "sys", SimpleNamespace(platform="win32"))
    monkeypatch.setattr(store, "msvcrt", OfWindows(), raising=False)
    folder = tmp_path / "data"
    with store.hold_folder(folder):
        assert [path.name for path in folder.iterdir()] == [store.LOCK_FILE]
        with pytest.raises(SourceError, match="another fetch is at work in"), store.hold_folder(folder):
            pass
    assert not folder.exists()
    with store.hold_folder(folder):
        (folder / "it.nc").touch()
    assert [path.name for path in folder.iterdir()] == ["it.nc"]


@pytest.mark.skipif(sys.platform == "win32", reason="a stand-in for Windows")
def test_a_folder_that_takes_no_lock_is_told_on_windows(tmp_path, monkeypatch):
    monkeypatch.setattr(store, "sys", SimpleNamespace(platform="win32"))
    (tmp_path / store.LOCK_FILE).mkdir()
    with pytest.raises(SourceError, match="takes no file"), store.hold_folder(tmp_path):
        pass


def test_no_long_wait_is_without_a_limit(fetch, monkeypatch):
    """On Windows a wait without one hears no Ctrl-C (documentation of `threading.Lock.acquire`)."""
    waited = threading.Condition.wait
    limits = []

    def wait(self, timeout=None):
        begun = time.monotonic()
        try:
            return waited(self, timeout)
        finally:
            if threading.current_thread() is threading.main_thread() and time.monotonic() > begun + 0.1:
                limits.append(timeout)

    slow = fetching._fetch
    monkeypatch.setattr(fetching, "_fetch", lambda *given: (time.sleep(0.5), slow(*given))[1])
    monkeypatch.setattr(threading.Condition, "wait", wait)
    fetch(("it", "temperature", "sst"))
    assert limits
    assert None not in limits


def test_a_folder_that_cannot_be(fetch, tmp_path):
    (tmp_path / "data").write_text("a file")
    with pytest.raises(SourceError, match="data cannot be made"):
        fetch(("it", "temperature", "sst"))


# ---------------------------------------------------------------------- kill -9

RUN = """
import sys
import numpy as np
from searcher.geo import Region
from searcher.sources.fetch import fetch_products

class Window:
    start = np.datetime64("2026-01-16T19:00", "ns")
    end = np.datetime64("2026-01-17T06:00", "ns")

fetch_products(["it"], Region(152, -32, 154, -30), Window, sys.argv[1], extra=sys.argv[2], timeout=20)
"""


@pytest.mark.parametrize("has_older", [False, True])
def test_kill_in_the_middle_leaves_no_half_file(fetch, proxy, tmp_path, has_older):
    data = tmp_path / "data"
    fetch(("it", "temperature", "sst"), now=np.datetime64("2026-01-01", "ns"))
    if not has_older:
        for path in data.iterdir():
            path.unlink()
    (data / "mine.nc").write_bytes(b"the user's own")
    before = listing(data)
    halfway = threading.Event()

    def harm(handler, ask):
        if not servers.is_data(handler.path):
            return False
        status, headers, body = ask(handler.path)
        handler.send(status, headers, body[: len(body) // 2], said=len(body))
        halfway.set()
        handler.server.done.wait(15)
        return True

    proxy.harm = harm
    child = subprocess.Popen([sys.executable, "-c", RUN, str(data), str(tmp_path / "sources.toml")])
    try:
        assert halfway.wait(20)
        under_way = data / ".fetch-it.partial.0.nc"
        until = time.monotonic() + 5
        while not (under_way.exists() and under_way.stat().st_size) and time.monotonic() < until:
            time.sleep(0.02)
        child.kill()
    finally:
        child.wait(10)
    assert child.returncode
    assert under_way.stat().st_size > 0  # it was in the middle
    assert {name: what for name, what in listing(data).items() if not name.startswith(".")} == before
    proxy.harm = None
    (found,) = fetch(("it", "temperature", "sst"))
    assert found.status == "fetched"
    check_sst(found.path, SPOT)
    assert sorted(path.name for path in data.iterdir()) == ["it.nc", "it.nc.json", "mine.nc"]


def children_of(pid: int) -> list[int]:
    """Processes that a process started and that are still there (Linux)."""
    lists = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(child) for path in lists for child in path.read_text().split()]


def is_alive(pid: int) -> bool:
    try:
        return "Z" not in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks for children in /proc")
@pytest.mark.parametrize("name", ["SIGINT", "SIGKILL"])
def test_no_child_outlives_a_fetch(proxy, tmp_path, name):
    """Ctrl-C ends it at once, though the server is silent; a child whose parent was killed leaves, too."""
    end = signal.Signals[name]  # not every system has both
    proxy.harm = lambda handler, _: not handler.path.endswith(".dds") and handler.server.done.wait(60)
    keys = {"protocol": "opendap", "address": proxy.address + "/datasets/{dataset}/opendap"}
    (tmp_path / "sources.toml").write_text(row("it", "temperature", dataset="sst", **keys))
    fetching = subprocess.Popen(
        [sys.executable, "-c", RUN, str(tmp_path / "data"), str(tmp_path / "sources.toml")],
        stderr=subprocess.DEVNULL,
        # a shell that runs the tests in its background has them, and all they start, ignore Ctrl-C
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    try:
        assert wait_until(lambda: len(proxy.asked) > 1)  # the description, and by the child the dataset
        children = children_of(fetching.pid)
        assert children
        fetching.send_signal(end)
        assert fetching.wait(10) in (-end, 130, 1)
        assert wait_until(lambda: not any(map(is_alive, children)))
    finally:
        fetching.kill()
        fetching.wait(10)


def wait_until(done, longest: float = 30.0) -> bool:
    until = time.monotonic() + longest
    while not done() and time.monotonic() < until:
        time.sleep(0.05)
    return bool(done())


def test_kill_between_the_record_and_its_file(fetch, tmp_path, monkeypatch):
    """The record is renamed first: whichever of the two names is new, the file is whole and known."""
    data = tmp_path / "data"
    fetch(("it", "temperature", "sst"))
    old = (data / "it.nc").read_bytes()
    renames = []

    def stop_after_one(self, target):
        if renames:
            raise KeyboardInterrupt("stopped")
        renames.append(target)
        return os.replace(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", stop_after_one)
        with pytest.raises(KeyboardInterrupt, match="stopped"):
            fetch(("it", "temperature", "sst_down", {"protocol": "opendap"}))
    assert renames == [data / "it.nc.json"]
    assert (data / "it.nc").read_bytes() == old
    assert store.find_record(data, "it") is None  # not taken for what the record says
    again = fetch(("it", "temperature", "sst_down"))[0]
    assert again.status == "fetched", again.problem


# ---------------------------------------------------------------------- whole files, Copernicus


@pytest.fixture
def whole(proxy, tmp_path):
    """Whole files at /files/DATE.nc of the proxy, for some dates; what was sent as Authorization."""
    body = tmp_path / "whole.nc"
    servers.make_seas()["sst"].to_netcdf(body)
    tokens = []

    def serve(*dates):
        def harm(handler, ask):
            if not handler.path.startswith("/files/"):
                return False
            tokens.append(handler.headers.get("Authorization"))
            there = handler.path in [f"/files/{date}.nc" for date in dates]
            (say_bytes(body.read_bytes()) if there else refuse(404))(handler, ask)
            return True

        proxy.harm = harm
        return tokens

    return serve


def say_bytes(body: bytes):
    return lambda handler, _: handler.send(200, {}, body)


def of_files(proxy, **more) -> dict:
    return {"protocol": "file", "address": proxy.address + "/files/{time:%Y%m%d}.nc", **more}


def test_newest_whole_file_is_cut_to_the_box(fetch, proxy, whole):
    whole("20260115", "20260114")
    (found,) = fetch(("it", "temperature", "sst", of_files(proxy)))
    assert found.status == "fetched", found.problem
    assert proxy.asked == ["/files/20260116.nc", "/files/20260115.nc"]
    assert check_sst(found.path, SPOT)["longitude"].size <= 25
    assert sorted(path.name for path in found.path.parent.iterdir()) == ["it.nc", "it.nc.json"]


@pytest.mark.parametrize("kind", ["NETCDF3_CLASSIC", "NETCDF3_64BIT", "NETCDF4"])
def test_a_whole_file_that_is_cut_short_without_a_word(fetch, proxy, tmp_path, kind):
    """An answer without a length ends where the line does; the netCDF library reads zeros past its end."""
    servers.make_seas()["sst"].to_netcdf(tmp_path / "whole.nc", format=kind)
    body = (tmp_path / "whole.nc").read_bytes()

    def harm(handler, _):
        handler.send_response(200)
        handler.send_header("Connection", "close")
        handler.end_headers()
        handler.wfile.write(body[:-1500])
        handler.close_connection = True
        return True

    proxy.harm = harm
    (found,) = fetch(("it", "temperature", "sst", of_files(proxy)))
    assert found.status == "failed"
    assert found.problem.startswith("cannot be read as netCDF, damaged or cut short (NetCDF: ")
    assert not (tmp_path / "data").exists()


def test_half_of_a_box_over_the_seam_that_is_cut_short(fetch, proxy, tmp_path):
    def harm(handler, ask):
        if not servers.is_data(handler.path):
            return False
        (tmp_path / "piece.nc").write_bytes(ask(handler.path)[2])
        with xr.open_dataset(tmp_path / "piece.nc", decode_cf=False) as data:
            data.load().to_netcdf(tmp_path / "classic.nc", format="NETCDF3_CLASSIC")
        handler.send(200, {}, (tmp_path / "classic.nc").read_bytes()[:-60])
        return True

    proxy.harm = harm
    region = Region(-3.0, -32.0, 3.0, -28.0)
    (found,) = fetch(("it", "temperature", "sst_turn", {"grid": 1.0}), region=region)
    assert found.status == "failed"
    assert found.problem.startswith("cannot be read as netCDF, damaged or cut short (NetCDF: shorter")


def test_what_tells_the_good_values_of_a_whole_file_is_kept(fetch, proxy, tmp_path):
    """NASA's packing of logarithms (10^(0.015 · 120 - 2) = 0.631), and a flag by another name; time(t)."""
    lat, lon = np.arange(-33.0, -28.9, 0.1), np.arange(151.0, 155.1, 0.1)
    flag = np.where(lon < 153.0, 4, 0)[None, None] + np.zeros((1, lat.size, 1))
    colour = {"units": "mg m-3", "standard_name": "mass_concentration_of_chlorophyll_in_sea_water"}
    colour |= {"Scaling": "logarithmic", "Base": 10.0, "Slope": 0.015, "Intercept": -2.0}
    dims = ("t", "lat", "lon")
    fields = {
        "CHL1": (dims, np.full((1, lat.size, lon.size), 120, "u1"), colour | {"ancillary_variables": "qa"}),
        "qa": (dims, flag.astype("i2"), {"flag_values": np.array([0, 4], "i2"), "flag_meanings": "good bad"}),
    }
    axes = {
        "time": ("t", np.array([12.0]), {"units": "hours since 2026-01-16", "standard_name": "time"}),
        "lat": ("lat", lat, {"units": "degrees_north"}),
        "lon": ("lon", lon, {"units": "degrees_east"}),
    }
    xr.Dataset(fields | axes).to_netcdf(tmp_path / "whole.nc")
    body = (tmp_path / "whole.nc").read_bytes()
    proxy.harm = lambda handler, ask: say_bytes(body)(handler, ask) is not False
    (found,) = fetch(("it", "color", "d", of_files(proxy, beside=["qa"])))
    assert (found.status, found.times) == ("fetched", (np.datetime64("2026-01-16T12:00", "ns"),)), found
    (field,), _, _ = survey_file(found.path, SPOT)
    (values,) = read_fields(found.path, [(field, np.array([0]))], min_quality=5)
    np.testing.assert_allclose(values[0, :, field.lon.values > 153.0], 10 ** (0.015 * 120 - 2), rtol=1e-5)
    assert np.isnan(values[0, :, field.lon.values < 152.95]).all()


#: a fetch with files of no more than so many bytes, as on a disk that is full
FULL = """
import resource, sys
from pathlib import Path
import numpy as np
from searcher.geo import Region
from searcher.sources.fetch import fetch_products

class Window:
    start = np.datetime64("2026-01-16T19:00", "ns")
    end = np.datetime64("2026-01-17T06:00", "ns")

resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
now = np.datetime64("2026-01-16T18:00", "ns")
region = Region(150.5, -33.5, 157.5, -28.5)
(found,) = fetch_products(["it"], region, Window, sys.argv[1], extra=sys.argv[2], tries=1, now=now)
print(found.status, found.problem)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sets no such limit")
def test_a_full_disk_is_not_called_a_damaged_file(proxy, tmp_path):
    """The whole file is packed and fits; what is cut from it does not."""
    packing = {"analysed_sst": {"zlib": True}, "quality_level": {"zlib": True}}
    still = servers.make_seas()["sst"] * 0 + 20.0
    still["analysed_sst"].attrs |= {"units": "degree_C", "standard_name": "sea_surface_temperature"}
    still.to_netcdf(tmp_path / "whole.nc", encoding=packing)
    body = (tmp_path / "whole.nc").read_bytes()
    proxy.harm = lambda handler, ask: say_bytes(body)(handler, ask) is not False
    (tmp_path / "sources.toml").write_text(row("it", "temperature", dataset="d", **of_files(proxy)))
    folders = [str(tmp_path / "data"), str(tmp_path / "sources.toml")]
    limit = str(len(body) + 2000)
    run = subprocess.run(
        [sys.executable, "-c", FULL, *folders, limit], capture_output=True, text=True, timeout=60
    )
    assert run.stdout.startswith(f"failed {tmp_path / 'data'} takes no file: "), (
        run.stdout + run.stderr[-2000:]
    )
    assert "See whether the disk is full" in run.stdout


def test_no_whole_file(fetch, proxy, whole, tmp_path):
    whole()
    (found,) = fetch(("it", "temperature", "sst", of_files(proxy)))
    assert "answered 404" in found.problem
    assert len(proxy.asked) == 4
    assert not (tmp_path / "data").exists()


def test_token_from_the_environment(fetch, proxy, whole, monkeypatch, tmp_path):
    tokens = whole("20260116")
    keys = of_files(proxy, token="SEA_TOKEN")
    monkeypatch.delenv("SEA_TOKEN", raising=False)
    (found,) = fetch(("it", "temperature", "sst", dict(keys)))
    assert found.problem.startswith("it needs a bearer token in the environment variable SEA_TOKEN")
    monkeypatch.setenv("SEA_TOKEN", "abc")
    (found,) = fetch(("it", "temperature", "sst", dict(keys)))
    assert found.status == "fetched"
    assert tokens == ["Bearer abc"]
    assert not any(b"abc" in path.read_bytes() for path in (tmp_path / "data").glob("*.json"))


def test_curvilinear_whole_file_is_kept_whole(fetch, proxy, tmp_path):
    lat, lon = np.meshgrid(np.linspace(-33, -29, 30), np.linspace(151, 155, 30), indexing="ij")
    times = servers.DAYS[-1:]
    values = (20 + 0 * lat)[None]
    xr.Dataset(
        {
            "analysed_sst": (
                ("time", "y", "x"),
                values,
                {"units": "degree_C", "standard_name": "sea_surface_temperature"},
            )
        },
        {
            "time": times,
            "lat": (("y", "x"), lat, {"units": "degrees_north"}),
            "lon": (("y", "x"), lon, {"units": "degrees_east"}),
        },
    ).to_netcdf(tmp_path / "curved.nc")
    body = (tmp_path / "curved.nc").read_bytes()
    proxy.harm = lambda handler, ask: say_bytes(body)(handler, ask) is not False
    (found,) = fetch(("it", "temperature", "sst", of_files(proxy)))
    assert found.status == "fetched", found.problem
    kept = open_file(found.path)
    np.testing.assert_array_equal(kept["analysed_sst"].values, values)
    assert (kept.attrs["credit"], kept.attrs["license"]) == ("invented", "none")


def test_runs_are_looked_for_backwards_from_what_should_be_there():
    rtofs = find_products(["rtofs"])[0]  # a run a day, there 12 h later
    runs = list_runs(rtofs, np.datetime64("2026-01-16T11:00"))
    assert [str(run)[:10] for run in runs] == ["2026-01-15", "2026-01-14", "2026-01-13", "2026-01-12"]
    assert str(list_runs(rtofs, np.datetime64("2026-01-16T13:00"))[0])[:10] == "2026-01-16"


def copernicus_request(region=SPOT):
    return make_request(find_products(["copernicus_currents"])[0], region, WINDOW, WINDOW.start)


def test_arguments_for_the_client_of_copernicus(tmp_path):
    arguments = build_arguments(copernicus_request(), tmp_path / "it.nc")
    assert arguments == {
        "dataset_id": "cmems_mod_glo_phy_anfc_0.083deg_PT1H-m",
        "variables": ["uo", "vo"],
        "minimum_longitude": pytest.approx(151.917),
        "maximum_longitude": pytest.approx(154.083),
        "minimum_latitude": pytest.approx(-32.083),
        "maximum_latitude": pytest.approx(-29.917),
        "minimum_depth": 0.49402499198913574,
        "maximum_depth": 0.49402499198913574,
        "start_datetime": "2026-01-13T19:00:00",
        "end_datetime": "2026-01-17T07:00:00",
        "coordinates_selection_method": "nearest",
        "output_directory": str(tmp_path),
        "output_filename": "it.nc",
        "overwrite": True,
        "disable_progress_bar": True,
    }
    over = build_arguments(copernicus_request(Region(178, -20, 183, -15)), tmp_path / "it.nc")
    assert over["maximum_longitude"] - over["minimum_longitude"] == pytest.approx(5.166)
    assert -180 <= over["minimum_longitude"] < over["maximum_longitude"] < 360


def test_arguments_are_the_clients_own(tmp_path):
    client = pytest.importorskip("copernicusmarine")
    inspect.signature(client.subset).bind(**build_arguments(copernicus_request(), tmp_path / "it.nc"))


def test_missing_client_is_one_line(fetch, monkeypatch):
    monkeypatch.setitem(sys.modules, "copernicusmarine", None)  # as where it is not installed
    found, other = fetch(
        ("it", "temperature", "sst", {"protocol": "copernicus", "address": "https://unused.example"}),
        ("other", "temperature", "sst"),
    )
    assert found.problem == (
        "it comes through the client of Copernicus Marine, which is not installed. "
        'Where searcher lies: pip install ".[copernicus]"; then log in: copernicusmarine login'
    )
    assert other.status == "fetched"


CLIENT = """
import shutil

def subset(**arguments):
    print("a client may print what it likes")
    if arguments["dataset_id"] == "closed":
        raise ValueError("Credentials are wrong\\nand more")
    if arguments["dataset_id"] == "nobody":
        return  # as the client does without an account
    shutil.copy({whole!r}, arguments["output_directory"] + "/" + arguments["output_filename"])
"""


@pytest.mark.parametrize("dataset", ["sst", "closed", "nobody"])
def test_the_client_runs_in_a_process_of_its_own(fetch, monkeypatch, tmp_path, dataset):
    """With a stand-in for the client, since its servers cannot be reached from a test."""
    servers.make_seas()["sst"].to_netcdf(tmp_path / "whole.nc")
    (tmp_path / "lib").mkdir()
    (tmp_path / "lib" / "copernicusmarine.py").write_text(CLIENT.format(whole=str(tmp_path / "whole.nc")))
    monkeypatch.syspath_prepend(tmp_path / "lib")
    (found,) = fetch(
        ("it", "temperature", dataset, {"protocol": "copernicus", "address": "https://unused.example"})
    )
    if dataset == "sst":
        assert found.status == "fetched", found.problem
        return
    words = {
        "closed": "the answer cannot be read: ValueError: Credentials are wrong and more",
        "nobody": "wrote no file for nobody. Log in once with: copernicusmarine login",
    }
    assert words[dataset] in found.problem
    assert not (tmp_path / "data").exists()


# ---------------------------------------------------------------------- the small parts


def test_retry_after():
    # the two forms of RFC 9110, section 10.2.3, with its own examples
    assert read_retry_after("120") == 120.0
    assert read_retry_after("Fri, 31 Dec 1999 23:59:59 GMT") == 0.0
    assert read_retry_after(formatdate(time.time() + 100, usegmt=True)) == pytest.approx(100, abs=3)
    assert read_retry_after("") is None
    assert read_retry_after("soon") is None


def test_the_words_of_an_error():
    assert find_message(ERROR) == "Not Found: Your query produced no matching results."
    assert find_message(PAGE) == "Please log in"
    assert find_message('{"message": "no such thing"}') == "no such thing"
    assert find_message("<p>gone\n <b>away</b></p>") == "gone away"
    assert len(find_message("x" * 500)) == 160


def test_request_of_each_kind_of_field():
    products = {product.id: product for product in read_catalogue()}
    picture = make_request(products["mur"], SPOT, WINDOW, WINDOW.end)
    assert (picture.start, picture.end) == (WINDOW.start - np.timedelta64(72, "h"), WINDOW.start)
    assert picture.region == pytest.approx((151.99, -32.01, 154.01, -29.99))
    running = make_request(products["gfs_wind"], SPOT, WINDOW, WINDOW.end)
    assert (running.start, running.end) == (picture.start, WINDOW.end + np.timedelta64(3, "h"))
    floor = make_request(products["gebco"], SPOT, WINDOW, WINDOW.end)
    assert (floor.start, floor.end) == (None, None)
    early = WINDOW.start - np.timedelta64(2, "D")  # asked two days ahead: the newest three days there can be
    ahead = make_request(products["mur"], SPOT, WINDOW, early)
    assert (ahead.start, ahead.end) == (early - np.timedelta64(72, "h"), WINDOW.start)


@given(
    west=st.floats(-360, 360),
    width=st.floats(0.1, 30),
    served=st.sampled_from([(-180.0, 179.75), (0.0, 359.75), (74.16, 434.06), (150.0, 160.0)]),
)
def test_pieces_lie_in_what_is_served_and_come_back_to_the_region(west, width, served):
    region = Region(west, -10, west + width, 10)
    for piece in cut_pieces(region, Region(served[0], -5, served[1], 80)):
        assert served[0] <= piece.west <= piece.east <= served[1]
        assert (piece.south, piece.north) == (-5, 10)
        near = shift_near(piece, region)
        assert region.west - 1e-6 <= near.west <= near.east <= region.east + 1e-6


def test_rows_of_the_tests_are_rows():
    tomllib.loads(row("it", "depth", "https://x.example", "floor"))


def test_a_place_that_cannot_be_written_is_that_products_trouble_alone(fetch, tmp_path):
    """A folder stands where the file should: the others are fetched all the same."""
    (tmp_path / "data" / "blocked.nc").mkdir(parents=True)
    found = fetch(("blocked", "temperature", "sst"), ("good", "temperature", "sst"))
    assert [one.status for one in found] == ["failed", "fetched"]
    assert "blocked" in found[0].problem


def test_what_was_fetched_is_told_with_its_age(fetch, tmp_path):
    fetch(("good", "temperature", "sst"))
    gone = float((np.datetime64("now", "ns") - np.datetime64(NOW, "ns")) / np.timedelta64(1, "s"))
    assert held_age(tmp_path, "good") == pytest.approx(gone, abs=60.0)
    assert held_age(tmp_path, "other") is None
    assert held_age(None, "good") is None
