"""Kernels can be compiled and kept wherever the package lies, with or without a home."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numba
import numba.core.event as event
import numpy as np
import pytest
from llvmlite.binding import ffi
from numba.core import ir
from numba.core.codegen import CPUCodegen, CPUCodeLibrary
from numba.core.cpu import CPUContext
from numba.core.types import Function
from orienteering import chao

import searcher
from searcher import compiling, ready
from searcher.kernels.bound import prove_tour
from searcher.kernels.metric import row_metrics
from searcher.kernels.tour import search_tour

PACKAGE = Path(__file__).parents[1] / "searcher"
PROGRAM = """
{first}
import numpy as np, searcher
from searcher.kernels.metric import row_metrics
print(round(row_metrics(np.array([0.0]))[0][0]), len(row_metrics.stats.cache_hits), searcher.__file__)
"""


WORKED_OUT = """
import sys
sys.path.insert(0, {tests!r})
from contextlib import nullcontext
import numpy as np
from orienteering import chao
from searcher import ready
from searcher.compiling import spared
from searcher.kernels.edges import trace_edges
from searcher.kernels.march import EVERYWHERE, Medium, march
from searcher.kernels.tour import search_tour
ready.spared = {sparing}
wanted = "edges", "ridge", "march", "tour"
ready.compile_kernels(name for name in ready.list_all() if name.split(".")[2] in wanted)
east, north = np.meshgrid(np.arange(40.0), np.arange(40.0))
sea = (20.0 + np.tanh((east - 20.0 - 3.0 * np.sin(north / 8)) / 2)).astype(np.float32)
metres = np.full(40, 1000.0)
columns, rows, *_ = trace_edges(sea, metres, metres, 2000.0, 5e-5)
print(*columns, *rows)
flow = np.stack([0.3 * np.sin(north / 9), 0.2 * np.cos(east / 7)], axis=-1)[None]
medium = Medium(np.full((1, 40, 40), 6.0), flow, 0.0, 3600.0, metres, metres)
print(*march(medium, 0.0, 5.0, 7.0, 3000.0, EVERYWHERE).ravel())
tour, profit = search_tour(chao(15.0), 20, 0)[:2]
print(*tour, profit)
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


def test_preparing_that_fails_leaves_kernels_for_when_they_are_called(monkeypatch):
    """As with a version of numba that has its methods otherwise."""

    def fail(*_):
        raise AttributeError("no such method")

    monkeypatch.setattr(ready, "list_unready", lambda: [SMALL[0]])
    monkeypatch.setattr(ready, "compile_kernels", fail)
    assert ready.prepare_kernels()
    assert row_metrics(np.array([0.0]))[1][0] == pytest.approx(110574.28, abs=0.01)  # m in 1° north, WGS 84


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
def test_types_are_those_numba_gives_when_it_is_spared_nothing(name):
    """Every type within a kernel, as numba works it out (its own report of them) with and without."""
    kernel, _, (given, *_) = next(row for key, row in ready._kernels().items() if key.endswith(f".{name}"))
    types = tuple(map(numba.typeof, given))
    plain, spared = (numba.njit(error_model="numpy")(kernel.py_func) for _ in range(2))
    plain.compile(types)
    with compiling.spared():
        spared.compile(types)
    told = [str(compiled.get_annotation_info(types)) for compiled in (plain, spared)]
    assert "float64" in told[0]
    assert told[0] == told[1]


def test_compiled_sparingly_kernels_work_out_the_same(tmp_path):
    """Breaks of a picture, a way through a current and a tour, in processes that numba compiles for: as it
    always does, and spared. Sums may be taken in another order (LLVM, "reassoc"), which is rounding only."""
    found = []
    for sparing in ("nullcontext", "spared"):
        environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path / sparing)}
        program = WORKED_OUT.format(sparing=sparing, tests=str(Path(__file__).parent))
        done = subprocess.run(
            [sys.executable, "-c", program], env=environment, capture_output=True, text=True
        )
        assert not done.returncode, done.stderr
        found.append([float(word) for word in done.stdout.split()])
    assert len(found[0]) > 100
    assert found[1] == pytest.approx(found[0], rel=1e-6)


def test_numba_is_left_as_it_was():
    owners = Function, CPUContext, CPUCodegen, CPUCodeLibrary, ir.Inst, ffi._LLVMLock
    before = [dict(vars(owner)) for owner in owners]
    with compiling.spared():
        changed = [dict(vars(owner)) != was for owner, was in zip(owners, before, strict=True)]
    assert all(changed), "each class has a method of ours"
    assert [dict(vars(owner)) for owner in owners] == before


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
