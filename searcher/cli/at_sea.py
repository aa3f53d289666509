"""The verb for use at sea: `log` stores what is seen, in trade words, in the trip's log."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

import typer
from typer.core import TyperCommand

from searcher.cli.say import print_notes, say_kind
from searcher.cli.verbs import HERE, AsJson, Quiet, app
from searcher.errors import SearcherError

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import shapely

    from searcher.sightings import Sighting
    from searcher.sightings.places import Found
    from searcher.trip import Trip

#: how much a current may add to or take from trolling speed over the ground
CURRENT_KN = 1.5
#: how a longitude west of Greenwich begins, or a latitude south
WESTERN = re.compile(r"-\d{1,3}\.\d")

Words = Annotated[
    list[str] | None,
    typer.Argument(metavar="FOLDER WORDS", help="The trip folder, then what was seen.", show_default=False),
]
Text = Annotated[str | None, typer.Option()]


class WordsCommand(TyperCommand):
    """A command in whose words a place may begin with a minus: "-80.95, 29.75" is no option."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """As every command does, such places behind a space."""
        return super().parse_args(ctx, [f" {arg}" if WESTERN.match(arg) else arg for arg in args])


@app.command(cls=WordsCommand)
def log(
    words: Words = None,
    at: Annotated[str | None, typer.Option(help="Where: 30°25.2'S 153°31.0'E, box 3, leg 5.")] = None,
    start_place: Annotated[str | None, typer.Option("--from", help="Where a stretch began.")] = None,
    end_place: Annotated[str | None, typer.Option("--to", help="Where it ended.")] = None,
    time: Annotated[str | None, typer.Option(help="Local time, 08:10; if left out, now.")] = None,
    start: Annotated[str | None, typer.Option(help="Local time a stretch began.")] = None,
    end: Annotated[str | None, typer.Option(help="Local time it ended; if left out, now.")] = None,
    depth: Annotated[str | None, typer.Option(help="Of the bottom: 180m, 600ft, 100fm.")] = None,
    note: Annotated[str, typer.Option(help="Anything else.")] = "",
    gpx: Annotated[Path | None, typer.Option(help="Read marks and tracks of a plotter instead.")] = None,
    export: Annotated[Path | None, typer.Option(help="Write the log as .csv or .geojson.")] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take back the last entry.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Store what is seen, in trade words; without any, show the log.

    \b
    Example: searcher log saturday/ weed line --at "30°25.2'S 153°31.0'E"
             searcher log saturday/ birds 3 low box 2
             searcher log saturday/ temperature 24.6C 08:10 --at "30°25.2'S 153°31.0'E"
             searcher log saturday/ nothing 08:10 08:55 box 3
             searcher log saturday/ --gpx marks.gpx

    Words: weed line, debris, colour change, temperature break, temperature, birds (how many, low or high),
    bite, fish (species, how many), nothing or trolled (a stretch). Order and case do not matter.
    """
    from searcher.trip import read_trip

    folder, text = split_folder(words or [])
    said = {
        "at": at,
        "from": start_place,
        "to": end_place,
        "time": time,
        "start": start,
        "end": end,
        "depth": depth,
    }
    entry_given = bool(text or note or any(value is not None for value in said.values()))
    asked = [name for name, is_asked in (("--gpx", gpx), ("--export", export), ("--undo", undo)) if is_asked]
    if len(asked) + entry_given > 1:
        given = " and ".join([*asked, *(["an entry"] if entry_given else [])])
        raise SearcherError(
            "one thing at a time", given=given, expected="an entry, --gpx, --export or --undo"
        )
    trip, how = read_trip(folder), Telling(as_json, quiet)
    if gpx:
        show_imported(trip, gpx, how)
    elif export:
        show_exported(trip, export, how)
    elif undo:
        show_taken_back(trip, how)
    elif entry_given:
        show_added(trip, *parse_entry(trip, text, note=note, **said), how)
    else:
        show_log(trip, how)


