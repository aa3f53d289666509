"""The burn curve against scipy's monotone interpolation, which it stands for."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from searcher.trip.curve import Curve

step = st.floats(0.1, 20.0)
# rounded: scipy divides by slopes, which overflows where one is next to nothing
rise = st.floats(-5.0, 5.0).map(lambda value: round(value, 6))
rows = st.lists(st.tuples(step, rise), min_size=2, max_size=8)


@settings(deadline=None)
@given(rows)
def test_curve_is_that_of_scipy(rows):
    x, y = np.cumsum([dx for dx, _ in rows]), np.cumsum([dy for _, dy in rows])
    at = np.concatenate([x, np.linspace(x[0], x[-1], 101)])
    np.testing.assert_allclose(Curve(x, y)(at), PchipInterpolator(x, y)(at), rtol=1e-9, atol=1e-9)


def test_one_speed_gives_one_burn():
    curve = Curve([2.0, 4.0, 10.0], [1.0, 2.5, 9.0])
    assert curve(3.0).shape == ()
    assert float(curve(4.0)) == pytest.approx(2.5, rel=1e-14)
