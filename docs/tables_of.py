"""Pages made of the code itself: data products, public names, commands, tables. Written at every build."""

from importlib import import_module
from pathlib import Path

import searcher
from searcher import tables
from searcher.sources.catalogue import read_catalogue
from searcher.trip import new_trip_text

HOUR = 3600.0
WORD = {"number": "number", "integer": "whole number", "text": "text", "time": "time, UTC"}


def write_pages(folder: Path) -> None:
    """Write the pages into `folder`; those that are as they were keep their time, so builds stay quick."""
    folder.mkdir(exist_ok=True)
    pages = {"products": products(), "api": api(), "commands": commands(), "trip_file": trip_file()}
    for name, text in pages.items():
        path = folder / f"{name}.md"
        if not path.is_file() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")


def products() -> str:
    """The catalogue of public grids: one table to choose from, then the facts of each."""
    rows = read_catalogue()
    table = ["| id | field | grid | every | there after | where |", "|---|---|---|---|---|---|"]
    for row in sorted(rows, key=lambda row: (row.field, row.grid)):
        every = "" if row.time_step is None else say_time(row.time_step)
        after = say_time(row.latency) if row.latency else "ahead of time"
        table.append(
            f"| [`{row.id}`](#{row.id.replace('_', '-')}) | {row.field} | {row.grid:g}° | {every} | "
            f"{after if every else ''} | {say_box(row.box)} |"
        )
    facts = [
        text
        for row in rows
        for text in ("", f"({row.id.replace('_', '-')})=", f"### {row.id}", "", *say_facts(row))
    ]
    return "\n".join([PRODUCTS, *table, "", "## Each of them", *facts, ""])


PRODUCTS = """\
# Data products

Public grids that `searcher fetch` knows by name. `searcher sources FOLDER` lists those that cover a trip, the
finest first; [](../howto/fetch.md) says how to fetch them. This page is made of the catalogue that ships with
the package (`searcher/sources/catalogue.toml`).

:::{warning}
The catalogue was written without a network, from memory and from published metadata; we have tried no address
against the live server. *Known from* says of every row what was read and what was recalled. A server that has
moved costs you a line in your own `sources.toml`, not a new version of the program.
:::

"""


def say_facts(row) -> list[str]:
    """What is to be known of one product."""
    facts = {
        "Variables": ", ".join(f"`{name}`" for name in row.variables),
        "Asked through": row.protocol + (f", {row.address}" if row.address else ", with a free account"),
        "Dataset": f"`{row.dataset}`",
        "Credit": row.credit,
        "Licence": row.licence,
        "Known from": row.checked,
    }
    head = [f"{row.title}." + (f" *{row.note}.*" if row.note else ""), ""]
    return [*head, *(f"- **{name}:** {escape(text)}" for name, text in facts.items())]


def escape(text: str) -> str:
    """Braces of addresses stand for themselves."""
    return text.replace("{", "\\{").replace("}", "\\}")


def say_time(seconds: float) -> str:
    return f"{seconds / HOUR:g} h" if seconds < 72 * HOUR else f"{seconds / HOUR / 24:.0f} d"


def say_box(box) -> str:
    west, south, east, north = box
    if east - west > 350 and north - south > 120:
        return "the globe"
    up, across = (
        [say_side(a, letters) for a in pair]
        for pair, letters in (((south, north), "NS"), ((west, east), "EW"))
    )
    return f"{up[0]} to {up[1]}, {across[0]} to {across[1]}"


def say_side(degrees: float, letters: str) -> str:
    degrees = (degrees + 180) % 360 - 180 if letters == "EW" and abs(degrees) > 180 else degrees
    return f"{abs(degrees):g}°{letters[degrees < 0]}"


def api() -> str:
    """All public names, in the order in which data flow, under the module each lives in."""
    homes: dict[str, list[str]] = {}
    for name, home in searcher._HOMES.items():
        homes.setdefault(home, []).append(name)
    lines = [API]
    for home, names in homes.items():
        module = import_module(f"searcher.{home}")
        lines += [f"## {home}", "", first_sentence(module.__doc__), ""]
        for name in names:
            kind = "autoclass" if isinstance(getattr(searcher, name), type) else "autofunction"
            lines += ["```{eval-rst}", f".. {kind}:: searcher.{name}", "```", ""]
    lines += ["## errors", "", first_sentence(import_module("searcher.errors").__doc__), ""]
    lines += ["```{eval-rst}", ".. automodule:: searcher.errors", "   :members: SearcherError", "```", ""]
    return "\n".join(
        [*lines, "## Tables", "", "Columns of the tables, GeoDataFrames in EPSG:4326.", "", *table_pages()]
    )


API = """\
# Public names

Everything here is reached from the top: `import searcher as sr`, then `sr.read_trip(...)`. Inside, units are
SI with degrees Celsius and litres, longitude comes before latitude and times are UTC. What is not on this
page may change.
"""


def first_sentence(text: str) -> str:
    """A docstring's first paragraph, on one line."""
    return " ".join(text.strip().split("\n\n")[0].split())


def trip_file() -> str:
    """The trip file as `searcher new` writes it."""
    return f"{TRIP_FILE}\n```toml\n{new_trip_text().rstrip()}\n```\n"


TRIP_FILE = """\
# The trip file

What `searcher new` writes where it is told nothing, with every key it knows. Lengths, speeds, volumes and
times have their unit in the name of the key; positions are `[longitude, latitude]` in degrees, west and south
negative; an unknown key is refused, with a guess at what was meant. What stands after a `#` is explanation,
or a key that may be left out.
"""


def table_pages() -> list[str]:
    lines = []
    for name, schema in tables.SCHEMAS.items():
        lines += [f"### {name}", "", "| column | holds |", "|---|---|"]
        lines += [f"| `{column}` | {WORD[kind]} |" for column, kind in schema.items()] + [""]
    return lines


def commands() -> str:
    """Help of every verb of the command line, as the program prints it."""
    from typer.main import get_command
    from typer.testing import CliRunner

    from searcher.cli import app

    runner, lines = CliRunner(), [COMMANDS]
    for verb in get_command(app).commands:
        text = runner.invoke(app, [verb, "--help"], prog_name="searcher", terminal_width=96).output
        lines += [f"## {verb}", "", "```text", text.strip("\n"), "```", ""]
    return "\n".join(lines)


COMMANDS = """\
# Commands

What `searcher VERB --help` prints. Every verb works on a trip folder; without one, on the folder you stand
in. Bad input gets one message and exit code 2.
"""