class Telling(NamedTuple):
    """How a run tells what it did: to a program, or to a person, or to nobody."""

    as_json: bool
    quiet: bool

    def tell(self, facts: Any, words: str) -> None:
        """Facts for a program, or words for a person."""
        if self.as_json:
            typer.echo(json.dumps(facts))
        elif not self.quiet:
            typer.echo(words)


def split_folder(words: list[str]) -> tuple[Path, str]:
    """The trip folder, if it comes first, else the folder one stands in; and the rest as one text."""
    first = words[0] if words else ""
    if first and (Path(first).is_dir() or "/" in first or "\\" in first):
        return Path(first), " ".join(words[1:])
    return HERE, " ".join(words)


def parse_entry(trip: Trip, text: str, *, note: str = "", **said: str | None) -> tuple[Sighting, str]:
    """The entry of a text of trade words and the options beside it; and what of the plan it names."""
    import shapely

    from searcher.sightings import Sighting, parse_words
    from searcher.sightings.entry import BY_PLAN, STRETCHES
    from searcher.sightings.words import parse_clock, parse_depth
    from searcher.trip.hours import to_numpy

    places, rest = take_places(trip, text, said)
    words = parse_words(rest, typed=True)
    given = (said[name] for name in ("time", "start", "end"))
    clocks = [parse_clock(clock) for clock in given if clock is not None]
    clocks = clocks or list(words.clocks)
    moments = [find_moment(trip, clock) for clock in clocks]
    is_stretch = words.kind in STRETCHES
    most = 2 if is_stretch else 1
    if len(moments) > most:
        raise SearcherError(
            f"too many times for {say_kind(words.kind)}",
            given=len(moments),
            expected="a start and an end" if is_stretch else 1,
        )
    if is_stretch:
        if not moments:
            raise SearcherError(f"{words.kind}: from when to when?", hint="Give --start 08:10 --end 08:55")
        line = stretch_of(places, words.kind)
        when = {"time": moments[0], "end": moments[1] if len(moments) > 1 else find_moment(trip, None)}
    else:
        if len(places) != 1:
            raise SearcherError(
                f"{say_kind(words.kind)}: where?",
                given=f"{len(places)} places" if places else None,
                expected="one place, such as --at \"30°25.2'S 153°31.0'E\" or box 3",
            )
        line = shapely.Point(places[0].middle)
        when = {"time": moments[0] if moments else find_moment(trip, None)}
    entry = Sighting(
        words.kind,
        line,
        count=words.count,
        value=words.value,
        flying=words.flying,
        species=words.species,
        depth=words.depth if said["depth"] is None else parse_depth(said["depth"], unit=trip.show.depth),
        note=" ".join(filter(None, (words.note, note.strip()))),
        source="typed" if all(place.line is None for place in places) else BY_PLAN,
        time=to_numpy(when["time"]),
        end=to_numpy(when["end"]) if "end" in when else None,
    )
    return entry, " to ".join(place.name for place in places if place.name)


def take_places(trip: Trip, text: str, said: dict[str, str | None]) -> tuple[list[Found], str]:
    """The places of the options, then those in the text; and the text without them."""
    from searcher.sightings import find_place, parse_place

    region, folder = trip.region, trip.folder
    given = (said[name] for name in ("at", "from", "to"))
    places = [parse_place(place, region=region, folder=folder) for place in given if place is not None]
    found = find_place(text, region=region, folder=folder)
    while found is not None:
        places.append(found)
        text = found.rest
        found = find_place(text, region=region, folder=folder)
    return places, text


def stretch_of(places: list[Found], kind: str) -> shapely.LineString:
    """The line of a stretch: from one place to another, or along a box or leg of the plan."""
    import shapely

    if len(places) == 2:
        return shapely.LineString([place.middle for place in places])
    if len(places) == 1 and places[0].line is not None:
        return places[0].line
    raise SearcherError(
        f"{kind}: from where to where?",
        given=f"{len(places)} places" if places else None,
        expected="two places, or one box or leg of the plan",
        hint="Give --from and --to",
    )


