"""Kernels can be compiled and kept wherever the package lies, with or without a home."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "searcher"
PROGRAM = """
{first}
import numpy as np, searcher
from searcher.kernels.metric import row_metrics
print(round(row_metrics(np.array([0.0]))[0][0]), len(row_metrics.stats.cache_hits), searcher.__file__)
"""


@pytest.fixture
def sealed(tmp_path):
    """A copy of the package beside which nothing can be kept, even by root: a file stands in the way."""
    copy = tmp_path / "install" / "searcher"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    (copy / "kernels" / "__pycache__").touch()
    (tmp_path / "tmp").mkdir()
    return tmp_path


def run(sealed: Path, first: str = "") -> list[str]:
    """What the program prints in a process without a home, the package at `sealed`."""
    environment = {k: v for k, v in os.environ.items() if k not in ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME")}
    environment |= {
        "HOME": "/dev/null/none",
        "PYTHONPATH": str(sealed / "install"),
        "TMPDIR": str(sealed / "tmp"),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    command = [sys.executable, "-W", "error", "-c", PROGRAM.format(first=first)]
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
