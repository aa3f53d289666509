"""The benchmarks run and print their tables; what figures they print is not judged here."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).with_name("bench")
SCRIPTS = sorted(path.stem for path in BENCH.glob("*.py") if path.stem != "timing")
#: a table row of each that must be there, with a figure behind it
ROWS = {
    "advection": "scipy",
    "composite": "newest pixel",
    "demo_stages": "plan: fronts",
    "edges": "canny",
    "reach": "MCP_Geometric",
}


def test_every_benchmark_is_tried():
    assert sorted(ROWS) == SCRIPTS


@pytest.mark.slow
@pytest.mark.parametrize("name", SCRIPTS)
def test_benchmark_runs(name, tmp_path):
    command = [sys.executable, "-W", "error", BENCH / f"{name}.py", "--quick"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    assert re.search(rf"^{re.escape(ROWS[name])} .*\d", done.stdout, re.MULTILINE), done.stdout
    assert "nan" not in done.stdout
    assert not list(tmp_path.iterdir()), "a benchmark leaves files where it is run"
