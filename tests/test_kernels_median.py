"""The contextual median of Belkin & O'Reilly (2009, J. Mar. Syst. 78:319-326), against twins and scipy."""

from __future__ import annotations

import itertools

import numba
import numpy as np
import pytest
from scipy.ndimage import median_filter
from seas import random_field

from searcher.kernels.median import LEAST_KNOWN, TILE_COLUMNS, TILE_ROWS, contextual_median

SLICES = ((0, 1), (1, 0), (1, 1), (1, -1))


def shifted(field, dj, di):
    """The field's value dj rows and di columns on; NaN outside it."""
    padded = np.pad(field, 2, constant_values=np.nan)
    return padded[2 + dj : 2 + dj + field.shape[0], 2 + di : 2 + di + field.shape[1]]


def is_extreme(field, others):
    """Whether a value is above all known others, or below all of them."""
    return ~np.any([o >= field for o in others], axis=0) | ~np.any([o <= field for o in others], axis=0)


def spikes_of(field):
    """Where a node is an extreme of its 3 x 3 and not of all four slices of five."""
    around = [shifted(field, *d) for d in itertools.product((-1, 0, 1), repeat=2) if d != (0, 0)]
    slices = [[shifted(field, k * dj, k * di) for k in (-2, -1, 1, 2)] for dj, di in SLICES]
    tip = np.all([is_extreme(field, others) for others in slices], axis=0)
    known = 1 + np.isfinite(around).sum(axis=0)
    return np.isfinite(field) & is_extreme(field, around) & ~tip & (known >= LEAST_KNOWN)


def coarse_field(shape, *, gaps, seed):
    """Noise rounded to few values, so that ties are common, float32."""
    return np.round(4.0 * random_field(shape, gaps=gaps, seed=seed)).astype(np.float32) / 4.0


@pytest.mark.parametrize("gaps", [0.0, 0.1, 0.5])
@pytest.mark.parametrize(
    "shape",
    [(40, 50), (1, 1), (2, 30), (30, 1), (2 * TILE_ROWS + 3, TILE_COLUMNS + 5), (TILE_ROWS, TILE_COLUMNS)],
)
def test_contextual_median_is_that_of_its_twin(shape, gaps):
    field = coarse_field(shape, gaps=gaps, seed=3)
    nine = np.array([shifted(field, *d) for d in itertools.product((-1, 0, 1), repeat=2)])
    spikes = spikes_of(field)
    cleaned = contextual_median(field)
    assert cleaned.dtype == np.float32
    np.testing.assert_array_equal(cleaned[~spikes], field[~spikes])
    np.testing.assert_array_equal(cleaned[spikes], np.nanmedian(nine[:, spikes], axis=0))
    assert shape != (40, 50) or spikes.sum() > 50


def test_replaced_values_are_those_of_scipy_to_the_bit():
    field = random_field((150, 1100), gaps=0.0, seed=4).astype(np.float32)
    inner = np.s_[1:-1, 1:-1]  # scipy mirrors the field at its rim
    spikes = spikes_of(field)[inner]
    assert spikes.mean() > 0.05
    plain = median_filter(field, size=3)[inner]
    cleaned = contextual_median(field)[inner]
    assert (cleaned.view(np.int32)[spikes] == plain.view(np.int32)[spikes]).all()
    assert (cleaned.view(np.int32)[~spikes] == field[inner].view(np.int32)[~spikes]).all()


def test_a_lone_spike_in_a_constant_field_is_kept():
    """It is an extreme of all four slices: the tip of something."""
    field = np.full((9, 9), 20.0, np.float32)
    field[4, 4] = 25.0
    np.testing.assert_array_equal(contextual_median(field), field)


def test_a_spike_beside_a_larger_value_two_cells_on_is_replaced():
    field = np.full((9, 11), 20.0, np.float32)
    field[4, 4] = 25.0
    field[4, 6] = 26.0
    cleaned = contextual_median(field)
    assert cleaned[4, 4] == 20.0
    cleaned[4, 4] = 25.0
    np.testing.assert_array_equal(cleaned, field)


def test_a_step_and_a_ramp_are_left_alone():
    j, i = np.indices((30, 40))
    for field in (np.where(i < 17, 18.0, 21.0), 0.1 * i - 0.2 * j, np.where(i > j, 1.0, 0.0)):
        np.testing.assert_array_equal(contextual_median(field.astype(np.float32)), field.astype(np.float32))


@pytest.mark.parametrize("turn", [np.fliplr, np.flipud, np.transpose, np.rot90])
def test_contextual_median_has_the_symmetries_of_the_square(turn):
    field = coarse_field((80, 530), gaps=0.2, seed=5)
    turned = contextual_median(np.ascontiguousarray(turn(field)))
    np.testing.assert_array_equal(turned, turn(contextual_median(field)))


def test_contextual_median_does_not_depend_on_threads():
    field = coarse_field((200, 700), gaps=0.2, seed=6)
    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        alone = contextual_median(field)
    finally:
        numba.set_num_threads(before)
    np.testing.assert_array_equal(alone, contextual_median(field))
