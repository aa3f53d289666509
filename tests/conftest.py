"""What several test files share: one demonstration, made once as a user makes it, and copies of its input."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import hypothesis
import pytest

# how long one example takes says nothing on a busy machine
hypothesis.settings.register_profile("any machine", deadline=None)
hypothesis.settings.load_profile("any machine")

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory) -> Path:
    """A folder in which `searcher demo` has done the whole job. Read it; do not write into it."""
    folder = tmp_path_factory.mktemp("demo") / "morning"
    command = [sys.executable, "-m", "searcher.cli", "demo", str(folder)]
    done = subprocess.run(command, cwd=folder.parent, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    (folder.parent / "stdout.txt").write_text(done.stdout)
    return folder


@pytest.fixture(scope="module")
def browser():
    """A real Chromium without a window; skips where there is none."""
    api = pytest.importorskip("playwright.sync_api")
    if not CHROMIUM.exists():
        pytest.skip(f"no browser at {CHROMIUM}")
    with api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS.split())
        yield chromium
        chromium.close()


@pytest.fixture
def trip_folder(demo_folder, tmp_path) -> Path:
    """A trip folder of one's own: the demonstration's trip file, closed area and data, not planned."""
    folder = tmp_path / "trip"
    shutil.copytree(demo_folder / "data", folder / "data")
    for name in ("trip.toml", "closed_area.geojson"):
        shutil.copy(demo_folder / name, folder)
    return folder
