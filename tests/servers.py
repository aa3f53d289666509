"""Real servers of small seas on 127.0.0.1, and a proxy that does them harm on the way.

The seas are served by xpublish with its griddap and OPeNDAP plug-ins, in a process of its own that ends when
its standard input closes, and by itself after `LONGEST` seconds. Every field is a formula of place and time,
so that a test knows what must arrive.
"""

from __future__ import annotations

import http.client
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import xarray as xr

LONGEST = 180.0
HERE = "127.0.0.1"
DAYS = np.datetime64("2026-01-08T12:00", "ns") + np.arange(9) * np.timedelta64(1, "D")  # to 16 January
HOURS = np.datetime64("2026-01-12T00:00", "ns") + np.arange(49) * np.timedelta64(3, "h")  # to 18 January


def sst_of(lon, lat, times) -> np.ndarray:
    """Temperature in °C, (time, lat, lon); the same after a whole turn."""
    day = (np.atleast_1d(times) - DAYS[0]) / np.timedelta64(1, "D")
    place = 22 + np.cos(np.radians(lon)) + 0.1 * np.asarray(lat)[:, None]
    return (place[None] + 0.1 * np.asarray(day, float)[:, None, None]).astype("f4")


def current_of(lon, lat, times) -> tuple[np.ndarray, np.ndarray]:
    """Current in m/s, (time, lat, lon)."""
    hour = np.asarray((np.atleast_1d(times) - HOURS[0]) / np.timedelta64(1, "h"), float)
    shape = (hour.size, np.size(lat), np.size(lon))
    u = 0.5 * np.sin(np.radians(lon)) + 0.001 * hour[:, None, None] + 0 * np.asarray(lat)[:, None]
    v = -0.2 + 0.01 * np.asarray(lat)[:, None] + 0 * hour[:, None, None]
    return np.broadcast_to(u, shape).astype("f4"), np.broadcast_to(v, shape).astype("f4")


def make_seas() -> dict[str, xr.Dataset]:
    """Dataset id -> dataset as served."""
    fine_lat, fine_lon = np.arange(-34.0, -27.99, 0.1), np.arange(150.0, 158.01, 0.1)
    half_lon, turn_lon = np.arange(-180.0, 180.0, 1.0), np.arange(0.0, 360.0, 1.0)
    wide_lat = np.arange(-60.0, 60.1, 1.0)
    seas = {
        "sst": _sst(fine_lat, fine_lon),
        "sst_down": _sst(fine_lat[::-1], fine_lon),
        "sst_half": _sst(wide_lat, half_lon, DAYS[-3:]),
        "sst_turn": _sst(wide_lat[::-1], turn_lon, DAYS[-3:]),
        "sst_hot": _sst(fine_lat, fine_lon) + 5000.0,
        "sst_cloud": _sst(fine_lat, fine_lon) * np.float32(np.nan),
        "sst_late": _sst(fine_lat, fine_lon, DAYS + np.timedelta64(60, "D")),
        "currents": _currents(fine_lat, fine_lon),
        "currents_turn": _currents(wide_lat[::-1], turn_lon, HOURS[::8]),
        "floor": _floor(fine_lat, fine_lon),
    }
    return {
        name: sea.assign_attrs(title=name, license="by the server", institution="invented")
        for name, sea in seas.items()
    }


def _axes(lat, lon) -> dict:
    return {
        "latitude": ("latitude", lat, {"units": "degrees_north", "standard_name": "latitude"}),
        "longitude": ("longitude", lon, {"units": "degrees_east", "standard_name": "longitude"}),
    }


def _sst(lat, lon, times=DAYS) -> xr.Dataset:
    about = {"units": "degree_C", "standard_name": "sea_surface_temperature"}
    dims = ("time", "latitude", "longitude")
    flags = np.full((len(times), len(lat), len(lon)), 5, "i2")
    fields = {
        "analysed_sst": (dims, sst_of(lon, lat, times), about),
        "quality_level": (dims, flags, {"long_name": "quality level", "flag_values": np.int16(5)}),
    }
    return xr.Dataset(fields, {"time": times, **_axes(lat, lon)})


def _currents(lat, lon, times=HOURS) -> xr.Dataset:
    dims = ("time", "depth", "latitude", "longitude")
    levels = {"depth": ("depth", [0.0, 10.0], {"units": "m", "positive": "down", "standard_name": "depth"})}
    fields = {}
    for name, values, axis in zip(
        ("water_u", "water_v"), current_of(lon, lat, times), ("east", "north"), strict=True
    ):
        both = np.stack([values, values + 1.0], axis=1)  # a metre a second more at 10 m, to be told apart
        fields[name] = (dims, both, {"units": "m s-1", "standard_name": f"{axis}ward_sea_water_velocity"})
    return xr.Dataset(fields, {"time": times, **levels, **_axes(lat, lon)})