def find_moment(trip: Trip, clock: Any, *, ahead: bool = False) -> datetime:
    """The moment (UTC) of a local clock time of the trip, also one `ahead`; None is now."""
    from searcher.sightings.words import place_clock
    from searcher.trip.hours import to_datetime

    first, last = hours_of(trip)
    now = datetime.now(UTC).replace(microsecond=0)
    if ahead:  # an hour of the day's own, not of the evening before it
        first, now = to_datetime(trip.window.start), datetime(1970, 1, 1, tzinfo=UTC)
    moment = place_clock(
        now if clock is None else clock,
        timezone=trip.show.timezone,
        first=first,
        last=last,
        now=now,
        trip=(to_datetime(trip.window.start), to_datetime(trip.window.end)),
    )
    return moment.astimezone(UTC)


def hours_of(trip: Trip) -> tuple[datetime, datetime]:
    """From when to when the log takes entries."""
    from searcher.sightings.entry import BESIDE
    from searcher.trip.hours import to_datetime

    return to_datetime(trip.window.start - BESIDE), to_datetime(trip.window.end + BESIDE)


def show_added(trip: Trip, entry: Sighting, name: str, how: Telling) -> None:
    """Store an entry, then say so: what is said to be stored is on the disk."""
    from searcher.sightings import add_sighting, read_sightings

    number = add_sighting(trip.folder, entry)
    rows = read_sightings(trip.folder)
    row = rows[rows["id"] == number].iloc[0]
    how.tell(facts_of(row), f"logged {say_entry(row, trip, name)}")


def show_taken_back(trip: Trip, how: Telling) -> None:
    """Mark the last entry as deleted and say which."""
    from searcher.sightings import read_sightings, take_back

    before = where_they_lay(trip, read_sightings(trip.folder))
    if take_back(trip.folder) is None:
        raise SearcherError("nothing to take back", given="a log without entries")
    row = before.sort_values("id").iloc[-1]
    how.tell(facts_of(row), f"took back {say_entry(row, trip)}")


def show_log(trip: Trip, how: Telling) -> None:
    """The entries that stand, by time."""
    from searcher.sightings import log_path, read_sightings

    rows = where_they_lay(trip, read_sightings(trip.folder))
    if how.as_json:
        typer.echo(json.dumps([facts_of(row) for _, row in rows.iterrows()], indent=1))
        return
    for _, row in rows.iterrows():
        typer.echo(say_entry(row, trip))
    if rows.empty and not how.quiet:
        typer.echo(f"no entries in {log_path(trip.folder)}; searcher log --help shows how")


def show_imported(trip: Trip, path: Path, how: Telling) -> None:
    """Read a plotter's file into the log and say what became of it."""
    from searcher.sightings import add_sightings, read_gpx
    from searcher.trip.hours import to_numpy

    first, last = hours_of(trip)
    window = to_numpy(first), to_numpy(last)
    found = read_gpx(
        path, speeds=trolling_speeds(trip), window=window, region=trip.region, unit=trip.show.temperature
    )
    added = add_sightings(trip.folder, found.sightings)
    facts = {"new": added.new, "known": added.known, "left_out": found.left_out}
    how.tell(facts, f"{added.new} new, {added.known} in the log already")
    if not how.as_json:
        print_notes([f"left out {count}: {reason}" for reason, count in found.left_out.items()])


def trolling_speeds(trip: Trip) -> tuple[float, float]:
    """Slowest and fastest over the ground (m/s) that count as trolling this trip's bait."""
    from searcher.trip.model import TROLL_KN
    from searcher.units import from_unit

    slowest, _, fastest = (from_unit(speed, "kn") for speed in TROLL_KN[trip.gear.bait])
    current = from_unit(CURRENT_KN, "kn")
    return min(slowest, trip.gear.troll) - current, max(fastest, trip.gear.troll) + current


