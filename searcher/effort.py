"""Search theory: how much effort belongs where, what it finds, and when to give up on a place.

Koopman 1980, *Search and Screening* (first printed 1946); Stone 1975, *Theory of Optimal Search*. The chance
to find one thing with coverage C = W·L/A (sweep width times length of track over area) by tracks laid at
random is 1 - exp(-C): each further metre finds less. An effort is any amount spent in several places, such as
metres of track or seconds of trolling.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from searcher.errors import SearcherError

#: 90 % point of the normal distribution
Z80 = 1.2815515655446004


def find_by_random(coverage: ArrayLike) -> np.ndarray:
    """Chance to find what is there by tracks at random, 1 - exp(-C) (Koopman 1980, ch. 3); any shape.

    >>> find_by_random([0.5, 1.0, 2.0]).round(4).tolist()
    [0.3935, 0.6321, 0.8647]
    """
    return -np.expm1(-np.asarray(coverage, dtype=float))


def find_by_inverse_cube(coverage: ArrayLike) -> np.ndarray:
    """The same by parallel sweeps under the inverse cube law of sighting, erf(√π C / 2) (Koopman 1980)."""
    from scipy.special import erf  # here, since at sea it is not wanted and takes long to load

    return erf(0.5 * math.sqrt(math.pi) * np.asarray(coverage, dtype=float))


def doubt_after_blank(prior: ArrayLike, found: ArrayLike) -> np.ndarray:
    """Chance that a thing is there, after a search that finds it with chance `found` did not (Bayes)."""
    prior, found = np.asarray(prior, dtype=float), np.asarray(found, dtype=float)
    return prior * (1.0 - found) / (1.0 - prior * found)


def share_effort(rate: ArrayLike, fading: ArrayLike, total: float) -> np.ndarray:
    """Efforts (places,) of a sum `total` that yield most; a place yields rate/fading·(1 - e^(-fading·t)).

    Every place that gets any is left at the same rate λ: t = [ln rate - ln λ]₊ / fading (Koopman 1957, Oper.
    Res. 5:613-626; Charnes & Cooper 1958, Manage. Sci. 5:44-50; Stone 1975, ch. 2). rate: at the beginning,
    per unit of effort, not negative; fading: over 0, per unit of effort; total: not negative, finite.
    """
    rate, fading = np.broadcast_arrays(np.asarray(rate, dtype=float), np.asarray(fading, dtype=float))
    problems = [
        f"{name}: given {given}, expected {expected}"
        for name, given, expected, right in (
            ("rate", rate, "finite numbers of 0 or more", np.isfinite(rate) & (rate >= 0)),
            ("fading", fading, "finite numbers over 0", np.isfinite(fading) & (fading > 0)),
            ("total", total, "a finite number of 0 or more", np.isfinite(total) and total >= 0),
        )
        if not np.all(right)
    ]
    if problems:
        raise SearcherError.of_problems("sharing of effort", problems)
    worth = rate > 0
    if not worth.any():
        return np.zeros(rate.shape)
    best = np.argsort(-rate[worth], kind="stable")
    spread, level = 1.0 / fading[worth][best], np.log(rate[worth][best])
    # with the best k places only, ln λ would be this; the true set of places is that with the highest
    level_left = ((np.cumsum(spread * level) - total) / np.cumsum(spread)).max()
    efforts = np.zeros(rate.shape)
    efforts[worth] = np.maximum(np.log(rate[worth]) - level_left, 0.0) / fading[worth]
    return efforts


def allocate_effort(p: ArrayLike, area: ArrayLike, width: ArrayLike, total: float) -> np.ndarray:
    """Lengths of track (places,) that find one thing with the greatest chance, given `total` of them.

    p: the chance that it is in each place; area: of the place; width: the sweep width there; units alike.
    L = A/W·[ln(p·W/A) - ln λ]₊ (Koopman 1957; Charnes & Cooper 1958; Stone 1975).
    """
    width_per_area = np.asarray(width, dtype=float) / np.asarray(area, dtype=float)
    return share_effort(np.asarray(p, dtype=float) * width_per_area, width_per_area, total)


def yield_of(rate: ArrayLike, fading: ArrayLike, effort: ArrayLike) -> np.ndarray:
    """What an effort yields: rate/fading·(1 - e^(-fading·effort)); without fading rate times effort."""
    rate, fading, effort = (np.asarray(a, dtype=float) for a in (rate, fading, effort))
    with np.errstate(invalid="ignore", divide="ignore"):
        return rate * np.where(fading > 0, -np.expm1(-fading * effort) / fading, effort)


@dataclass(frozen=True)
class Belief:
    """What is held of a rate of encounters: gamma distributed, as after `shape` encounters in `exposure`.

    The mean is shape/exposure. After n more in a time t it is (shape + n)/(exposure + t): gamma and Poisson
    are conjugate (Gelman et al. 2013, *Bayesian Data Analysis*, 3rd ed., § 2.6).
    """

    shape: float
    exposure: float

    @classmethod
    def of_interval(cls, mean: float, low: float, high: float) -> Belief:
        """The belief with the mean and the variance of a log-normal rate with these 10 % and 90 % points."""
        log_sd = math.log(high / low) / (2 * Z80)
        shape = 1.0 / max(math.expm1(log_sd**2), 1e-9)
        return cls(shape, shape / mean)

    @property
    def mean(self) -> float:
        return self.shape / self.exposure

    def leave_after(self, elsewhere: float, fading: float = 0.0) -> float:
        """Time without an encounter after which the rate to be expected has sunk to that of `elsewhere`.

        The marginal value theorem (Charnov 1976, Theor. Popul. Biol. 9:129-136): a place is to be left when
        staying yields less than the rest of the day does. Staying without luck tells that the place is
        poorer than was thought, and it is worked out at the rate `fading` besides: the rate to be expected is
        shape·e^(-fading·t) / (exposure + (1 - e^(-fading·t))/fading). 0 where it is to be left at once,
        infinite where nothing is to be had elsewhere.
        """
        if elsewhere <= 0.0:
            return math.inf
        if fading <= 0.0:
            return max(self.shape / elsewhere - self.exposure, 0.0)
        at_first = self.shape * fading + elsewhere
        at_last = elsewhere * (1.0 + self.exposure * fading)
        return max(math.log(at_first / at_last) / fading, 0.0)
