"""What the verbs print."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    import geopandas as gpd
    import numpy as np

    from searcher.plan import Plan
    from searcher.tables import Row
    from searcher.trip import Trip
    from searcher.units import Show


#: older data have their age in days, h
DAYS_FROM = 72.0


def summary(made: Plan) -> dict[str, Any]:
    """What a program wants to know of a plan: positions in degrees, times in UTC, inside units."""
    boxes = made.boxes
    return {
        "boxes": [
            {"rank": int(row.rank), "expected": float(row.expected), "why": row.why}
            for row in boxes.itertuples()
        ],
        "legs": [
            {
                "kind": leg.kind,
                "box": int(leg.box),
                "start": f"{leg.start.isoformat()}Z",
                "end": f"{leg.end.isoformat()}Z",
                "fuel_left": float(leg.fuel_left),
            }
            for leg in made.legs.itertuples()
        ],
        "stays": [say_stay_facts(stay) for stay in made.stays.itertuples()],
        "best": float(made.best),
        "bound": float(made.bound) if math.isfinite(made.bound) else None,
        "proven": bool(made.proven),
        "learned_from_trips": made.learned_from,
        "turn_for_home": None if made.legs.empty else f"{made.turn_for_home}Z",
        "cautions": list(made.cautions),
    }


def say_stay_facts(stay: Row) -> dict[str, Any]:
    """A stay for a program."""
    times = {name: f"{getattr(stay, name).isoformat()}Z" for name in ("start", "end", "leave_by")}
    return {"box": int(stay.box), "passes": int(stay.passes), "expected": float(stay.expected), **times}


def print_plan(made: Plan) -> None:
    """The plan in a few lines: cautions, the day in order, how long at each box, when to turn for home."""
    from searcher.brief.stories import proof_words
    from searcher.brief.words import learned_words, leave_words, leaving
    from searcher.tables import pace_of

    show, day = made.trip.show, leaving(made)
    for caution in made.cautions:
        typer.echo(f"caution: {caution}")
    if made.legs.empty:
        return
    typer.echo(f"\nLeave port {show.say_time(day)}. {leave_words(made)}".rstrip())
    for leg in made.legs.itertuples():
        if leg.kind in ("lines up", "lines in"):
            continue
        where = f"box {leg.box}" if leg.box else ""
        start, end = (show.say_clock(time, day=day) for time in (leg.start, leg.end))
        typer.echo(
            f"{start}-{end}  {leg.kind:6} {where:7} "
            f"{show.say_distance(leg.distance):>9} at {show.say_speed(pace_of(leg)):>8}, "
            f"{show.say_fuel(leg.fuel_left):>7} left"
        )
    typer.echo("")
    for stay in made.stays.itertuples():
        typer.echo(say_stay(stay, show, day))
    if proof := proof_words(made):
        typer.echo(proof)
    if learned := learned_words(made):
        typer.echo(learned)
    first = made.boxes[made.boxes["rank"] == made.legs.iloc[0]["box"]].iloc[0]
    typer.echo(f"\nFirst to box {first['rank']}: {first['why']}")
    typer.echo(f"Turn for home from the last box by {show.say_time(made.turn_for_home)} at the latest.")


def say_stay(stay: Row, show: Show, day: np.datetime64) -> str:
    """How long the day stays at a box, and when to give it up."""
    span = float((stay.end - stay.start).total_seconds())
    passes = "1 pass" if stay.passes == 1 else f"{stay.passes} passes"
    early = (stay.end - stay.leave_by).total_seconds() >= 60.0
    leave_by, until = (show.say_clock(time, day=day) for time in (stay.leave_by, stay.end))
    leave = f"leave at {leave_by} if nothing by then" if early else "stay until then"
    return (
        f"box {stay.box}: {say_span(span)}, {passes}, until {until}, "
        f"{say_count(stay.expected)} expected; {leave}"
    )


def say_span(seconds: float) -> str:
    """A length of time: 25 min, 3 h 05."""
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d}"


def say_age(seconds: float) -> str:
    """How old data are: 36 h, 4 days."""
    hours = seconds / 3600.0
    return f"{hours:.0f} h" if hours <= DAYS_FROM else f"{hours / 24:.0f} days"


def say_count(expected: float) -> str:
    """Encounters to be expected, with two figures that count."""
    return f"{expected:.1f} encounters" if expected >= 1 else f"{expected:.2g} encounters"


def print_fronts(fronts: gpd.GeoDataFrame, trip: Trip) -> None:
    """One line per front."""
    from searcher.tables import CONVERGENCE_LINE, TEMPERATURE_BREAK

    show = trip.show
    for row in fronts.itertuples():
        warm = f", warm {row.warm_side}" if row.warm_side else ""
        step = f"{show.say_step(row.step)}{warm}" if row.kind == TEMPERATURE_BREAK else ""
        pictures = f"seen in {row.seen_share:.0%}" if row.seen_share >= 0.005 else "in the map alone"
        seen = "" if row.kind == CONVERGENCE_LINE else pictures
        sure = f", sure to {row.confidence:.0%}" if row.confidence > 0 else ""  # false where it is not known
        typer.echo(f"{say_kind(row.kind):17} {show.say_distance(row.length):>9} long  {step:24} {seen}{sure}")


def print_notes(notes: list[str]) -> None:
    """Warnings of the loader, on the error stream."""
    for note in notes:
        typer.echo(f"note: {note}", err=True)


def print_paths(paths: list[Path]) -> None:
    """What was written, and which of it to open first."""
    typer.echo("\nwrote " + ", ".join(path.name for path in paths) + f" in {paths[0].parent}")
    page = next((path for path in paths if path.name == "brief.html"), None)
    if page is not None:
        typer.echo(f"open {page}")


def say_kind(name: str) -> str:
    """A kind of line or entry, or a field of the sea, in the spelling of the page.

    Unlike `searcher.tables.say_name` it leaves a convergence line its name: in a scan they are lines.
    """
    return name.replace("color", "colour")


def say_ports(trip: Trip) -> str:
    """The port, or both where the day ends in another."""
    return " to ".join(dict.fromkeys((trip.port.name, trip.last_port.name)))


def say_data(row: dict[str, Any]) -> str:
    """One line on one field of the sea."""
    age = "" if row["age"] is None else f", {row['age'] / 3600:.0f} h old at departure"
    return f"{say_kind(row['node'])}: {row['source']}{age}, {row['missing']:.0%} missing or land"


def say_product(row: dict[str, Any]) -> str:
    """One line on one product of the catalogue: how fine, how often, how old as a rule, whose."""
    late = f"usually {say_age(row['latency'])} old" if row["latency"] else "forecast"
    when = "always the same" if row["time_step"] is None else f"every {row['time_step'] / 3600:g} h, {late}"
    cover = "" if row["covers"] > 0.995 else f", {row['covers']:.0%} of the region"
    held = "" if row["held_age"] is None else f"; fetched {say_age(row['held_age'])} ago"
    what = f"{row['id']:22} {say_kind(row['field']):11} {row['step']:.3g}°"
    return f"{what}, {when}{cover}{held}  ({row['credit']})"
