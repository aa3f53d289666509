"""A sea-surface search assistant on open ocean data.

::

    trip.toml, public grids
      read_trip, load_sea   a trip and a sea
      find_fronts           temperature breaks and convergence lines
      drift_fronts          ... where they will be at the hour of arrival
      find_reach            what fuel and hours allow, out and home
      rank_boxes            search boxes along the lines, with reasons
      lay_route             which, in what order: run, lines in, troll, lines up, home
      make_plan             all of the above
      write_brief, write_gpx, draw_map, write_float_plan, write_geojson, write_kml, write_csv
    at sea: the log, a place, the fuel left
      read_sightings, open_plan, rerank    where next, and when to turn for home
    in the evening
      review                what was foreseen, and how well; with consent, tomorrow's prior

Inside units are SI with degrees Celsius, litres and UTC; longitude comes before latitude. Names are loaded
when first used, so that importing the package is quick.
"""

import os
import sys
from importlib import import_module
from typing import Any

# OpenMP threads that spin while they wait slow everything down on a busy machine; read when numba starts them
os.environ.setdefault("OMP_WAIT_POLICY", "passive")


def _can_write(folder: str) -> bool:
    """Whether files can be made in a folder; the folder is made where it is wanting."""
    probe = os.path.join(folder, f".probe-{os.getpid()}")
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)
        os.close(os.open(probe, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        os.unlink(probe)
    except OSError:
        return False
    return True


def _find_room_for_kernels() -> None:
    """Give numba a folder for compiled kernels where it would find none and refuse to load them.

    It keeps them beside their source, or else under the user's home; a read-only install used without a home
    has neither. Then they are kept with temporary files: in one folder per user from run to run, or in a new
    one where that folder is not the user's own, since what it holds is executed.
    """
    beside = os.path.join(os.path.dirname(__file__), "kernels", "__pycache__")
    home = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~")
    if "NUMBA_CACHE_DIR" in os.environ or _can_write(beside) or _can_write(home):
        return
    import tempfile

    user = os.getuid() if hasattr(os, "getuid") else 0
    folder = os.path.join(tempfile.gettempdir(), f"searcher-kernels-{user}")
    is_ours = _can_write(folder) and (not hasattr(os, "getuid") or os.stat(folder).st_uid == user)
    os.environ["NUMBA_CACHE_DIR"] = folder if is_ours else tempfile.mkdtemp(prefix="searcher-kernels-")
    if "numba" in sys.modules:  # it has read its settings already
        sys.modules["numba"].config.CACHE_DIR = os.environ["NUMBA_CACHE_DIR"]


_find_room_for_kernels()

_HOMES = {
    "read_trip": "trip",
    "write_trip": "trip",
    "load_sea": "sources",
    "compose_temperature": "sources",
    "fetch_products": "sources.fetch",
    "list_products": "sources.catalogue",
    "check_sea": "sea",
    "open_sea": "sea",
    "save_sea": "sea",
    "make_builtin_sea": "builtin",
    "write_builtin_files": "builtin",
    "find_fronts": "fronts",
    "find_water_masses": "fronts",
    "stretching": "fronts",
    "floating_density": "fronts",
    "drift_fronts": "drift",
    "drift_mark": "drift",
    "find_reach": "reach",
    "range_polygon": "reach",
    "rank_boxes": "score",
    "lay_route": "route",
    "Sighting": "sightings",
    "add_sighting": "sightings",
    "read_sightings": "sightings",
    "shift_lines": "learn",
    "update_weights": "learn",
    "posterior_rate": "learn",
    "season_profile": "learn",
    "reliability": "learn",
    "make_plan": "plan",
    "Plan": "plan",
    "save_plan": "keep",
    "open_plan": "keep",
    "rerank": "reranking",
    "review": "reviewing",
    "Plotter": "brief",
    "draw_map": "brief",
    "write_all": "brief",
    "write_brief": "brief",
    "write_csv": "brief",
    "write_float_page": "brief",
    "write_float_plan": "brief",
    "write_geojson": "brief",
    "write_gpx": "brief",
    "write_kml": "brief",
}

__version__ = "0.1.0"
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a public name from the module it lives in (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'searcher' has no attribute {name!r}")
    return getattr(import_module(f"searcher.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
