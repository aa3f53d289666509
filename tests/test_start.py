"""Kernels can be compiled and kept wherever the package lies, with or without a home."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numba
import numba.core.event as event
import pytest
from numba.core.types.functions import BaseFunction, Function
from orienteering import chao

import searcher
from searcher import ready
from searcher.kernels.bound import prove_tour
from searcher.kernels.tour import search_tour

PACKAGE = Path(__file__).parents[1] / "searcher"
PROGRAM = """
{first}
import numpy as np, searcher
from searcher.kernels.metric import row_metrics
print(round(row_metrics(np.array([0.0]))[0][0]), len(row_metrics.stats.cache_hits), searcher.__file__)
"""


SMALL = "searcher.kernels.metric.row_metrics", "searcher.kernels.sample.sample_field"
PREPARE = f"""
import sys
from searcher import ready
ready._processors = lambda: 2
sys.executable = {{executable!r}}
said = []
print(ready.prepare_kernels(said.append, names={SMALL}), len(said))
print(*[name in ready.list_unready() for name in {SMALL}])
"""


@pytest.fixture
def sealed(tmp_path):
    """A copy of the package beside which nothing can be kept, even by root: a file stands in the way."""
    copy = tmp_path / "install" / "searcher"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    (copy / "kernels" / "__pycache__").touch()
    (tmp_path / "tmp").mkdir()
    return tmp_path


def run(sealed: Path, first: str = "", *, program: str = PROGRAM) -> list[str]:
    """What a program prints in a process without a home, the package at `sealed`."""
    environment = {k: v for k, v in os.environ.items() if k not in ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME")}
    environment |= {
        "HOME": "/dev/null/none",
        "PYTHONPATH": str(sealed / "install"),
        "TMPDIR": str(sealed / "tmp"),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    command = [sys.executable, "-W", "error", "-c", program.format(first=first)]
    done = subprocess.run(command, cwd=sealed, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


@pytest.mark.skipif(os.name != "posix", reason="a home that cannot be made is named as on POSIX")
@pytest.mark.parametrize("first", ["", "import numba"])
def test_kernels_run_from_a_sealed_install_without_a_home(sealed, first):
    """111 320 m in a degree of longitude on the equator (WGS84: π a / 180)."""
    metres, hits, where = run(sealed, first)
    assert (metres, hits) == ("111319", "0")
    assert where.startswith(str(sealed / "install"))
    (folder,) = (sealed / "tmp").iterdir()
    assert folder.stat().st_mode & 0o077 == 0, "others may not write what is executed here"
    assert run(sealed, first)[1] == "1", "what was compiled is not found again"
    assert list((sealed / "tmp").iterdir()) == [folder]


@pytest.mark.skipif(os.name != "posix", reason="as above")
def test_a_folder_of_somebody_else_is_not_trusted(sealed):
    """A folder that others own, or a link to one, might hold code of theirs."""
    theirs = sealed / "theirs"
    theirs.mkdir()
    if os.getuid() != 0:
        pytest.skip("only root can give a folder away")
    os.chown(theirs, 65534, 65534)
    (sealed / "tmp" / "searcher-kernels-0").symlink_to(theirs)
    assert run(sealed)[0] == "111319"
    assert not list(theirs.iterdir())


@pytest.mark.skipif(os.name != "posix", reason="as above")
def test_kernels_are_prepared_once_by_two_processes(sealed):
    """The smaller of the two kernels is compiled by the other process."""
    program = PREPARE.format(executable=sys.executable)
    assert run(sealed, program=program) == ["True", "1", "False", "False"]
    assert run(sealed, program=program) == ["False", "0", "False", "False"]


@pytest.mark.skipif(os.name != "posix", reason="as above")
@pytest.mark.parametrize("executable", ["/bin/false", "/nowhere/python"])
def test_preparing_survives_without_the_other_process(sealed, executable):
    words = run(sealed, program=PREPARE.format(executable=executable))
    assert words[:2] == ["True", "1"]
    assert sorted(words[2:]) == ["False", "True"], "one of the two is left for when it is called"


def test_all_that_a_day_calls_is_prepared(tmp_path):
    """Once prepared, a plan of the built-in sea and a proof of a tour compile nothing, for no other types."""
    compiled = []

    class Listener(event.Listener):
        def on_start(self, happened):
            compiled.append(happened.data["dispatcher"].py_func.__qualname__)

        def on_end(self, _):
            pass

    searcher.write_builtin_files(tmp_path / "trip")
    trip = searcher.read_trip(tmp_path / "trip" / "trip.toml")
    sea = searcher.load_sea(trip.region, trip.window, sources=trip.sources)
    ready.prepare_kernels()
    ready.compile_kernels(ready.list_all())
    problem = chao(15.0)
    with event.install_listener("numba:compile", Listener()):
        assert len(searcher.make_plan(trip, sea).fronts)
        prove_tour(problem, search_tour(problem, 20, 0)[0], most=1000)
    assert not compiled


@pytest.mark.parametrize("name", ["_smooth", "row_metrics", "sample_field"])
def test_remembered_calls_have_the_types_numba_gives_them(name):
    """Every type within a kernel, as numba works it out (its own report of them) with and without."""
    kernel, _, (given, *_) = next(row for key, row in ready._kernels().items() if key.endswith(f".{name}"))
    types = tuple(map(numba.typeof, given))
    plain, remembered = (numba.njit(error_model="numpy")(kernel.py_func) for _ in range(2))
    plain.compile(types)
    with ready._remembered_calls():
        remembered.compile(types)
    told = [str(compiled.get_annotation_info(types)) for compiled in (plain, remembered)]
    assert "float64" in told[0]
    assert told[0] == told[1]
    assert Function.get_call_type is BaseFunction.get_call_type, "numba is left as it was"


@pytest.mark.parametrize("count", [1, 2, 5, 60])
def test_shares_are_about_equal(count):
    """The largest first to the least loaded is at most 4/3 of the best there is (Graham 1969, SIAM J. Appl.
    Math. 17:416-429), and that is at least the mean and at least the largest."""
    names = ready.list_all()
    shares = ready.share_out(names, count)
    assert sorted(name for share in shares for name in share) == sorted(names)
    work = [sum(names[name] for name in share) for share in shares]
    least = max(sum(work) / count, max(names.values()))
    assert max(work) <= 4 / 3 * least + 1e-9
