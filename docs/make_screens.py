"""Run the commands that the pages show, and keep what they print: `python docs/make_screens.py [NAME]`.

Each screen is a file in `docs/screens`. Those of the tutorial are taken one after another in one folder, as
its reader types them; every other in a folder of its own, as the demonstration left it. Run this again when
what the program prints changes. `searcher` must be the one on the PATH.
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
#: what is logged on the demonstration's morning: the first box of its plan worked in vain, then the second
LOG = [
    "searcher log morning/ nothing 06:04 06:26 box FIRST",
    'searcher log morning/ weed line 06:50 box SECOND --note "100 m long"',
    "searcher log morning/ birds 3 low 06:55 box SECOND",
    "searcher log morning/ temperature 24.1C 07:10 box SECOND",
    "searcher log morning/ 2 mahi 07:20 box SECOND --depth 110m",
]
#: what a session shows; a line that begins with "# " is done and not shown. FIRST and SECOND are the
#: numbers of the boxes that the plan of the moment works first
SESSIONS = {
    "demo": ["searcher demo morning/"],
    "check": ["searcher check morning/"],
    "scan": ["searcher scan morning/"],
    "shorter": [
        """# sed -i 's/home_by = ".*"/home_by = "2026-01-17 11:30"/' morning/trip.toml""",
        "searcher plan morning/",
    ],
    "log": [
        """# sed -i 's/home_by = ".*"/home_by = "2026-01-17 16:30"/' morning/trip.toml""",
        "# searcher brief morning/",
        *LOG[:-1],
        LOG[-1].replace("2 mahi", "22 mahi"),
        "searcher log morning/ --undo",
        LOG[-1],
        "searcher log morning/",
        "searcher log morning/ --export morning/log.csv",
    ],
    "rerank": ["searcher rerank morning/ --at 'box SECOND' --fuel 200L --time 07:30"],
    "rerank_late": ["searcher rerank morning/ --at 'box SECOND' --fuel 100L --time 15:30"],
    "review": [
        *(f"# {line}" for line in LOG),
        "# searcher log morning/ trolled 06:35 07:30 box SECOND",
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
#: the sessions of the tutorial, in its order
TUTORIAL = ("demo", "check", "scan", "shorter", "log", "rerank", "new", "next")
#: said only on the first run on a machine
ONCE = "... preparing for first use"


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
    shown = []
    for line in lines:
        names = boxes_of(folder / "morning")
        line = re.sub("FIRST|SECOND", lambda word, names=names: names[word[0]], line)
        if line.startswith("# "):
            subprocess.run(["bash", "-c", line[2:]], cwd=folder, check=True, stdout=subprocess.DEVNULL)
        else:
            shown.append(f"$ {line}\n{run(line, folder)}".replace(f"{folder}/", ""))
    return "\n".join(shown)


def keep(name: str, text: str) -> None:
    (SCREENS / f"{name}.txt").write_text(text, encoding="utf-8")
    print(f"== {name}\n{text}")


def main(names: list[str]) -> None:
    SCREENS.mkdir(exist_ok=True)
    wanted = names or list(SESSIONS)
    # a screen of the tutorial needs all that its reader has typed before
    steps = TUTORIAL[: max((TUTORIAL.index(name) + 1 for name in wanted if name in TUTORIAL), default=1)]
    with tempfile.TemporaryDirectory() as room:
        start, reader = Path(room) / "start", Path(room) / "reader"
        start.mkdir()
        for name in steps:
            text = record(SESSIONS[name], start if name == "demo" else reader)
            if name == "demo":
                shutil.copytree(start, reader)
            if name in wanted:
                keep(name, text)
        for name in wanted:
            if name not in TUTORIAL:
                folder = shutil.copytree(start, Path(room) / name)
                keep(name, record(SESSIONS[name], folder))


if __name__ == "__main__":
    main(sys.argv[1:])
