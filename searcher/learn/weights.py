"""Bites and blanks to weights: a Bayesian Poisson regression.

Encounters along a trolled stretch are counted as Poisson, with ln rate a weighted sum of evidence
(`searcher.score`); the weights have a normal prior (a species profile) and, after the stretches of a day or
of a season, a posterior (McCullagh & Nelder 1989, *Generalized Linear Models*, ch. 6, for the likelihood).
It is taken as normal with the curvature at its peak (Laplace's approximation) and, since counts make it lean,
with its mean to second order (Lindley 1980, Trab. Estad. Investig. Oper. 31:223-245; Tierney & Kadane 1986,
J. Am. Stat. Assoc. 81:82-86; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from searcher.errors import TableError
from searcher.profile import PIECES, Profile
from searcher.score import log_normal_rate
from searcher.units import HOUR

BASE = "base"
#: ln rates are kept under this while the peak is looked for, against overflow
HIGHEST = 30.0
#: Newton's steps end when the square of the next, in standard deviations, is under this
MOST_STEPS, CLOSE = 100, 1e-16


@dataclass(frozen=True)
class Weights:
    """Weights of ln rate (encounters per hour), jointly normal.

    names: "base" (the ln rate where all features are 0) and pieces of evidence, (k,); mean: (k,);
    covariance: (k, k).
    """

    names: tuple[str, ...]
    mean: np.ndarray
    covariance: np.ndarray

    @property
    def sd(self) -> np.ndarray:
        """Standard deviation of each weight by itself, (k,)."""
        return np.sqrt(np.diag(self.covariance))


def prior_weights(profile: Profile) -> Weights:
    """The weights of a species profile, each with its mean and spread, and correlated as it says."""
    mean = [profile.sections[BASE]["mean"], *map(profile.weight, PIECES)]
    return Weights((BASE, *PIECES), np.array(mean, dtype=float), profile.covariance())


def update_weights(prior: Weights, stretches: pd.DataFrame) -> Weights:
    """The weights after stretches of trolling: their posterior mean and covariance.

    stretches: as for `find_peak`. The mean is the peak moved by half of covariance times the third derivative
    of the log posterior: for counts, -½ Σ Xᵀ(μ∘h), with μ the expected counts and h the variances of ln rate.
    """
    peak = find_peak(prior, stretches)
    design = _design(prior.names, stretches)
    variance = np.einsum("ij,jk,ik->i", design, peak.covariance, design)
    log_rate = design @ peak.mean + _offset(stretches)
    expected = _sizes(stretches, "duration") / HOUR * np.exp(np.minimum(log_rate, HIGHEST))
    return replace(peak, mean=peak.mean - peak.covariance @ design.T @ (expected * variance) / 2)


def find_peak(prior: Weights, stretches: pd.DataFrame) -> Weights:
    """The most probable weights after stretches of trolling, and the inverse of the curvature there.

    stretches: a row each, with `duration` (s), `encounters` (count), a column for every piece of evidence
    with its feature, and, where there is one, `offset`: what else is known to add to ln rate there
    (`searcher.learn.hints`). Encounters in no time at all tell nothing, since how long was trolled for them
    is not known: over every time alike (a density of 1/t) their likelihood is the same whatever the rate.
    Raises `TableError` where a column is missing, or a value is not a number or under 0.
    """
    design = _design(prior.names, stretches)
    duration, count = (_sizes(stretches, name) for name in ("duration", "encounters"))
    exposure, count = duration / HOUR, np.where(duration > 0.0, count, 0.0)
    root = _root(prior.covariance)
    steep = design @ root  # whitened: weights = mean + root @ z, with z standard normal beforehand
    fixed = design @ prior.mean + _offset(stretches)
    z = np.zeros(len(prior.names))
    for _ in range(MOST_STEPS):
        expected = exposure * np.exp(np.minimum(fixed + steep @ z, HIGHEST))
        slope = steep.T @ (count - expected) - z
        bend = (steep.T * expected) @ steep + np.eye(z.size)
        step = np.linalg.solve(bend, slope)
        if slope @ step < CLOSE:
            break
        z = _uphill(z, step, fixed=fixed, steep=steep, exposure=exposure, count=count)
    return Weights(prior.names, prior.mean + root @ z, root @ np.linalg.inv(bend) @ root.T)


def posterior_rate(weights: Weights, features: pd.DataFrame) -> dict[str, np.ndarray]:
    """Encounters per hour at rows of features: `expected`, and its 10 % and 90 % points, `_low` and `_high`.

    ln rate is normal, so the rate is log-normal: mean exp(μ + σ²/2) (as `searcher.score.expected_rate`, with
    the covariance of the weights taken in). A column `offset` adds to ln rate.
    """
    design = _design(weights.names, features)
    return log_normal_rate(design @ weights.mean + _offset(features), design, weights.covariance)


def learned_profile(profile: Profile, weights: Weights) -> Profile:
    """The profile with the means, spreads and correlations of `weights`."""
    sections = {name: dict(section) for name, section in profile.sections.items()}
    for name, mean, sd in zip(weights.names, weights.mean, weights.sd, strict=True):
        sections[name] |= {"mean" if name == BASE else "weight": float(mean), "sd": float(sd)}
    sd = np.where(weights.sd > 0.0, weights.sd, 1.0)  # what is known for sure goes with nothing
    correlation = weights.covariance / np.outer(sd, sd)
    np.fill_diagonal(correlation, 1.0)
    return replace(profile, sections=sections, correlation=correlation.tolist())


def _uphill(
    z: np.ndarray,
    step: np.ndarray,
    *,
    fixed: np.ndarray,
    steep: np.ndarray,
    exposure: np.ndarray,
    count: np.ndarray,
) -> np.ndarray:
    """Newton's step, halved until the log posterior rises; it is concave, so that happens."""

    def height(at: np.ndarray) -> float:
        log_rate = np.minimum(fixed + steep @ at, HIGHEST)
        return count @ log_rate - exposure @ np.exp(log_rate) - at @ at / 2

    before, share = height(z), 1.0
    while height(z + share * step) < before and share > 1e-9:
        share /= 2
    return z + share * step


def _root(covariance: np.ndarray) -> np.ndarray:
    """A square root of a covariance; a weight that is known for sure stays so."""
    values, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.maximum(values, 0.0))


def _design(names: Sequence[str], table: pd.DataFrame) -> np.ndarray:
    """Features of the named pieces, (rows, k); 1 for the base."""
    missing = [name for name in names if name != BASE and name not in table]
    if missing:
        raise TableError.of_problems(
            "table of features", [f"column {name!r} is missing, expected a number" for name in missing]
        )
    ones = np.ones(len(table))
    return np.column_stack([ones if name == BASE else _column(table, name) for name in names])


def _offset(table: pd.DataFrame) -> np.ndarray:
    return _column(table, "offset") if "offset" in table else np.zeros(len(table))


def _column(table: pd.DataFrame, name: str) -> np.ndarray:
    values = np.asarray(table[name], dtype=float)
    if not np.isfinite(values).all():
        raise TableError(f"column {name!r}", given="missing values", expected="numbers; 0 is neutral")
    return values


def _sizes(table: pd.DataFrame, name: str) -> np.ndarray:
    if name not in table:
        raise TableError(f"table of stretches: column {name!r} is missing", expected="numbers from 0")
    values = _column(table, name)
    if (values < 0).any():
        raise TableError(f"column {name!r}", given=values.min(), expected="numbers from 0")
    return values
