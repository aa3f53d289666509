"""A plan for changed wishes, worked out anew only where something it rests on has changed."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
import xarray as xr

from searcher.desk.wishes import Wishes, say_changes, trip_with
from searcher.errors import OutOfReach
from searcher.geo import Place, distance
from searcher.plan import Plan, make_plan, prove_plan
from searcher.trip import Trip

#: outcomes kept of each stage: going back to a wish of a little while ago costs nothing
KEPT = 6
#: a box of another ranking is the same box if it is of the same kind and its middle lies no farther off, m
SAME_BOX = 2000.0


@dataclass
class Memory:
    """Outcomes of stages by the facts they rest on (a `searcher.plan.Recall`), for one sea."""

    kept: dict[str, dict[tuple[Any, ...], Any]] = field(default_factory=dict)
    made: list[str] = field(default_factory=list)  # stages worked out, in order

    def __call__(self, stage: str, facts: tuple[Any, ...], make: Callable[[], Any]) -> Any:
        outcomes = self.kept.setdefault(stage, {})
        if facts not in outcomes:
            self.made.append(stage)
            outcomes[facts] = make()
            while len(outcomes) > KEPT:
                del outcomes[next(iter(outcomes))]
        return outcomes[facts]


@dataclass(frozen=True)
class WhatIf:
    """A wish and the plan that came of it; `made` are the stages that had to be worked out."""

    wishes: Wishes
    plan: Plan
    made: tuple[str, ...]
    notes: tuple[str, ...] = ()


class Desk:
    """The trip and sea of a morning, and what has been worked out of them so far."""

    def __init__(self, trip: Trip, sea: xr.DataTree) -> None:
        self.trip, self.sea, self.memory = trip, sea, Memory()
        self.beside = ThreadPoolExecutor(1, thread_name_prefix="prove")  # for what nobody waits for

    def plan(self, wishes: Wishes, before: WhatIf | None = None, *, prove: bool = True) -> WhatIf:
        """What comes of some wishes: the plan `make_plan` makes of the changed trip.

        before: the plan whose numbers the pinned and banned boxes bear; where the ranking has changed since,
        they are found again by kind and place, and `wishes` of the result bears the new numbers. prove: as of
        `make_plan`; `Desk.prove` does it afterwards.
        Raises as `make_plan`, and `OutOfReach` where a pinned box is no longer in the ranking.
        """
        self.memory.made.clear()
        trip = trip_with(self.trip, wishes)
        pinned, banned = set(wishes.pinned), set(wishes.banned)
        notes: list[str] = []

        def recall(stage: str, facts: tuple[Any, ...], make: Callable[[], Any]) -> Any:
            outcome = self.memory(stage, facts, make)
            if stage == "boxes" and before is not None and outcome is not before.plan.boxes:
                _renumber(pinned, before.plan.boxes, outcome, lost=_refuse)
                _renumber(banned, before.plan.boxes, outcome, lost=notes.append)
            return outcome

        # the sets are read only after the boxes are ranked
        plan = make_plan(trip, self.sea, pinned=pinned, banned=banned, prove=prove, recall=recall)
        wishes = replace(wishes, pinned=frozenset(pinned), banned=frozenset(banned))
        return WhatIf(wishes, plan, tuple(self.memory.made), tuple(notes))

    @staticmethod
    def prove(found: WhatIf) -> WhatIf:
        """The same with its proof (`searcher.plan.prove_plan`), which another thread may work out."""
        wishes = found.wishes
        return replace(found, plan=prove_plan(found.plan, pinned=wishes.pinned, banned=wishes.banned))

    def with_notes(self, found: WhatIf) -> Plan:
        """The plan, which says in its cautions where it departs from the trip file."""
        said = say_changes(self.trip, found.wishes)
        if not said:
            return found.plan
        note = f"Planned at the desk, not as the trip file says: {'; '.join(said)}."
        # the tank of the plan's boat holds no more than was wished (`searcher.desk.wishes`)
        settings = found.plan.settings | {"tank": self.trip.boat.tank}
        return replace(found.plan, cautions=(note, *found.notes, *found.plan.cautions), settings=settings)


def _renumber(
    ranks: set[int], before: gpd.GeoDataFrame, now: gpd.GeoDataFrame, *, lost: Callable[[str], None]
) -> None:
    """Give numbers of one ranking those of the same boxes in another, in place."""
    if not ranks:
        return
    found = {rank: same_box(rank, before, now) for rank in sorted(ranks)}
    ranks.clear()
    ranks.update(number for number in found.values() if number is not None)
    for rank, number in found.items():
        if number is None:
            lost(f"Box {rank} of the ranking before is no longer among the boxes.")


def _refuse(text: str) -> None:
    raise OutOfReach(f"{text.removesuffix('.')}, but it is pinned", hint="Free it, or take the change back")


def same_box(rank: int, before: gpd.GeoDataFrame, now: gpd.GeoDataFrame) -> int | None:
    """The number of a box in another ranking: the nearest of its kind within `SAME_BOX`; None if none is."""
    was = before[before["rank"] == rank].iloc[0]
    alike = now[now["kind"] == was["kind"]]
    away = [distance(_middle(was["line"]), _middle(line)) for line in alike["line"]]
    if not away or min(away) > SAME_BOX:
        return None
    return int(alike["rank"].iloc[int(np.argmin(away))])


def _middle(line: shapely.Geometry) -> Place:
    return Place(*shapely.line_interpolate_point(line, 0.5, normalized=True).coords[0])


def work_order(plan: Plan) -> list[int]:
    """Numbers of the boxes of the day, in order."""
    return [int(box) for box in plan.stays["box"]]


def say_order(before: Plan, now: Plan) -> str:
    """How the boxes of the day have changed, in words and in the numbers of now; "" where they have not."""
    new = work_order(now)
    was = [same_box(rank, before.boxes, now.boxes) for rank in work_order(before)]
    if was == new:
        return ""
    left = [str(number) for number in was if number is not None]
    gone, boxes = len(was) - len(left), "1 box" if len(was) == 1 else f"{len(was)} boxes"
    told = ", ".join(left) or "none"
    if gone:
        lost = f"{gone} that {'is' if gone == 1 else 'are'} gone"
        told = f"{told}, and {lost}" if left else f"{boxes}, none of which is left"
    return f"Order of the day now: {', '.join(map(str, new)) or 'none'}. Before: {told}."
