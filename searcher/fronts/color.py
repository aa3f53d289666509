"""Changes of colour: lines along which the chlorophyll of the surface changes fastest.

Chlorophyll is log-normal (Campbell 1995, J. Geophys. Res. 100:13237-13254), so that its logarithm is looked
at, as Belkin & O'Reilly (2009, J. Mar. Syst. 78:319-326) do, by the same machinery as temperature
(`searcher.fronts.temperature`). Strength is in decades per m and the step in decades: 0.3 is a factor of two.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from searcher.fronts.temperature import KM, SMOOTHING, Kind, find_steps
from searcher.tables import COLOR_CHANGE

#: the step that counts, decades (a factor of 1.33), and the slope of water without changes, decades/m (no
#: standard is known; smoothed the step has 0.01 decades/km, as maps of chlorophyll fronts take, from memory)
LEAST_STEP, BACKGROUND = 0.125, 0.003 / KM
CHANGE = Kind(COLOR_CHANGE, LEAST_STEP, BACKGROUND)
#: less than this is below what satellites tell apart, mg/m³ (from memory)
LEAST = 0.01


def find_color_changes(picture: xr.DataArray, *, smoothing: float = SMOOTHING) -> list[dict[str, Any]]:
    """Changes of colour in one picture of chlorophyll (lat, lon), mg/m³: a list of rows for the fronts table.

    As of `find_temperature_breaks`, with `strength` in decades/m, `step` in decades, the richer, greener
    water on the left of the line, and `warm_side` "". Values of 0 and below are retrievals that failed, and
    count as missing.
    """
    decades = np.log10(picture.where(picture > 0.0).clip(min=LEAST))
    return find_steps(decades, CHANGE, smoothing=smoothing)  # type: ignore[arg-type]  # still a DataArray
