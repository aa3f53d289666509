"""Species profiles: what is known of where a fish is met, as data with its sources.

A profile is a TOML file (in `searcher/profiles`, or the user's own). Each piece of evidence has a `weight`
(its share of ln rate per unit of its feature), an `sd` (how unsure the weight is) and a `source`.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import numpy as np

from searcher.errors import TripError

#: the pieces of evidence, in the order they are shown; each is a section of a profile
PIECES = (
    *("temperature", "break", "convergence", "weed", "coincidence", "persistence"),
    *("color", "depth", "edge", "doubt"),
)
#: what each piece needs beside `weight`, `sd` and `source`
SETTINGS = {
    "temperature": ("low", "high", "width"),
    "convergence": ("share",),
    "color": ("clear",),
    "edge": ("steep",),
    "doubt": ("sweep",),
}
#: settings that are sizes
POSITIVE = ("width", "share", "clear", "steep", "sweep")
#: a matrix of correlations may be off by so much from rounding
ROUNDING = 1e-4


def numbers_of(piece: str) -> tuple[str, ...]:
    """Keys of the numbers that a piece of evidence must have."""
    return ("weight", "sd", *SETTINGS.get(piece, ()))


@dataclass(frozen=True)
class Profile:
    """A species profile: base rate and weights, each with mean, spread and source.

    correlation: of the base and the weights, in the order of ("base", *PIECES); empty where they are
    independent, as they are until something has been learned of them together. learned: digests of the trips
    it has learned from, so that none counts twice (`searcher.learn.season`).
    """

    name: str
    sections: dict[str, dict[str, Any]]
    correlation: list[list[float]] = field(default_factory=list)
    learned: list[str] = field(default_factory=list)

    def weight(self, piece: str) -> float:
        return self.sections[piece]["weight"]

    def spread(self, piece: str) -> float:
        return self.sections[piece]["sd"]

    def covariance(self) -> np.ndarray:
        """Of the base and the weights, (1 + pieces, 1 + pieces)."""
        sd = np.array([self.sections["base"]["sd"], *map(self.spread, PIECES)], dtype=float)
        return np.outer(sd, sd) * (np.array(self.correlation) if self.correlation else np.eye(sd.size))

    def setting(self, piece: str, key: str) -> float:
        return self.sections[piece][key]


def read_profile(species: str, folder: Path | None = None) -> Profile:
    """The profile of a species by name, or of a TOML file (relative to `folder`); every fault at once."""
    path: Path | Traversable
    if species.endswith(".toml"):
        path = (folder or Path()) / species
    else:
        path = files("searcher") / "profiles" / f"{species}.toml"
    if not path.is_file():
        known = sorted(p.name.removesuffix(".toml") for p in (files("searcher") / "profiles").iterdir())
        raise TripError(
            "[target] species: no such profile",
            given=species,
            expected=f"{', '.join(known)}, or a .toml file",
        )
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise TripError(
            f"{path.name} is not plain text in UTF-8", hint="Save it as UTF-8, as any editor can"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise TripError(f"{path.name} is not valid TOML: {error}") from error
    wanted = {piece: numbers_of(piece) for piece in PIECES}
    wanted["base"] = ("mean", "sd")
    problems = [fault for section, keys in wanted.items() for fault in _section_faults(section, keys, raw)]
    correlation = raw.get("correlation", [])
    problems += _correlation_faults(correlation)
    learned = raw.get("learned", [])
    if not (isinstance(learned, list) and all(isinstance(digest, str) for digest in learned)):
        problems.append(f"learned: given {learned!r}, expected a list of texts, as review writes them")
    if problems:
        raise TripError.of_problems(path.name, problems)
    sections = {section: raw[section] for section in wanted}
    return Profile(str(raw.get("name", species)), sections, correlation, learned)


def _correlation_faults(given: Any) -> list[str]:
    """What is wrong with the correlations of a profile; nothing if there are none."""
    if given == []:
        return []
    size = 1 + len(PIECES)
    expected = (
        f"expected {size} rows of {size} numbers, symmetric, 1 on the diagonal: base, {', '.join(PIECES)}"
    )
    try:
        matrix = np.array(given, dtype=float)
    except (TypeError, ValueError):
        return [f"correlation: {expected}"]
    if matrix.shape != (size, size):
        return [f"correlation: given an array of {matrix.shape}, {expected}"]
    even = np.allclose(matrix, matrix.T, atol=ROUNDING) and np.allclose(np.diag(matrix), 1.0, atol=ROUNDING)
    if not even or np.linalg.eigvalsh(matrix).min() < -ROUNDING * size:
        return [f"correlation: not one of weights that can be, {expected}"]
    return []


def _section_faults(name: str, keys: tuple[str, ...], raw: Mapping[str, Any]) -> list[str]:
    """Everything that is wrong with one section."""
    section = raw.get(name)
    if not isinstance(section, dict):
        return [f"[{name}]: given {section!r}, expected a section with {', '.join(keys)}"]
    faults = []
    for key in keys:
        value = section.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            faults.append(f"[{name}] {key}: given {value!r}, expected a number")
        elif (key in POSITIVE and value <= 0) or (key == "sd" and value < 0):
            least = "0 or more" if key == "sd" else "over 0"
            faults.append(f"[{name}] {key}: given {value!r}, expected a number {least}")
        elif key == "share" and value > 1:
            faults.append(f"[{name}] {key}: given {value!r}, expected no more than 1")
    for key in section.keys() - set(keys):
        if not isinstance(section[key], str | int | float | list):
            faults.append(
                f"[{name}] {key}: given {section[key]}, expected text in quotes, a number or a list"
            )
    if not faults and {"low", "high"} <= set(keys) and section["low"] > section["high"]:
        faults.append(f"[{name}] low: given {section['low']}, expected no more than high, {section['high']}")
    return faults
