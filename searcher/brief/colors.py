"""Colours of fields: cmocean's maps (perceptually even, colour-blind-safe), paler, so that ink stays legible.

Thyng et al. 2016, Oceanography 29(3):9-13.
"""

from __future__ import annotations

import warnings

import numpy as np
from matplotlib import MatplotlibDeprecationWarning
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.colors import to_hex as hex_of

with warnings.catch_warnings():  # cmocean 4.0.3 calls matplotlib 3.11 in a way that is deprecated
    warnings.simplefilter("ignore", MatplotlibDeprecationWarning)
    import cmocean

#: steps of a palette on the screen
HEX_STEPS = 96


def pale_thermal() -> LinearSegmentedColormap:
    """Of temperature: dark is cold."""
    return _paler("thermal", 0.12, 1.0)


def pale_matter() -> LinearSegmentedColormap:
    """Of floating matter: dark is much."""
    return _paler("matter", 0.0, 0.9)


def pale_balance() -> LinearSegmentedColormap:
    """Of what has two signs: white is nought."""
    return _paler("balance", 0.08, 0.92)


def pale_rate() -> LinearSegmentedColormap:
    """Of rates: dark is much."""
    return _paler("tempo", 0.0, 0.85)


def _paler(name: str, low: float, high: float) -> LinearSegmentedColormap:
    colors = getattr(cmocean.cm, name)(np.linspace(low, high, 256))
    colors[:, :3] = 0.72 * colors[:, :3] + 0.28
    return LinearSegmentedColormap.from_list(f"pale_{name}", colors)


def to_hex(colors: LinearSegmentedColormap) -> list[str]:
    """A palette of hexadecimal colours."""
    return [hex_of(color) for color in colors(np.linspace(0.0, 1.0, HEX_STEPS))]
