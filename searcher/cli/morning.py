"""The verbs of the morning that end in a plan: `demo`, `plan`, `brief`."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from searcher.cli.example import example_words
from searcher.cli.progress import showing_progress
from searcher.cli.say import print_notes, print_paths, print_plan, summary
from searcher.cli.verbs import HERE, AsJson, Folder, Quiet, app, load_trip_sea
from searcher.errors import SearcherError

if TYPE_CHECKING:
    import numpy as np

    from searcher.brief import Plotter
    from searcher.plan import Plan
    from searcher.trip import Trip

Pins = Annotated[
    list[int] | None, typer.Option("--pin", help="Work the box of this number; may be repeated.", min=1)
]
Bans = Annotated[
    list[int] | None, typer.Option("--ban", help="Leave the box of this number out; may be repeated.", min=1)
]
GpxNames = Annotated[
    int | None,
    typer.Option("--gpx-names", help="Letters in the plotter's names, 6 to 10; for [plotter] of the trip."),
]
GpxPoints = Annotated[
    int | None, typer.Option("--gpx-points", help="Most points of a route in the plotter; longer are split.")
]
GpxWithin = Annotated[
    float | None, typer.Option("--gpx-within", help="Metres by which bends of a trolling line may be cut.")
]
HomeBy = Annotated[str | None, typer.Option("--home-by", help="Local time to be home by, 14:30.")]


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="A new folder for the demonstration.")],
    seed: Annotated[int, typer.Option(help="Another number makes another sea.", min=0)] = 0,
    force: Annotated[bool, typer.Option("--force", help="Write over an earlier demonstration.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Do the whole job on the built-in sea, with no network.

    Example: searcher demo morning/
    """
    with showing_progress(quiet or as_json) as step:
        step("making an invented sea off a real coast")
        from searcher.builtin import write_builtin_files

        write_builtin_files(folder, seed=seed, overwrite=force)
        made = plan_folder(folder, step)
        paths = write_everything(made, folder, step)
    show_written(made, paths, as_json, quiet)


#: what `plan` does not write anew
HANDED_OVER = ("brief.html", "route.gpx", "float_plan.html")


@app.command()
def plan(
    folder: Folder = HERE,
    pin: Pins = None,
    ban: Bans = None,
    home_by: HomeBy = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Rank search boxes and lay the route. Writes the tables (GeoJSON) and the reach and plan (netCDF).

    \b
    Example: searcher plan saturday/
             searcher plan saturday/ --pin 3 --ban 1 --home-by 14:30
    """
    from searcher.brief import write_geojson
    from searcher.files import write_together
    from searcher.keep import PLAN_FILE, save_plan
    from searcher.reach import save_reach

    with showing_progress(quiet or as_json) as step:
        made = plan_folder(folder, step, pinned=pin, banned=ban, home_by=home_by)
        step("writing")
        home = made.trip.folder
        paths = write_together(
            home,
            lambda scratch: [
                save_plan(made, scratch / PLAN_FILE),
                *write_geojson(made, scratch),
                save_reach(made.reach, scratch / "reach.nc"),
            ],
        )
    old = [name for name in HANDED_OVER if (home / name).exists()]
    if old:
        print_notes(
            [f"{', '.join(old)} are still of an earlier plan: run 'searcher brief' before you use them"]
        )
    show_written(made, paths, as_json, quiet)


@app.command()
def brief(
    folder: Folder = HERE,
    pin: Pins = None,
    ban: Bans = None,
    home_by: HomeBy = None,
    gpx_names: GpxNames = None,
    gpx_points: GpxPoints = None,
    gpx_within: GpxWithin = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Write page, maps, route for the plotter, float plan and tables.

    \b
    Example: searcher brief saturday/
             searcher brief saturday/ --gpx-names 6 --gpx-points 50
    """
    with showing_progress(quiet or as_json) as step:
        from searcher.brief import Plotter

        given = {"name_length": gpx_names, "most_points": gpx_points, "tolerance": gpx_within}
        limits: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
        Plotter(**limits)  # impossible ones are told before anything is planned
        made = plan_folder(folder, step, pinned=pin, banned=ban, home_by=home_by)
        plotter = replace(Plotter.of(made.trip), **limits)
        paths = write_everything(made, made.trip.folder, step, plotter=plotter)
    show_written(made, paths, as_json, quiet)


def plan_folder(
    folder: Path,
    step: Callable[[str], None],
    *,
    pinned: list[int] | None = None,
    banned: list[int] | None = None,
    home_by: str | None = None,
) -> Plan:
    """The plan of a trip folder, from its files."""
    from searcher.plan import make_plan
    from searcher.ready import prepare_kernels
    from searcher.trip import read_trip

    trip = read_trip(folder)
    trip = trip if home_by is None else trip.until(find_home_by(trip, home_by))
    step("reading the data")
    sea, notes = load_trip_sea(trip)
    print_notes(notes)
    prepare_kernels(step)
    made = make_plan(trip, sea, pinned=pinned or (), banned=banned or (), progress=step)
    return replace(made, cautions=(*example_words(trip), *made.cautions))


def find_home_by(trip: Trip, clock: str) -> np.datetime64:
    """The moment (UTC) of a local clock time of the day that begins with leaving.

    Not of the next day, unless the trip itself ends on it: who says 4:30 may mean 16:30.
    """
    from datetime import UTC, datetime, timedelta
    from zoneinfo import ZoneInfo

    from searcher.sightings.words import parse_clock, place_clock
    from searcher.trip.hours import to_datetime, to_numpy

    first = to_datetime(trip.window.start)
    moment = place_clock(
        parse_clock(clock),
        timezone=trip.show.timezone,
        first=first + timedelta(minutes=1),
        last=first + timedelta(hours=24),
        now=datetime(1970, 1, 1, tzinfo=UTC),
    )
    zone, last = ZoneInfo(trip.show.timezone), to_datetime(trip.window.end)
    if moment.astimezone(zone).date() > last.astimezone(zone).date():
        raise SearcherError(
            "home by an hour of the next day",
            given=f"{clock}, which is {trip.show.say_time(to_numpy(moment))}",
            expected=f"an hour between {trip.show.say_time(trip.window.start)} and midnight",
            hint="Half past four in the afternoon is 16:30; for a night at sea change home_by in trip.toml",
        )
    return to_numpy(moment)


def write_everything(
    made: Plan, folder: Path, step: Callable[[str], None], *, plotter: Plotter | None = None
) -> list[Path]:
    """All files of the hand-over and the plan itself, with a word on the screen."""
    step("drawing the map and writing the page")
    from searcher.desk.handover import write_over

    return write_over(made, folder, plotter=plotter)


def show_written(made: Plan, paths: list[Path], as_json: bool, quiet: bool) -> None:
    """The plan and the files written: for a program, or for a person."""
    if as_json:
        typer.echo(json.dumps(summary(made) | {"wrote": [str(path) for path in paths]}, indent=1))
    else:
        show_plan(made, paths, quiet)


def show_plan(made: Plan, paths: list[Path], quiet: bool) -> None:
    """The plan and the files written; where asked to be quiet, only what is past a limit."""
    if quiet:
        print_notes([text for text in made.cautions if text.startswith("Beyond your limit")])
    else:
        print_plan(made)
        print_paths(paths)
