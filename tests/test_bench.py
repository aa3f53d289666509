"""The benchmarks run and print their tables; what figures they print is not judged here."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).with_name("bench")
SCRIPTS = sorted(path.stem for path in BENCH.glob("*.py") if path.stem not in ("timing", "report"))
#: a row of a table: a name, then figures
ROW = re.compile(r"^\S.*\s\s+\d[\d.,e+-]*", re.MULTILINE)


@pytest.mark.slow
@pytest.mark.parametrize("name", SCRIPTS)
def test_benchmark_runs(name, tmp_path):
    command = [sys.executable, "-W", "error", BENCH / f"{name}.py", "--quick"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    assert len(ROW.findall(done.stdout)) >= 2, done.stdout
    assert not re.search(r"\bnan\b", done.stdout), done.stdout
    assert not list(tmp_path.iterdir()), "a benchmark leaves files where it is run"
