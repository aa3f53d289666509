"""The README says what is true: its commands, its notebook lines, its links, the files it names."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
#: pages that the build of the docs makes, and checks itself
MADE = ROOT / "docs" / "reference"
BLOCK = re.compile(r"(?ms)^```(\w+)\n(.*?)^```$")


def command(name: str) -> str:
    """The sh block that follows a marker, as `.ci/run` takes it."""
    found = re.findall(rf"(?ms)^<!-- command: {name} -->\n```sh\n(.*?)^```$", README)
    assert len(found) == 1, f"README has {len(found)} sh blocks after <!-- command: {name} -->"
    return found[0]


def anchors(text: str) -> set[str]:
    """What headings of a page can be linked as."""
    headings = re.findall(r"(?m)^#+ (.*)$", BLOCK.sub("", text))
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def test_opens_with_the_job():
    title, first = README.split("\n\n")[:2]
    assert title == "# searcher"
    for word in ("boat", "troll", "temperature", "drift", "fuel", "route"):
        assert word in first, f"the first paragraph does not speak of {word}"


@pytest.mark.parametrize(("name", "last"), [("demo", "searcher demo "), ("tests", "python -m pytest")])
def test_each_command_is_one_line_that_works_alone(name, last):
    (line,) = command(name).strip().splitlines()
    steps = line.split(" && ")
    assert steps[0].startswith("python3 -m venv ")
    assert "bin/pip install " in steps[1]
    assert f"bin/{last}" in steps[2]


def test_demonstration_writes_what_the_readme_names(demo_folder):
    (folder,) = re.findall(r"searcher demo (\S+)/", command("demo"))
    (page,) = re.findall(rf"open `{folder}/(\S+)`", README)
    written = {path.name for path in demo_folder.iterdir()}
    named = set(re.findall(r"\b(?:\w+)\.(?:html|png|pdf|gpx|txt|toml)\b", README)) - {
        "morning.png",
        "pyproject.toml",
        "sources.toml",  # the user's own
    }
    assert page in named
    assert named <= written, f"the demonstration wrote no {named - written}"
    tables = {"fronts.geojson", "boxes.geojson", "legs.geojson"}
    assert tables <= written
    assert not [name for name in written if name.endswith(".partial")]


def test_verbs_of_the_readme_exist():
    import typer

    from searcher import cli

    verbs = set(re.findall(r"bin/searcher (\w+)", README))
    assert verbs == set(typer.main.get_command(cli.app).commands)


@pytest.mark.slow
def test_notebook_lines_run_as_written(trip_folder):
    (lines,) = [text for language, text in BLOCK.findall(README) if language == "python"]
    assert len([line for line in lines.splitlines() if line.strip()]) <= 12
    told = "\nprint(len(fronts), len(boxes), len(legs), len(plan.cautions))"
    done = subprocess.run(
        [sys.executable, "-c", lines + told], cwd=trip_folder, capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr
    assert all(int(count) > 0 for count in done.stdout.split()), done.stdout
    (folder,) = re.findall(r'write_all\(plan, "(\w+)/"\)', lines)
    named = {"brief.html", "map.png", "map.pdf", "route.gpx", "float_plan.txt"}
    assert named <= {path.name for path in (trip_folder / folder).iterdir()}


@pytest.mark.slow
def test_files_named_beside_scan_and_plan_are_written(trip_folder):
    for verb in ("scan", "plan"):
        (said,) = re.findall(rf"bin/searcher {verb} \S+ +#(.*)$", README, re.MULTILINE)
        names = re.findall(r"\w+\.(?:nc|geojson)", said)
        assert names
        for name in names:
            (trip_folder / name).unlink(missing_ok=True)
        command = [sys.executable, "-m", "searcher.cli", verb, str(trip_folder)]
        done = subprocess.run(command, cwd=trip_folder, capture_output=True, text=True, timeout=300)
        assert done.returncode == 0, done.stderr
        assert all((trip_folder / name).stat().st_size > 0 for name in names)


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_links_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)\s]+)\)", BLOCK.sub("", text))
    broken = []
    for link in links:
        if re.match(r"https?://|mailto:", link) or (page.parent / link).is_relative_to(MADE):
            continue
        name, _, anchor = link.partition("#")
        target = page.parent / name if name else page
        if not target.exists() or (anchor and anchor not in anchors(target.read_text(encoding="utf-8"))):
            broken.append(link)
    assert not broken, f"{page.name} links to {broken}"


def test_paths_of_the_developers_page_exist():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    paths = re.findall(r"`((?:searcher|tests|docs|fixtures|\.ci)/[\w./*-]*)`", text)
    assert paths
    gone = [path for path in paths if not list(ROOT.glob(path.rstrip("/"))) and ROOT / path != MADE]
    assert not gone, f"DEVELOPERS.md names {gone}"
