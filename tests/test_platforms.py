"""What Windows and macOS do otherwise: old code pages, files of other editors, text files without a name."""

from __future__ import annotations

import ast
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from searcher.geo import Region
from searcher.sources.catalogue import read_catalogue
from searcher.trip import new_trip_text, parse_trip, read_trip

PACKAGE = Path(__file__).parents[1] / "searcher"
PLACE = "30°25.2'S 153°31.0'E"
#: every verb, and whether it takes long; `desk` serves until it is ended
QUICK = {
    "new": ["new", "saturday", "--no-ask", "--port-name", "Måløy → 3′"],
    "check": ["check", "morning"],
    "sources": ["sources", "--region", "152", "-32", "156", "-29"],
    "log": ["log", "morning", "weed", "line", "07:20", "--at", PLACE, "--note", "Måløy → 3′"],
    "rerank": ["rerank", "morning", "--at", PLACE, "--fuel", "175L", "--time", "08:20"],
    "review": ["review", "morning"],
    "next": [],
}
SLOW = {
    "scan": ["scan", "morning"],
    "plan": ["plan", "morning"],
    "brief": ["brief", "morning"],
    "demo": ["demo", "another"],
}


def run(folder: Path, words: list[str], code_page: str) -> subprocess.CompletedProcess:
    """A verb in a process whose streams have an old code page, as in a console or a file of old Windows."""
    old = {"PYTHONIOENCODING": code_page, "PYTHONUTF8": "0"}
    command = [sys.executable, "-m", "searcher.cli", *words]
    return subprocess.run(command, cwd=folder, env=os.environ | old, capture_output=True, timeout=900)


@pytest.fixture(scope="module")
def home(demo_folder, tmp_path_factory) -> Path:
    """A folder with a copy of the demonstration, in which something was seen."""
    folder = tmp_path_factory.mktemp("old")
    shutil.copytree(demo_folder, folder / "morning")
    done = run(folder, ["log", "morning", "nothing", "07:10", "07:30", "box", "1"], "utf-8")
    assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.parametrize(
    ("words", "code_page"),
    [pytest.param(words, "cp1252", id=name) for name, words in QUICK.items()]
    + [pytest.param(QUICK["log"], "cp437", id="log-cp437")]
    + [pytest.param(words, "cp1252", id=name, marks=pytest.mark.slow) for name, words in SLOW.items()],
)
def test_an_old_code_page_stops_no_verb(home, words, code_page):
    done = run(home, words, code_page)
    said = done.stderr.decode(code_page)
    assert done.returncode == 0, said
    assert "Traceback" not in said
    told = done.stdout.decode(code_page)  # all that was printed is of the code page
    assert told or words[:1] == ["demo"]
    if words[:1] == ["log"]:  # what it lacks is a question mark
        name = {"cp1252": "Måløy", "cp437": "Mål?y"}[code_page]
        assert f"({name} ? 3?) at 30°25.2'S" in told


def test_a_fault_is_told_in_an_old_code_page(home):
    done = run(home, ["rerank", "morning", "--at", "→ box 3", "--fuel", "100L"], "cp1252")
    assert done.returncode == 2
    assert done.stderr.decode("cp1252").startswith("searcher: ")
    assert b"Traceback" not in done.stderr


def test_the_log_keeps_what_the_console_cannot_show(home):
    note = "Bølge → 2′"
    done = run(home, ["log", "morning", "debris", "07:40", "--at", PLACE, "--note", note], "ascii")
    assert done.returncode == 0, done.stderr
    rows = json.loads(run(home, ["log", "morning", "--json"], "ascii").stdout)
    assert note in [row["note"] for row in rows]


def test_every_text_file_is_opened_with_its_encoding():
    """Else it is read and written in the code page of the machine (PEP 597)."""
    faults = []
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and opens_text(node) and not names_encoding(node):
                faults.append(f"{path.relative_to(PACKAGE)} line {node.lineno}: {ast.unparse(node)}")
    assert not faults, "\n".join(faults)


def opens_text(call: ast.Call) -> bool:
    """Whether a call opens a text file: `open` without a b in its mode, or a path's own methods."""
    name = ast.unparse(call.func)
    if name == "open":
        mode = call.args[1].value if len(call.args) > 1 else "r"
        return "b" not in mode
    if not isinstance(call.func, ast.Attribute) or name.startswith("web."):  # a page is no file
        return False
    return call.func.attr in ("read_text", "write_text")


def names_encoding(call: ast.Call) -> bool:
    return any(word.arg == "encoding" for word in call.keywords)


@pytest.mark.parametrize(
    ("source", "wrong"),
    [
        ("open(p)", True),
        ("open(p, 'w')", True),
        ("open(p, 'rb')", False),
        ("path.read_text()", True),
        ("path.write_text(text, encoding='utf-8')", False),
        ("web.read_text(url)", False),
    ],
)
def test_the_rule_bites(source, wrong):
    call = ast.parse(source).body[0].value
    assert (opens_text(call) and not names_encoding(call)) is wrong


def test_files_with_a_byte_order_mark_are_read(tmp_path):
    """Editors of Windows write one before UTF-8 (RFC 3629, section 6)."""
    ring = [[153.4, -30.2], [153.5, -30.2], [153.5, -30.1], [153.4, -30.1], [153.4, -30.2]]
    area = json.dumps({"type": "Polygon", "coordinates": [ring]})
    (tmp_path / "closed.geojson").write_text(area, encoding="utf-8-sig")
    text = new_trip_text(leave="2030-01-05 05:00", avoid=["closed.geojson"])
    (tmp_path / "trip.toml").write_text(text, encoding="utf-8-sig")
    assert read_trip(tmp_path).avoid.closed.area == pytest.approx(0.01)
    own = '[mur]\ntitle = "Mine"\n'
    (tmp_path / "sources.toml").write_text(own, encoding="utf-8-sig")
    titles = {product.id: product.title for product in read_catalogue(tmp_path)}
    assert titles["mur"] == "Mine"


def test_lines_that_end_as_on_windows_are_read(tmp_path):
    text = new_trip_text(leave="2030-01-05 05:00")
    (tmp_path / "trip.toml").write_bytes(text.replace("\n", "\r\n").encode())
    assert read_trip(tmp_path).port == parse_trip(text, tmp_path / "trip.toml").port
    assert isinstance(read_trip(tmp_path).region, Region)