def _floor(lat, lon) -> xr.Dataset:
    height = np.broadcast_to(-1000.0 - 10 * np.arange(len(lon)), (len(lat), len(lon))).astype("f4")
    about = {"units": "m", "standard_name": "height_above_mean_sea_level"}
    return xr.Dataset({"elevation": (("latitude", "longitude"), height, about)}, _axes(lat, lon))


def serve_seas(port: int) -> None:
    """Serve the seas until standard input closes or time is up."""
    import uvicorn
    import xpublish
    from xpublish_erddap import ErddapPlugin
    from xpublish_opendap import OpenDapPlugin

    rest = xpublish.Rest(make_seas(), plugins={"erddap": ErddapPlugin(), "opendap": OpenDapPlugin()})
    server = uvicorn.Server(uvicorn.Config(rest.app, host=HERE, port=port, log_level="error"))

    def end() -> None:
        sys.stdin.read()
        server.should_exit = True

    threading.Thread(target=end, daemon=True).start()
    threading.Timer(LONGEST, setattr, (server, "should_exit", True)).start()
    server.run()
    sys.stdin.close()
    import os

    os._exit(0)


def free_port() -> int:
    """A port of the loopback address that nothing listens on now."""
    with socket.socket() as probe:
        probe.bind((HERE, 0))
        return probe.getsockname()[1]


@contextmanager
def running_seas() -> Iterator[int]:
    """The port at which the seas are served."""
    port = free_port()
    child = subprocess.Popen([sys.executable, str(Path(__file__)), str(port)], stdin=subprocess.PIPE)
    try:
        _wait_until_open(port, child)
        yield port
    finally:
        child.stdin.close()
        try:
            child.wait(10)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait(10)


def _wait_until_open(port: int, child: subprocess.Popen) -> None:
    until = time.monotonic() + 40
    while time.monotonic() < until and child.poll() is None:
        try:
            socket.create_connection((HERE, port), 0.2).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise RuntimeError(f"the server of seas did not start, exit code {child.poll()}")


class Proxy(ThreadingHTTPServer):
    """Passes requests on to the seas; `harm` may answer in their stead.

    `harm(handler, answer)` gets the request's handler and a function that asks the server for (status,
    headers, body) of a path; it returns True when it has answered. `asked` are the paths, in order.
    """

    daemon_threads = True
    block_on_close = False

    def __init__(self, target: int, harm: Callable | None = None) -> None:
        super().__init__((HERE, 0), _Handler)
        self.target, self.harm, self.asked = target, harm, []
        self.done = threading.Event()

    @property
    def address(self) -> str:
        return f"http://{HERE}:{self.server_address[1]}"

    def data_requests(self) -> list[str]:
        """The paths of requests for data."""
        return [path for path in self.asked if is_data(path)]

    def __enter__(self) -> Proxy:
        threading.Thread(target=self.serve_forever, args=(0.02,), daemon=True).start()
        return self

    def __exit__(self, *_) -> None:
        self.done.set()
        self.shutdown()
        self.server_close()


def is_data(path: str) -> bool:
    """Whether a path asks for values rather than for a description."""
    return ".nc?" in path or ".dods" in path


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    timeout = 20

    def do_GET(self) -> None:
        self.server.asked.append(self.path)
        try:
            if self.server.harm is None or not self.server.harm(self, self.answer_of):
                self.send(*self.answer_of(self.path))
        except OSError:
            self.close_connection = True  # the client has gone

    def answer_of(self, path: str) -> tuple[int, dict, bytes]:
        """(status, headers, body) of the server."""
        upstream = http.client.HTTPConnection(HERE, self.server.target, timeout=20)
        try:
            upstream.request("GET", path)
            answer = upstream.getresponse()
            kept = {"Content-Type": answer.headers.get("Content-Type", "application/octet-stream")}
            return answer.status, kept, answer.read()
        finally:
            upstream.close()

    def send(
        self, status: int, headers: dict, body: bytes, *, said: int | None = None, stop: int | None = None
    ):
        """Answer; `said` is the length that is claimed, `stop` after how many bytes the line is cut."""
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body) if said is None else said))
        if stop is not None:
            self.send_header("Connection", "close")
        self.end_headers()
        self.wfile.write(body if stop is None else body[:stop])
        self.wfile.flush()
        if stop is not None:
            self.close_connection = True

    def log_message(self, *_) -> None:
        """Nothing on the screen."""


if __name__ == "__main__":
    serve_seas(int(sys.argv[1]))
