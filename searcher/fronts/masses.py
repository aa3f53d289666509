"""Two water masses, window by window: the histogram test over a whole picture."""

from __future__ import annotations

import numpy as np
import xarray as xr

from searcher.kernels import histogram
from searcher.sea import check_picture


def find_water_masses(
    picture: xr.DataArray,
    *,
    size: int = histogram.SIZE,
    step: int = histogram.STEP,
    least_difference: float = histogram.LEAST_DIFFERENCE,
) -> xr.Dataset:
    """In what share of the windows around it a pixel of a picture (lat, lon) stands between two water masses.

    The single-image test of Cayula & Cornillon (1992, J. Atmos. Oceanic Technol. 9:67-80) on the means of
    3 x 3 pixels, in overlapping windows: `size` cells square, `step` cells from one to the next.
    least_difference: of the means of the two, in the picture's unit, such as °C.
    Returns, on the picture's grid, `windows` (tested windows that hold the pixel), `boundaries` (in how many
    of them it has a neighbour of the other water mass) and `share`, NaN where no window was tested. Raises
    `SeaError` for a picture that is not (lat, lon).
    """
    check_picture(picture)
    field = np.ascontiguousarray(picture.values, dtype=np.float32)
    wanted = np.ones(histogram.window_count(field.shape, size=size, step=step), bool)
    smooth = histogram.smooth_windows(field, wanted, size, step)
    windows, boundaries, *_ = histogram.find_populations(
        smooth, wanted, size, step, difference=least_difference
    )
    share = np.where(windows > 0, boundaries / np.maximum(windows, 1), np.nan)
    fields = {"windows": windows, "boundaries": boundaries, "share": share}
    return xr.Dataset(
        {name: (picture.dims, values) for name, values in fields.items()},
        coords={name: picture[name] for name in picture.dims},
    )
