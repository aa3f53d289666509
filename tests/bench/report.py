"""Write docs/accuracy.md or docs/speed.md anew: run every bench, and put what it prints under its own words.

    python tests/bench/report.py accuracy
    python tests/bench/report.py speed
    python tests/bench/report.py speed edges twins  # these anew, the others as they stand on the page

Each takes some minutes; nothing else should be running. A bench that fails leaves the page as it was.
"""

from __future__ import annotations

import argparse
import ast
import os
import platform
import subprocess
import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path

from timing import say

from searcher.files import write_text

BENCHES = Path(__file__).parent
DOCS = BENCHES.parents[1] / "docs"
#: page -> title, opening words, benches in order
PAGES = {
    "accuracy": (
        "How right it is",
        "Every table is held against something that is known: a scene whose fronts were drawn, a flow with a "
        "closed form, the truth of the built-in sea. Scores hang on the draw of scenes by some percent.",
        ("front_scores", "floating", "drift_skill", "composite"),
    ),
    "speed": (
        "How fast it is",
        "Every table times both sides in turn in one process; trust the ratios, which hold anywhere, not "
        "the seconds. `copy` is a copy of the input: the floor below which nothing can go.",
        ("edges", "median", "histogram", "advection", "reach", "tour", "twins", "start", "demo_stages"),
    ),
}


def about(bench: str) -> tuple[str, str]:
    """The first line of a bench's docstring, and the rest of it."""
    text = ast.get_docstring(ast.parse((BENCHES / f"{bench}.py").read_text(encoding="utf-8"))) or ""
    first, _, rest = text.partition("\n")
    return first.rstrip("."), rest.strip()


def run(bench: str, *options: str) -> str:
    """What a bench prints; its own word on how far it is goes to the screen."""
    say(f"{bench}.py")
    command = [sys.executable, str(BENCHES / f"{bench}.py"), *options]
    return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout.strip("\n")


def machine() -> str:
    """What the figures were taken on."""
    packages = ", ".join(f"{name} {version(name)}" for name in ("numpy", "numba", "scipy", "scikit-image"))
    cores, python = f"{os.cpu_count()} cores ({platform.machine()})", platform.python_version()
    return f"Taken on {cores}, Python {python}, {packages}."


def kept(path: Path, bench: str) -> str:
    """What a bench printed as the page has it; nothing where it does not stand there."""
    before, end, _ = path.read_text(encoding="utf-8").partition(f"\n```\n\n`tests/bench/{bench}.py`")
    return before.rpartition("```\n")[2] if end else ""


def write_page(page: str, *options: str, only: Sequence[str] = ()) -> Path:
    """Run the benches of a page, or only some of them, and write it."""
    title, opening, benches = PAGES[page]
    path = DOCS / f"{page}.md"
    parts = [f"# {title}", f"{opening}", f"{machine()} Made by `python tests/bench/report.py {page}`."]
    for bench in benches:
        printed = kept(path, bench) if only and bench not in only else run(bench, *options)
        first, rest = about(bench)
        if printed:
            parts += [f"## {first}", rest, f"```\n{printed}\n```", f"`tests/bench/{bench}.py`"]
    write_text(path, "\n\n".join(part for part in parts if part) + "\n")
    return path


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("page", choices=sorted(PAGES))
    parser.add_argument("bench", nargs="*", help="only these; the others as they stand on the page")
    parser.add_argument("--quick", action="store_true", help="small cases, to see that it works")
    options = parser.parse_args()
    strangers = sorted(set(options.bench) - set(PAGES[options.page][2]))
    if strangers:
        parser.error(f"not on the page of {options.page}: {', '.join(strangers)}")
    print(write_page(options.page, *(["--quick"] if options.quick else []), only=options.bench))


if __name__ == "__main__":
    main()
