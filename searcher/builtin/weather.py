"""Wind and waves over the built-in sea: a summer sea breeze from the north-east, and the sea it raises."""

from __future__ import annotations

import numpy as np

from searcher.builtin.scene import START

STRONGEST_HOUR = 6.0  # UTC: five in the afternoon in Sydney
SEA_BREEZE_REACH = 250e3  # m offshore


def wind(east: np.ndarray, north: np.ndarray, time: np.datetime64) -> tuple[np.ndarray, np.ndarray]:
    """u10, v10 in m/s on the plane `east` by `north` (m), shape (north, east): from the north-east."""
    hours = (time - START) / np.timedelta64(1, "h")
    clock = 2 * np.pi * (hours + 12.0 - STRONGEST_HOUR) / 24.0
    breeze = 1.7 * np.cos(clock) * np.exp(-np.maximum(east + 80e3, 0.0) / SEA_BREEZE_REACH)
    slow = 0.7 * np.sin(2 * np.pi * hours / 90.0 + north[:, None] / 300e3)
    speed = 5.6 + breeze[None, :] + slow
    veer = np.deg2rad(42.0 + 8.0 * np.sin(2 * np.pi * hours / 70.0 + east / 400e3))[None, :]
    return -speed * np.sin(veer), -speed * np.cos(veer)


def wave_height(east: np.ndarray, north: np.ndarray, time: np.datetime64) -> np.ndarray:
    """Significant wave height in m, shape (north, east): a swell of 1.3 m under the wind sea."""
    u10, v10 = wind(east, north, time)
    hours = (time - START) / np.timedelta64(1, "h")
    swell = 1.25 + 0.12 * np.sin(2 * np.pi * hours / 110.0) + 0.08 * np.tanh(-north / 150e3)[:, None]
    wind_sea = 0.016 * (u10**2 + v10**2)
    return np.hypot(swell, wind_sea)
