"""The verb `rerank`: where next and when home, from the log, a place and what is left in the tank."""

from __future__ import annotations

import gc
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from searcher.cli.at_sea import find_moment
from searcher.cli.morning import Bans, HomeBy, Pins
from searcher.cli.say import print_notes, say_stay_facts
from searcher.cli.verbs import HERE, AsJson, Folder, Quiet, app
from searcher.errors import SearcherError

if TYPE_CHECKING:
    from datetime import datetime

    import geopandas as gpd
    import numpy as np

    from searcher.geo import Place
    from searcher.plan import Plan
    from searcher.reranking import Rerank
    from searcher.trip import Trip

#: "1,000L" is no figure: it may be one litre or a thousand
FUEL = re.compile(r"(\d+(?:[.,]\d{1,2})?)\s*(l|litres?|liters?|gal|gallons?|%)?", re.IGNORECASE)
#: what is asked where no place is known, and how one is given
LOST = "where are you?"
WHERE = '--at "30°25.2\'S 153°31.0\'E", or --at "box 3"'
#: the files that are written beside the morning's
NAME = "rerank"


@app.command()
def rerank(
    folder: Folder = HERE,
    at: Annotated[
        str | None, typer.Option(help="Where: 30°25.2'S 153°31.0'E, box 3; left out, that of the last entry.")
    ] = None,
    fuel: Annotated[
        str | None,
        typer.Option(help="In the tank, the reserve included: 60L, 16gal, 40%.", show_default=False),
    ] = None,
    time: Annotated[str | None, typer.Option(help="Local time, 10:30; left out, now.")] = None,
    pin: Pins = None,
    ban: Bans = None,
    home_by: HomeBy = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Say where next, from what was seen, on the fuel that is left. And when to turn for home.

    \b
    Example: searcher rerank saturday/ --at "30°25.2'S 153°31.0'E" --fuel 60L

    Needs no network. Boxes keep the numbers of the morning. Writes rerank.gpx, rerank_boxes.geojson,
    rerank_legs.geojson and rerank.json beside the files of the morning.
    """
    gc.disable()  # of a process this short nothing needs to be collected; it would take a fifth of its time
    from searcher.keep import open_plan
    from searcher.reranking import rerank as rerank_plan
    from searcher.sightings import read_sightings
    from searcher.sightings.places import last_answer
    from searcher.trip.hours import to_numpy

    plan = open_plan(folder)
    trip, log = plan.trip, read_sightings(folder)
    if fuel is None:
        asked, hint = "how much is in the tank?", "Give --fuel 60L, the reserve included"
        if at is None and log.empty:
            asked, hint = f"{asked} {LOST}", f"{hint}, and {WHERE}"
        raise SearcherError(asked, hint=hint)
    now = to_numpy(find_moment(trip, None if time is None else clock_of(time)))
    found = rerank_plan(
        plan,
        log,
        at=find_here(plan, folder, at, log, now),
        fuel=parse_fuel(fuel, trip),
        now=now,
        pinned=pin or (),
        banned=ban or (),
        home_by=None if home_by is None else to_numpy(find_moment(trip, clock_of(home_by), ahead=True)),
        last=last_answer(folder),
    )
    facts = facts_of(found)
    if as_json:
        typer.echo(json.dumps(facts, indent=1))
    elif quiet:
        print_notes([*([] if found.home.fits else facts["way"]), *facts["notes"]])
    else:
        print_rerank(facts)
    write_rerank(found, facts, trip.folder)
    gc.freeze()
    gc.enable()


def clock_of(text: str) -> tuple[int, int] | datetime:
    """A clock time as it was typed."""
    from searcher.sightings.words import parse_clock

    return parse_clock(text)


def parse_fuel(text: str, trip: Trip) -> float:
    """Litres of "60L", "16gal", "40%" (of the tank), or of a number in the trip's own unit."""
    from searcher.units import from_unit

    match = FUEL.fullmatch(text.strip())
    if match is None:
        raise SearcherError("fuel not understood", given=repr(text), expected="such as 60L, 16gal or 40%")
    value, unit = float(match[1].replace(",", ".")), (match[2] or "").casefold()
    if unit == "%":
        return trip.boat.tank * value / 100.0
    return from_unit(value, {"l": "l", "g": "gal"}.get(unit[:1], trip.show.fuel))


def find_here(plan: Plan, folder: Path, at: str | None, log: gpd.GeoDataFrame, now: np.datetime64) -> Place:
    """Where the boat is: as said, else where the last entry of the log up to now was made.

    A box that is named stands for where it lies now, an entry placed by one for where it lay by then.
    """
    import shapely

    from searcher.geo import Place
    from searcher.learn.day import entries_of
    from searcher.reranking import place_of_box, where_logged
    from searcher.sightings import parse_place

    if at is not None:
        found = parse_place(at, region=plan.trip.region, folder=folder)
        return found.middle if found.line is None else place_of_box(plan, found.line, now)
    own = entries_of(plan.trip, log)
    made = own[own["end"] <= now]
    if made.empty:
        raise SearcherError(LOST, hint=f"Give {WHERE}")
    last = made.sort_values("end", kind="stable").iloc[[-1]]
    return Place(*shapely.get_coordinates(where_logged(plan, last).geometry.iloc[0])[-1])


def print_rerank(facts: dict[str, Any]) -> None:
    """A screenful: where next, when to leave, when home; then what changed and why."""
    more = [*facts["reasons"], *facts["notes"]]
    for text in (*facts["way"], *([""] if more else []), *more):
        typer.echo(text)
    typer.echo("An aid to searching only: the forecast, the chart and your judgement come first.")


def facts_of(found: Rerank) -> dict[str, Any]:
    """The result for a program: sentences, then inside units, degrees, UTC."""
    from searcher.brief.words import learned_words
    from searcher.keep import CHANGED
    from searcher.reasons import say_reasons, say_way

    made, home = found.plan, found.home
    return {
        "way": say_way(found),
        "reasons": say_reasons(found),
        "notes": [
            *(text for text in made.cautions if text == CHANGED),
            *filter(None, [learned_words(made)]),
        ],
        "at": list(found.at),
        "time": f"{found.now}Z",
        "fuel": found.fuel,
        "stays": [say_stay_facts(stay) for stay in made.stays.itertuples()],
        "turn_for_home": f"{made.turn_for_home}Z" if found.goes_on else None,
        "turn_from_here": f"{home.turn}Z",
        "home": {
            "fits": bool(home.fits),
            "late": max(home.late, 0.0) if home.late < float("inf") else None,
            "short": max(home.short, 0.0) if home.short < float("inf") else None,
            "course": home.course if home.way else None,
            "distance": home.distance if home.way else None,
            "bends": home.bends,
        },
        "boxes": found.changes.to_dict("records"),
        "entries": len(found.log),
        "laid": {number: list(line.coords) for number, line in found.laid.items()},
        "temperature_bias": found.bias._asdict(),
        "weights": dict(zip(found.weights.names, found.weights.mean.tolist(), strict=True)),
        "learned_from_trips": made.learned_from,
        "cautions": list(made.cautions),
    }


def write_rerank(found: Rerank, facts: dict[str, Any], folder: Path) -> list[Path]:
    """The new route, boxes and legs beside the morning's files: all of them, or none."""
    from dataclasses import replace

    from searcher.brief import write_gpx, write_table
    from searcher.files import write_text, write_together
    from searcher.sightings.places import plan_digest
    from searcher.units import to_unit

    made = found.plan
    facts = facts | {"plan": plan_digest(folder)}
    about = {"made_at": f"{found.now}Z", "cautions": facts["cautions"]}
    legs = made.legs.assign(speed_kn=to_unit(made.legs["speed"], "kn")).drop(columns="speed")
    worth_marking = made.boxes.index < 10
    marked = made.boxes[worth_marking | made.boxes["rank"].isin(made.legs["box"])]
    return write_together(
        folder,
        lambda scratch: [
            write_gpx(replace(made, boxes=marked), scratch / f"{NAME}.gpx"),
            write_table(f"{NAME}_boxes", made.boxes, scratch, about=about),
            write_table(f"{NAME}_legs", legs, scratch, about=about),
            write_text(scratch / f"{NAME}.json", json.dumps(facts, indent=1)),
        ],
    )
