"""What the verbs print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from searcher.plan import Plan
    from searcher.trip import Trip


def summary(made: Plan) -> dict:
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
        "turn_for_home": None if made.legs.empty else f"{made.turn_for_home}Z",
        "cautions": list(made.cautions),
    }


def print_plan(made: Plan) -> None:
    """The plan in a few lines: cautions, the order of the day, when to turn for home."""
    show = made.trip.show
    for caution in made.cautions:
        typer.echo(f"caution: {caution}")
    if made.legs.empty:
        return
    typer.echo("")
    for leg in made.legs.itertuples():
        if leg.kind in ("lines up", "lines in"):
            continue
        where = f"box {leg.box}" if leg.box else ""
        typer.echo(
            f"{show.say_clock(leg.start)}-{show.say_clock(leg.end)}  {leg.kind:6} {where:7} "
            f"{show.say_distance(leg.distance):>9} at {show.say_speed(leg.speed):>8}, "
            f"{show.say_fuel(leg.fuel_left):>7} left"
        )
    first = made.boxes[made.boxes["rank"] == made.legs.iloc[0]["box"]].iloc[0]
    typer.echo(f"\nFirst to box {first['rank']}: {first['why']}")
    typer.echo(f"Turn for home from the last box by {show.say_time(made.turn_for_home)} at the latest.")


def print_fronts(fronts, trip: Trip) -> None:
    """One line per front."""
    from searcher.tables import CONVERGENCE_LINE

    show = trip.show
    for row in fronts.itertuples():
        step = f"{show.say_step(row.step)}, warm {row.warm_side}" if row.warm_side else ""
        seen = "" if row.kind == CONVERGENCE_LINE else f"seen in {row.seen_share:.0%}"
        sure = f", sure to {row.confidence:.0%}" if row.confidence > 0 else ""  # false where it is not known
        typer.echo(f"{row.kind:17} {show.say_distance(row.length):>9} long  {step:24} {seen}{sure}")


def print_notes(notes: list[str]) -> None:
    """Warnings of the loader, on the error stream."""
    for note in notes:
        typer.echo(f"note: {note}", err=True)


def print_paths(paths: list[Path]) -> None:
    """What was written, and which of it to open first."""
    typer.echo("\nwrote " + ", ".join(path.name for path in paths) + f" in {paths[0].parent}")
    page = next((path for path in paths if path.suffix == ".html"), None)
    if page is not None:
        typer.echo(f"open {page}")


def say_data(row: dict) -> str:
    """One line on one field of the sea."""
    age = "" if row["age"] is None else f", {row['age'] / 3600:.0f} h old at departure"
    return f"{row['node']}: {row['source']}{age}, {row['missing']:.0%} missing or land"


def say_product(row: dict) -> str:
    """One line on one product of the catalogue: how fine, how often, how old as a rule, whose."""
    late = f"{row['latency'] / 3600:.0f} h old" if row["latency"] else "forecast"
    when = "always the same" if row["time_step"] is None else f"every {row['time_step'] / 3600:g} h, {late}"
    cover = "" if row["covers"] > 0.995 else f", {row['covers']:.0%} of the region"
    held = "" if row["held_age"] is None else f"; fetched {row['held_age'] / 3600:.0f} h ago"
    return f"{row['id']:22} {row['field']:11} {row['step']:.3g}°, {when}{cover}{held}  ({row['credit']})"
