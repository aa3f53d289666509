"""A review written down: as text, picture and JSON."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from searcher.files import whole_file, write_text
from searcher.learn import poisson_interval
from searcher.learn.season import REVIEW, VERSION
from searcher.reviewing import KEPT, Review
from searcher.tables import say_name
from searcher.units import HOUR

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def write_review(found: Review, folder: str | os.PathLike[str]) -> list[Path]:
    """Write review.txt, review.png and review.json (and learned.toml with consent); return their paths."""
    folder = Path(folder)
    paths = [
        write_text(folder / "review.txt", "\n".join(say_review(found)) + "\n"),
        draw_reliability(found, folder / "review.png"),
        write_text(folder / REVIEW, json.dumps(review_facts(found), indent=1)),
    ]
    if found.learned:
        paths.append(write_text(folder / "learned.toml", found.learned))
    return paths


def review_facts(found: Review) -> dict[str, Any]:
    """A review for a program, and for later trips: inside units, UTC."""

    def records(table: pd.DataFrame) -> list[dict[str, Any]]:
        """Rows for JSON, which has no word for what is not a number."""
        rows = table.astype(object).where(table.notna(), None).to_dict("records")
        return [{str(name): value for name, value in row.items()} for row in rows]

    lines = found.lines.drop(columns="front")
    lines = lines.assign(time=[f"{time.isoformat()}Z" for time in lines["time"]])
    stretches = found.stretches[["box", *KEPT]]
    begun = [f"{time.isoformat()}Z" for time in found.stretches["time"]]
    return {
        "version": VERSION,
        "species": found.plan.profile.name,
        "left": f"{found.plan.trip.window.start}Z",
        "lines": records(lines),
        "named": found.named,
        "missed": list(found.missed),
        "expected": found.expected,
        "met": found.met,
        "stray_encounters": found.strays,
        "reliability": records(found.table),
        "others": found.others,
        "season": None if found.season is None else records(found.season),
        "season_trips": found.trips,
        "learned_from_trips": found.plan.learned_from,
        "temperature_bias": found.bias._asdict() | {"readings": found.readings},
        "stretches": records(stretches.astype(float).assign(time=begun)),
    }


def say_review(found: Review) -> list[str]:
    """The review in words."""
    trip = found.plan.trip
    said = [f"{trip.port.name}, {trip.show.say_time(trip.window.start)}: forecast against log", ""]
    return [
        *said,
        *_say_lines(found),
        "",
        *_say_encounters(found),
        "",
        *_say_temperature(found),
        *([f"Left out of this folder's log, of other days: {found.others}."] if found.others else []),
        *_say_season(found),
    ]


def _say_lines(found: Review) -> Iterator[str]:
    show, lines = found.plan.trip.show, found.lines
    for row in lines.itertuples():
        box = f" (box {row.number})" if row.number else ""
        yield (
            f"{say_name(row.met).capitalize()} at {show.say_clock(row.time)} lay "
            f"{show.say_distance(row.offset)} {row.towards} of the forecast {say_name(row.kind)}{box}, "
            f"which was good to {show.say_distance(row.doubt)}: {_say_off(row.off)}."
        )
    if lines.empty and not found.named:
        yield "No forecast line was met, or none was written down."
    elif len(lines) > 1:
        usual = math.sqrt(float((lines["off"] ** 2).mean()))
        yield (
            f"On the whole these {len(lines)} lay {usual:.1f} times as far off as was forecast: 1 is as it "
            "should be, much more means that the forecast promised too much."
        )
    if found.named:
        entries = "1 entry" if found.named == 1 else f"{found.named} entries"
        yield f"Of {entries} placed by the number of a box nothing is known of how far off the line lay."
    if found.missed:
        numbers = ", ".join(map(str, found.missed))
        yield f"Trolled without a line written down: box {numbers}."


def _say_off(off: float) -> str:
    """How far off a line lay, in doubts of its forecast (`Review.off`)."""
    return "within that" if off <= 1.0 else f"{off:.1f} times that"


def _say_encounters(found: Review) -> Iterator[str]:
    if found.strays:
        came = "1 encounter" if found.strays == 1 else f"{found.strays} encounters"
        yield f"{came.capitalize()} came during no stretch written down: of rates that tells nothing."
    if found.stretches.empty:
        yield "No stretch was written down as trolled: what was expected cannot be compared."
        return
    hours = found.stretches["duration"].sum() / HOUR
    low, high = poisson_interval(found.met)
    inside = "as expected, as far as so few can tell" if low <= found.expected <= high else "not as expected"
    yield (
        f"Encounters in {hours:.1f} h trolled: expected {found.expected:.2f}, met {found.met} (which may "
        f"stand for {low:.1f} to {high:.1f}): {inside}."
    )
    yield from _say_table(found.table)


def _say_table(table: pd.DataFrame) -> Iterator[str]:
    yield "expected an hour   hours   expected   met   may stand for (8 times in 10)"
    for row in table.itertuples():
        yield (
            f"{row.rate:16.2f} {row.duration / HOUR:7.1f} {row.expected:10.2f} {row.observed:5.0f}   "
            f"{row.observed_low:.1f} to {row.observed_high:.1f}"
        )


def _say_temperature(found: Review) -> Iterator[str]:
    if not found.readings:
        yield "No water temperature was written down."
        return
    show, way = found.plan.trip.show, "warmer" if found.bias.mean >= 0 else "colder"
    yield (
        f"The sea was {show.say_step(abs(found.bias.mean))} {way} than the map, to "
        f"{show.say_step(found.bias.sd)} ({found.readings} reading{'s' if found.readings > 1 else ''})."
    )


def _say_season(found: Review) -> Iterator[str]:
    trips = found.plan.learned_from
    if trips:
        yield f"The plan's weights had learned from {_say_trips(trips, 'of your own ')}."
    if found.season is None:
        if found.plan.trip.learn.from_log:  # but there is no stretch to learn from
            return
        yield (
            "This trip learns from no log: [learn] from_log in trip.toml is false. Later trips whose file "
            "says true count this one."
        )
        return
    yield f"The season, {_say_trips(found.trips + 1, 'reviewed ')} with this one:"
    yield from _say_table(found.season)
    yield (
        "The next plan with [learn] from_log = true learns from the same trips. learned.toml is the profile "
        "they make, to look at or to name as a species. All stays on this machine."
    )


def _say_trips(count: int, which: str = "") -> str:
    """So many trips."""
    return f"{count} {which}trip{'s' if count > 1 else ''}"


def draw_reliability(found: Review, path: str | os.PathLike[str]) -> Path:
    """Draw encounters expected and met, today's and the season's, as PNG."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 5.2), dpi=130, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    tables = [("today", found.table, "#0b3c5d", "o")]
    if found.season is not None and found.trips:  # a season of today alone is today
        tables.insert(0, (f"season, {_say_trips(found.trips + 1)}", found.season, "#b8860b", "s"))
    top = 0.1
    for label, table, color, marker in tables:
        top = max(top, _draw_table(axes, table, label=label, color=color, marker=marker))
    axes.plot([0.0, top], [0.0, top], color="#555555", linewidth=1.0, linestyle="--", label="as expected")
    axes.set(xlim=(0.0, None), ylim=(0.0, None), xlabel="expected encounters an hour")
    axes.set_ylabel("met an hour, and what that may stand for (8 times in 10)")
    axes.set_title(f"{found.plan.trip.port.name}: {found.plan.profile.name}, expected and met", loc="left")
    axes.legend(frameon=False, loc="upper left")
    axes.spines[["top", "right"]].set_visible(False)
    with whole_file(path) as partial:
        figure.savefig(partial, format="png")
    return Path(path)


def _draw_table(axes: Axes, table: pd.DataFrame, *, label: str, color: str, marker: str) -> float:
    """One reliability table as points with intervals, their numbers of hours beside; the highest rate."""
    hours = table["duration"].to_numpy() / HOUR
    known = hours > 0
    rows, hours = table[known], hours[known]
    if rows.empty:
        return 0.0
    rate, seen = rows["rate"].to_numpy(), rows["observed"].to_numpy() / hours
    low, high = rows["observed_low"].to_numpy() / hours, rows["observed_high"].to_numpy() / hours
    axes.errorbar(
        rate,
        seen,
        yerr=[seen - low, high - seen],
        fmt=marker,
        color=color,
        capsize=4,
        label=label,
        clip_on=False,
    )
    for x, y, n in zip(rate, high, hours, strict=True):
        axes.annotate(
            f"{n:.1f} h", (x, y), textcoords="offset points", xytext=(0, 5), ha="center", color=color
        )
    return float(rate.max()) * 1.1
