"""Wind and waves over the built-in sea: a summer sea breeze from the north-east, and the sea it raises."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from searcher.builtin.scene import START

STRONGEST_HOUR = 6.0  # UTC: five in the afternoon in Sydney
SEA_BREEZE_REACH = 250e3  # m offshore


class Weather(NamedTuple):
    """What sets one week's weather apart: phases (rad) of the slow changes of speed, direction and swell."""

    speed: float
    direction: float
    swell: float


def draw_weather(rng: np.random.Generator) -> Weather:
    """A week's weather at random."""
    return Weather(*rng.uniform(0.0, 2 * np.pi, 3))


def wind(
    weather: Weather, east: np.ndarray, north: np.ndarray, time: np.datetime64
) -> tuple[np.ndarray, np.ndarray]:
    """u10, v10 in m/s on the plane `east` by `north` (m), shape (north, east): from the north-east."""
    hours = (time - START) / np.timedelta64(1, "h")
    clock = 2 * np.pi * (hours + 12.0 - STRONGEST_HOUR) / 24.0
    breeze = 1.7 * np.cos(clock) * np.exp(-np.maximum(east + 80e3, 0.0) / SEA_BREEZE_REACH)
    slow = 0.7 * np.sin(2 * np.pi * hours / 90.0 + north[:, None] / 300e3 + weather.speed)
    speed = 5.6 + breeze[None, :] + slow
    turn = np.sin(2 * np.pi * hours / 70.0 + east / 400e3 + weather.direction)
    veer = np.deg2rad(42.0 + 8.0 * turn)[None, :]
    return -speed * np.sin(veer), -speed * np.cos(veer)


def wave_height(weather: Weather, east: np.ndarray, north: np.ndarray, time: np.datetime64) -> np.ndarray:
    """Significant wave height in m, shape (north, east): a swell of 1.3 m under the wind sea."""
    u10, v10 = wind(weather, east, north, time)
    hours = (time - START) / np.timedelta64(1, "h")
    slow = 0.12 * np.sin(2 * np.pi * hours / 110.0 + weather.swell)
    swell = 1.25 + slow + 0.08 * np.tanh(-north / 150e3)[:, None]
    wind_sea = 0.016 * (u10**2 + v10**2)
    return np.hypot(swell, wind_sea)
