"""Run the commands that the pages show, and keep what they print: `python docs/make_screens.py [NAME]`.

Each screen is a file in `docs/screens`, taken in a folder with the demonstration's trip and data. Run
this again when what the program prints changes. `searcher` must be the one on the PATH.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

SCREENS = Path(__file__).parent / "screens"
#: what a session shows; a line that begins with "# " is done and not shown. FIRST and SECOND are the
#: numbers of the boxes that the plan works first
SESSIONS = {
    "demo": ["searcher demo morning/"],
    "check": ["searcher check morning/"],
    "scan": ["searcher scan morning/"],
    "shorter": [
        """# sed -i 's/home_by = ".*"/home_by = "2026-01-17 11:30"/' morning/trip.toml""",
        "searcher plan morning/",
    ],
    "log": [
        """searcher log morning/ weed line 07:20 --at "30°25.2'S 153°31.0'E" --note "100 m long" """.strip(),
        "searcher log morning/ birds 3 low 07:45 box SECOND",
        """searcher log morning/ temperature 24.6C 08:10 --at "30°25.2'S 153°31.0'E" """.strip(),
        "searcher log morning/ nothing 07:00 07:40 box FIRST",
        "searcher log morning/ 2 mahi 08:10 box SECOND --depth 110m",
        "searcher log morning/",
        "searcher log morning/ --undo",
        "searcher log morning/ --export morning/log.csv",
    ],
    "rerank": [
        "# searcher log morning/ nothing 07:00 07:40 box FIRST",
        "# searcher log morning/ weed line 07:45 box SECOND",
        "# searcher log morning/ 2 mahi 08:10 box SECOND --depth 110m",
        "searcher rerank morning/ --at 'box SECOND' --fuel 175L --time 08:20",
    ],
    "rerank_late": ["searcher rerank morning/ --at 'box SECOND' --fuel 100L --time 15:30"],
    "review": [
        "# searcher log morning/ nothing 07:00 07:40 box FIRST",
        "# searcher log morning/ weed line 07:45 box SECOND",
        "# searcher log morning/ trolled 07:45 09:00 box SECOND",
        "# searcher log morning/ 2 mahi 08:10 box SECOND --depth 110m",
        "# searcher log morning/ temperature 24.1C 08:10 box SECOND",
        "searcher review morning/",
    ],
    "new": [
        "searcher new saturday/ --port-name 'Wirrin Harbour' --at \"30°24.3'S 153°04.77'E\" "
        "--sea-buoy \"30°24.48'S 153°06.48'E\" "
        '--timezone Australia/Sydney --leave "2026-01-17 05:00" --home-by "2026-01-17 16:30"',
        "searcher check saturday/",
    ],
    "sources": ["searcher sources --region 152 -32 156 -29"],
    "faults": [
        "searcher check nowhere/",
        """# sed -i 's/reserve = 0.333/reserv = 0.333/' morning/trip.toml""",
        """# sed -i 's/leave = ".*"/leave = "2026-01-17 17:00"/' morning/trip.toml""",
        "searcher check morning/",
    ],
    "no_data": ["# rm morning/data/currents.nc", "searcher plan morning/"],
    "other_day": [
        """# sed -i 's/2026-01-17/2026-03-17/' morning/trip.toml""",
        "searcher check morning/",
    ],
    "next": ["searcher", "cd morning && searcher"],
    "far": ["""searcher log morning/ weed line 07:20 --at "30°25.2'S 13°31.0'E" """.strip()],
    "vague": ["searcher log morning/ something shiny 07:20 box 2", "searcher log morning/ nothing box 3"],
    "product": ["searcher fetch morning/ --product murr"],
    "unreachable": ["# sed -i 's/tank_l = 250/tank_l = 15/' morning/trip.toml", "searcher plan morning/"],
}
#: of a trip folder, what is not made by the program
GIVEN = ("trip.toml", "closed_area.geojson", "data")
#: said only on the first run on a machine
ONCE = "... preparing for first use"
#: sessions that need what `searcher plan` wrote
PLANNED = ("log", "rerank", "rerank_late", "review", "far", "vague", "next")


def run(command: str, folder: Path) -> str:
    """What a command prints, errors included, in the order in which it does."""
    done = subprocess.run(
        ["bash", "-c", command], cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    if "Traceback (most recent call last)" in done.stdout:
        raise RuntimeError(f"{command}\n{done.stdout}")
    return "".join(line for line in done.stdout.splitlines(keepends=True) if not line.startswith(ONCE))


def boxes_of(folder: Path) -> dict[str, str]:
    """What FIRST and SECOND stand for by the plan in a trip folder; nothing where there is none."""
    legs = folder / "legs.geojson"
    if not legs.is_file():
        return {}
    features = json.loads(legs.read_text(encoding="utf-8"))["features"]
    worked = [str(one["properties"]["box"]) for one in features if one["properties"]["kind"] == "troll"]
    return dict(zip(("FIRST", "SECOND"), dict.fromkeys(worked), strict=False))


def record(lines: list[str], folder: Path) -> str:
    """The text of a session in a folder."""
    shown, names = [], boxes_of(folder / "morning")
    for line in lines:
        line = re.sub("FIRST|SECOND", lambda word: names[word[0]], line)
        if line.startswith("# "):
            subprocess.run(["bash", "-c", line[2:]], cwd=folder, check=True, stdout=subprocess.DEVNULL)
        else:
            shown.append(f"$ {line}\n{run(line, folder)}".replace(f"{folder}/", ""))
    return "\n".join(shown)


def clear_made(folder: Path) -> None:
    """Leave in a trip folder only what was given."""
    for path in folder.iterdir():
        if path.name not in GIVEN:
            path.unlink()


def main(names: list[str]) -> None:
    SCREENS.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as room:
        start = Path(room) / "start"
        start.mkdir()
        demo = record(SESSIONS["demo"], start)
        for name in names or SESSIONS:
            folder = Path(room) / name
            shutil.copytree(start, folder)
            if name not in PLANNED:
                clear_made(folder / "morning")
            text = demo if name == "demo" else record(SESSIONS[name], folder)
            (SCREENS / f"{name}.txt").write_text(text, encoding="utf-8")
            print(f"== {name}\n{text}")


if __name__ == "__main__":
    main(sys.argv[1:])
