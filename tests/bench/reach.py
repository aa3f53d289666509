"""Least travel times against scikit-image's MCP_Geometric, on one grid with islands, without current.

The exact times are known: the shortest way round rectangles bends only at their corners, so it comes out of
a graph of what corner sees what. (The corners are those of the open nodes around an island: between an open
and a blocked node neither side goes.) With a current scikit-image has no counterpart; the exact times are
then those of straight ways over open water.
"""

from __future__ import annotations

import numpy as np
import shapely
from scipy.sparse.csgraph import dijkstra
from skimage.graph import MCP_Geometric
from timing import print_table, ratio, read_options, say, time_in_turn

from searcher.kernels.march import EVERYWHERE, Medium, march

CELL, SPEED = 500.0, 10.0  # m, m/s
STILL, CURRENT = (0.0, 0.0), (1.2, 0.5)  # m/s
EXACT_CELLS = 20.0  # fewer than in searcher.waters; errors are those of nodes farther off
#: islands as shares of the grid: first column, first row, last column, last row
ISLANDS = (
    (0.30, 0.20, 0.38, 0.62),
    (0.50, 0.55, 0.85, 0.60),
    (0.15, 0.75, 0.45, 0.80),
    (0.62, 0.10, 0.66, 0.4),
)
START = (0.08, 0.35)


def draw_land(size: int) -> tuple[np.ndarray, list[shapely.Polygon]]:
    """Blocked nodes, and the rectangles nothing can enter, in cells."""
    blocked = np.zeros((size, size), bool)
    islands = []
    for share in ISLANDS:
        west, south, east, north = (round(part * size) for part in share)
        blocked[south : north + 1, west : east + 1] = True
        islands.append(shapely.box(west - 1, south - 1, east + 1, north + 1))
    return blocked, islands


def exact_lengths(start: np.ndarray, ends: np.ndarray, islands: list[shapely.Polygon]) -> np.ndarray:
    """Length in cells of the shortest way from a place to others around rectangles, (n, 2) arrays."""
    inside = shapely.union_all([shapely.buffer(island, -1e-6, join_style="mitre") for island in islands])
    shapely.prepare(inside)
    corners = np.concatenate([shapely.get_coordinates(island)[:4] for island in islands])
    bends = np.concatenate([[start], corners])

    def lengths(here: np.ndarray, there: np.ndarray) -> np.ndarray:
        a, b = np.broadcast_arrays(here[:, None], there[None])
        seen = ~shapely.intersects(inside, shapely.linestrings(np.stack([a, b], axis=2)))
        return np.where(seen, np.hypot(*np.moveaxis(b - a, 2, 0)), np.inf)

    between = lengths(bends, bends)
    to_bends = dijkstra(np.where(np.isfinite(between), between, 0.0), indices=0)
    return (to_bends[:, None] + lengths(bends, ends)).min(axis=0)


def exact_in_current(start: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Seconds of straight ways over open water in a steady current: |way - c t| = S t solved for t."""
    way = (ends - start) * CELL
    along, own = way @ np.array(CURRENT), SPEED**2 - np.hypot(*CURRENT) ** 2
    return (-along + np.sqrt(along**2 + own * (way**2).sum(axis=1))) / own


def errors(times: np.ndarray, exact: np.ndarray, nodes: np.ndarray) -> list[str]:
    """Mean and greatest error in percent, at some nodes (column, row)."""
    off = np.abs(times[nodes[:, 1], nodes[:, 0]] / exact - 1.0)
    return [f"{off.mean():.3%}", f"{off.max():.3%}"]


def main() -> None:
    quick = read_options(__doc__).quick
    size = 150 if quick else 1000
    blocked, islands = draw_land(size)
    column, row = start = np.array([round(share * size) for share in START])
    metres = np.full(size, CELL)
    radius = EXACT_CELLS * CELL
    costs = np.where(blocked, -1.0, 1.0 / SPEED)
    open_sea = np.zeros_like(blocked)

    def ours(where, current, hours=1):
        """Our side with as many fields of one current."""
        flow = np.broadcast_to(np.array(current), (hours, size, size, 2)).copy()
        medium = Medium(np.where(where, 0.0, SPEED)[None], flow, 0.0, 3600.0, metres, metres)
        return lambda: march(medium, 0.0, float(column), float(row), radius, EVERYWHERE)

    sides = {
        "copy (floor)": costs.copy,
        "ours": ours(blocked, STILL),
        "ours, current": ours(blocked, CURRENT),
        "ours, current of 12 hours": ours(blocked, CURRENT, hours=12),
        "MCP_Geometric": lambda: MCP_Geometric(costs, sampling=(CELL, CELL)).find_costs([(row, column)])[0],
        "ours, open water, current": ours(open_sea, CURRENT),
    }
    say("warming up, then timing")
    seconds = time_in_turn(sides, rounds=1 if quick else 7)
    say("working out the exact times")
    nodes = np.random.default_rng(1).integers(0, size, (20_000, 2))
    nodes = nodes[np.abs(nodes - start).max(axis=1) > EXACT_CELLS]
    dry = nodes[~blocked[nodes[:, 1], nodes[:, 0]]]
    exact = exact_lengths(start, dry, islands) * CELL / SPEED
    wrong = {
        "ours": errors(sides["ours"](), exact, dry),
        "MCP_Geometric": errors(sides["MCP_Geometric"](), exact, dry),
        "ours, open water, current": errors(
            sides["ours, open water, current"](), exact_in_current(start, nodes), nodes
        ),
    }
    print_table(
        f"travel times on {size} x {size} nodes of {CELL:.0f} m",
        ["", "s", "speed over MCP", "mean error", "greatest"],
        [
            [name, float(np.median(times)), ratio(seconds, "MCP_Geometric", name), *wrong.get(name, ["", ""])]
            for name, times in seconds.items()
        ],
    )


if __name__ == "__main__":
    main()