def show_exported(trip: Trip, path: Path, how: Telling) -> None:
    """Write the log as CSV or GeoJSON and say where."""
    from searcher.cli.next_step import count_of
    from searcher.sightings import read_sightings, write_csv

    rows = where_they_lay(trip, read_sightings(trip.folder)).drop(columns="placed")
    if path.suffix.lower() == ".csv":
        written = write_csv(rows, path, show=trip.show)
    elif path.suffix.lower() == ".geojson":
        from searcher.brief import write_table

        about = {"made_at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"}
        written = write_table(path.stem, rows, path.parent, about=about)
    else:
        raise SearcherError("export", given=path.name, expected="a name that ends in .csv or .geojson")
    entries = count_of(len(rows), "entry", "entries")
    how.tell({"wrote": str(written)}, f"wrote {entries} to {written}")


def where_they_lay(trip: Trip, rows: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """A log with what was placed by a box of the plan where that lay by then, if the plan is there.

    `placed`: the number of that box, 0 for none.
    """
    import pandas as pd

    from searcher.keep import PLAN_FILE, open_plan
    from searcher.reranking import where_logged
    from searcher.sightings.entry import BY_PLAN
    from searcher.trip.hours import to_numpy

    rows = rows.assign(placed=0)
    own = rows["time"].between(*(pd.Timestamp(to_numpy(hour)) for hour in hours_of(trip)))
    if not (own & (rows["source"] == BY_PLAN)).any() or not (trip.folder / PLAN_FILE).is_file():
        return rows
    try:
        lay = where_logged(open_plan(trip.folder), rows[own])
    except SearcherError:  # a plan of another version, say: what was typed is shown as it was
        return rows
    geometry = rows.geometry.copy()
    geometry[own] = lay.geometry
    rows.loc[own, "placed"] = lay["placed"]
    return rows.set_geometry(geometry)


def facts_of(row: pd.Series) -> dict[str, Any]:
    """An entry for a program: inside units, UTC, GeoJSON geometry; null where not said."""
    import pandas as pd
    import shapely

    said = row.drop(["geometry", "placed"], errors="ignore")
    facts = {name: None if pd.isna(value) else value for name, value in said.items()}
    facts |= {name: f"{row[name].isoformat()}Z" for name in ("time", "end")}
    facts |= {name: int(row[name]) for name in ("id", "count") if facts[name] is not None}
    return facts | {"geometry": json.loads(shapely.to_geojson(row["geometry"]))}


def say_entry(row: pd.Series, trip: Trip, name: str = "") -> str:
    """An entry on one line, at its position or at what of the plan it names."""
    import numpy as np
    import shapely

    from searcher.geo import Place, line_length
    from searcher.sightings import say_place
    from searcher.units import DAY

    show, xy = trip.show, shapely.get_coordinates(row["geometry"])
    is_stretch = len(xy) > 1
    say = show.say_time if trip.window.hours > DAY else show.say_clock  # a clock that comes twice says little
    until = f"-{say(row['end'])}" if is_stretch else ""
    said = [
        f"{row['count']:.0f}" if np.isfinite(row["count"]) else "",
        row["flying"],
        row["species"],
        show.say_temperature(row["value"]) if np.isfinite(row["value"]) else "",
        f"in {show.say_depth(row['depth'])}" if np.isfinite(row["depth"]) else "",
        f"({row['note']})" if row["note"] else "",
    ]
    places = say_place(Place(*xy[0]))
    if is_stretch:
        places += f" to {say_place(Place(*xy[-1]))}, {show.say_distance(line_length(xy))}"
    if row.get("placed"):
        places += f" (box {row['placed']})"
    if name:  # a box drifts: where it was by then would take opening the plan, a second or two
        places = f"{name}, where the plan has it then"
    what = " ".join(filter(None, (say_kind(row["kind"]), *said)))
    what = "".join(c if c.isprintable() else " " for c in what)
    return f"{say(row['time'])}{until} {what} at {places}"
