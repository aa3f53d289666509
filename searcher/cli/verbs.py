"""The verbs: each reads, calls and prints. What is heavy is imported when it is needed: `--help` is quick."""

from __future__ import annotations

import json
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from searcher.cli.example import example_words, taken_words
from searcher.cli.progress import showing_progress, showing_transfers
from searcher.cli.say import (
    print_fronts,
    print_notes,
    print_paths,
    say_data,
    say_ports,
    say_product,
)
from searcher.errors import SearcherError

if TYPE_CHECKING:
    from searcher.trip import Trip

app = typer.Typer(
    help="Where to search the sea surface today: fronts, drift, reach, search boxes and a route.",
    invoke_without_command=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Folder = Annotated[Path, typer.Argument(help="The trip folder.", show_default=True)]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for a program to read.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but what was asked for.")]
HERE = Path()


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"searcher {version('searcher')}")
        raise typer.Exit


@app.callback()
def about(
    context: typer.Context,
    version: Annotated[  # noqa: ARG001 (its callback prints it)
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Where to search the sea surface today: fronts, drift, reach, search boxes and a route.

    Alone, it says what to do next in this folder.
    """
    if context.invoked_subcommand is None:
        import numpy as np

        from searcher.cli.next_step import next_step, next_step_text

        now = np.datetime64("now", "ns")
        if as_json:
            said, steps = next_step(HERE, now=now)
            typer.echo(json.dumps({"here": said, "next": [step._asdict() for step in steps]}))
        else:
            typer.echo(next_step_text(HERE, now=now))
    elif as_json:
        verb = context.invoked_subcommand
        raise typer.BadParameter(f'write it behind the verb: "searcher {verb} --json"', param_hint="--json")


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(help="The folder to write trip.toml into.")] = HERE,
    port_name: Annotated[str | None, typer.Option(help="Name of the port.")] = None,
    at: Annotated[
        str | None, typer.Option(help='The berth: "30°24.3\'S 153°04.8\'E", or "153.0795, -30.405".')
    ] = None,
    sea_buoy: Annotated[str | None, typer.Option(help="Where open water begins, the same way.")] = None,
    timezone: Annotated[str | None, typer.Option(help="Time zone, such as Australia/Sydney.")] = None,
    leave: Annotated[str | None, typer.Option(help='Local time of leaving, "2026-01-17 05:00".')] = None,
    home_by: Annotated[str | None, typer.Option(help="Local time to be home by.")] = None,
    boat_name: Annotated[str | None, typer.Option(help="Name of the boat.")] = None,
    ask: Annotated[
        bool, typer.Option("--ask/--no-ask", help="On a terminal, ask for what is not given.")
    ] = True,
    force: Annotated[bool, typer.Option("--force", help="Write over an existing trip.toml.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Write a commented trip.toml to fill in. On a terminal, a few questions come first.

    Example: searcher new saturday/ --leave "2026-01-17 05:00"
    """
    from searcher.cli.ask import PLACES, ask_trip, is_terminal, read_place
    from searcher.cli.next_step import quoted
    from searcher.trip import write_trip

    given = {
        "port_name": port_name,
        "at": at,
        "sea_buoy": sea_buoy,
        "timezone": timezone,
        "leave": leave,
        "home_by": home_by,
        "boat_name": boat_name,
    }
    wanted: dict[str, Any] = {
        name: read_place(value) if name in PLACES else value
        for name, value in given.items()
        if value is not None
    }
    if ask and not (as_json or quiet) and is_terminal():
        wanted = ask_trip(wanted)
    path = write_trip(folder, overwrite=force, **wanted)
    if as_json:
        typer.echo(json.dumps({"wrote": str(path)}))
    elif not quiet:
        invented = "the boat" if "at" in wanted else "the port, the boat"
        edit = f"Edit it: {invented}, its fuel and your limits in it are only an example."
        data = f"Put data files in {path.parent / 'data'} or name products to fetch, then:"
        check_it = f"searcher check {quoted(str(folder))}"
        typer.echo(f"wrote {path}\n{' '.join([edit, *taken_words(wanted), data, check_it])}")


@app.command()
def check(folder: Folder = HERE, as_json: AsJson = False, quiet: Quiet = False) -> None:
    """Say what is wrong with the trip file and its data, all at once.

    Example: searcher check saturday/
    """
    from searcher.conditions import area_cautions, data_cautions, describe_data, missing_weather
    from searcher.profile import read_profile
    from searcher.sources import check_cover
    from searcher.sources.catalogue import find_products
    from searcher.trip import check_trip, read_trip

    trip = read_trip(folder)
    read_profile(trip.target.species, trip.folder)  # a species without a profile is said here, not by `plan`
    find_products(trip.sources.products, extra=trip.folder)  # so is a product that nobody knows
    findings = [*example_words(trip), *check_trip(trip), *area_cautions(trip)]
    data: tuple[dict[str, Any], ...] = ()
    if trip.sources.files:
        with showing_progress(quiet or as_json) as step:
            step("reading the data")
            sea, notes = load_trip_sea(trip)
        check_cover(sea, trip.window)
        data = describe_data(sea, trip)
        findings += [*notes, *missing_weather(data, trip), *data_cautions(data, trip)]
    if as_json:
        typer.echo(json.dumps({"findings": findings, "data": data}, default=str, indent=1))
        return
    show = trip.show
    if quiet:
        print_notes(findings)
        return
    typer.echo(
        f"{say_ports(trip)}: {show.say_time(trip.window.start)} to {show.say_time(trip.window.end)}, "
        f"{show.say_fuel(trip.boat.usable)} above the reserve, {show.say_distance(trip.range)} out and as "
        "far home"
    )
    for row in data:
        typer.echo(f"  {say_data(row)}")
    for finding in findings:
        typer.echo(f"note: {finding}")


@app.command()
def scan(folder: Folder = HERE, as_json: AsJson = False, quiet: Quiet = False) -> None:
    """Find temperature breaks and convergence lines. Writes sea.nc and fronts.geojson.

    Example: searcher scan saturday/
    """
    from searcher.brief import write_table
    from searcher.drift import drift_fronts
    from searcher.fronts import find_fronts
    from searcher.ready import prepare_kernels
    from searcher.sea import save_sea
    from searcher.sources import check_cover
    from searcher.trip import read_trip

    with showing_progress(quiet or as_json) as step:
        step("reading the data")
        trip = read_trip(folder)
        sea, notes = load_trip_sea(trip)
        check_cover(sea, trip.window)
        prepare_kernels(step)
        step("finding fronts")
        fronts = find_fronts(sea, at=trip.window.start)
        step("drifting them to the hour of leaving")
        fronts = drift_fronts(fronts, sea, to=trip.window.start)
        step("writing")
        paths = [save_sea(sea, trip.folder / "sea.nc"), write_table("fronts", fronts, trip.folder)]
    if as_json:
        typer.echo(paths[1].read_text(encoding="utf-8"))
    elif not quiet:
        print_fronts(fronts, trip)
        print_notes(notes)
        print_paths(paths)


def load_trip_sea(trip: Trip) -> tuple[Any, list[str]]:
    """The sea of a trip, and what the loader warned of."""
    from searcher.sources import SourceWarning, load_sea

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", SourceWarning)
        sea = load_sea(trip.region, trip.window, sources=trip.sources)
    ours = [item for item in caught if issubclass(item.category, SourceWarning)]
    return sea, [str(item.message) for item in ours]


@app.command()
def fetch(
    folder: Folder = HERE,
    product: Annotated[
        list[str] | None,
        typer.Option("--product", help="Only this product of the catalogue; may be repeated."),
    ] = None,
    offline: Annotated[
        bool, typer.Option("--offline", help="Ask no server; say what is there and how old.")
    ] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Fetch the newest public grids into the trip's data folder.

    Example: searcher fetch saturday/ --product mur
    """
    from searcher.errors import SourceError
    from searcher.sources.fetch import fetch_products
    from searcher.trip import read_trip

    trip = read_trip(folder)
    ids = product or trip.sources.products
    if not ids:
        raise SourceError(
            "no product to fetch",
            hint="Name some in [data] products = [\"mur\"]; 'searcher sources' lists them",
        )
    home = trip.folder
    with showing_transfers(quiet or as_json) as progress:
        found = fetch_products(
            ids, trip.region, trip.window, home / "data", offline=offline, progress=progress, extra=home
        )
    if as_json:
        typer.echo(json.dumps([vars(one) for one in found], default=str, indent=1))
    else:
        for one in found:
            said, has_failed = "; ".join(filter(None, (one.problem, one.note))), one.status == "failed"
            if has_failed or not quiet:
                typer.echo(f"{one.product:22} {one.status:8} {said}", err=has_failed)
    if any(one.status == "failed" for one in found):
        raise typer.Exit(1)


@app.command()
def sources(
    folder: Annotated[Path | None, typer.Argument(help="A trip folder, for its region and own rows.")] = None,
    region: Annotated[
        tuple[float, float, float, float] | None,
        typer.Option("--region", help="Longitudes and latitudes instead.", metavar="W S E N"),
    ] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """List the public grids that cover a trip or a region.

    The finest come first, with how old each usually is and when it was fetched.

    Example: searcher sources saturday/ (or: searcher sources --region 152 -32 156 -29)

    With --quiet, their ids alone.
    """
    from searcher.geo import Region
    from searcher.sources.catalogue import list_products
    from searcher.trip import read_trip

    if region and not (region[0] < region[2] and region[1] < region[3]):
        raise SearcherError(
            "region",
            given=" ".join(map(str, region)),
            expected="west south east north, west < east, south < north",
        )
    home = folder if region else folder or HERE
    box = Region(*region) if region else read_trip(home or HERE).region
    rows = [row | {"held_age": held_age(home, row["id"])} for row in list_products(box, extra=home)]
    if as_json:
        typer.echo(json.dumps(rows, indent=1))
        return
    for row in rows:
        typer.echo(row["id"] if quiet else say_product(row))


def held_age(home: Path | None, product: str) -> float | None:
    """How long ago (s) a product that lies in a trip's folder was fetched; None where it does not."""
    import numpy as np

    from searcher.sources.store import find_record

    record = None if home is None else find_record(home / "data", product)
    return None if record is None else record.age(np.datetime64("now", "ns"))
