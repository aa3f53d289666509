"""A season's log: tomorrow's prior, and how well the expected encounters were calibrated."""

from __future__ import annotations

import json
from collections.abc import Iterable

import numpy as np
import pandas as pd
from scipy.stats import chi2

from searcher.errors import TableError
from searcher.learn.weights import learned_profile, prior_weights, update_weights
from searcher.profile import Profile
from searcher.units import HOUR

#: share of a count's chance that its interval holds, as for the boxes
LEVEL = 0.8


def season_profile(profile: Profile, logs: Iterable[pd.DataFrame]) -> str:
    """The TOML text of a profile that has learned from the trips of a season.

    logs: for each trip the stretches trolled with their features (`searcher.learn.update_weights`). Settings
    are kept; every weight has its posterior mean and spread, and a source that says from how much. The text
    is a profile as `searcher.profile.read_profile` takes it.
    """
    trips = list(logs)
    stretches = pd.concat(trips, ignore_index=True) if trips else None
    if stretches is None or stretches.empty:
        raise TableError(
            "no stretch trolled", hint="Log what was trolled, also in vain, before learning from it"
        )
    learned = learned_profile(profile, update_weights(prior_weights(profile), stretches))
    hours, met = stretches["duration"].sum() / HOUR, int(stretches["encounters"].sum())
    source = f"; learned from {len(trips)} trips of one's own, {hours:.1f} h trolled, {met} encounters"
    lines = [f"# {profile.name}, learned from one's own log. Never leaves this machine.", ""]
    lines += [f"name = {_toml(profile.name)}"]
    for name, section in learned.sections.items():
        before = str(section.get("source", "")).split("; learned from")[0]
        lines += ["", f"[{name}]"]
        lines += [f"{key} = {_toml(value)}" for key, value in (section | {"source": before + source}).items()]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    """A value as TOML has it: basic strings have the escapes of JSON (TOML 1.0, section String)."""
    if isinstance(value, float):
        return repr(round(value, 6))
    return json.dumps(value, ensure_ascii=False)


def reliability(
    expected: np.ndarray, observed: np.ndarray, *, duration: np.ndarray, bins: int = 5, level: float = LEVEL
) -> pd.DataFrame:
    """Encounters expected and met, by classes of the expected rate.

    expected: (n,) encounters per hour; observed: (n,) counts; duration: (n,) s trolled. Stretches are put by
    their rate into up to `bins` classes of equal numbers. Columns: `stretches`, `duration` (s), `rate` (mean
    expected per hour), `expected`, `observed` (counts), and the `level` interval of the observed mean,
    `observed_low`, `observed_high`: where `expected` lies inside, the class is as good as its count can tell.
    """
    rate, count, hours = (np.asarray(values, dtype=float) for values in (expected, observed, duration))
    hours = hours / HOUR
    if not (rate.shape == count.shape == hours.shape and rate.ndim == 1):
        raise TableError(
            "reliability", given=(rate.shape, count.shape, hours.shape), expected="equal lengths"
        )
    rows = []
    for part in np.array_split(np.argsort(rate, kind="stable"), max(1, min(bins, rate.size))):
        total = int(count[part].sum())
        low, high = poisson_interval(total, level=level)
        rows.append(
            {
                "stretches": part.size,
                "duration": hours[part].sum() * HOUR,
                "rate": np.average(rate[part], weights=hours[part]) if hours[part].sum() else np.nan,
                "expected": float(rate[part] @ hours[part]),
                "observed": total,
                "observed_low": low,
                "observed_high": high,
            }
        )
    return pd.DataFrame(rows)


def poisson_interval(count: int, *, level: float = LEVEL) -> tuple[float, float]:
    """The exact central interval of a Poisson mean of which `count` was seen.

    Garwood 1936, Biometrika 28:437-442.
    """
    tail = (1 - level) / 2
    low = 0.0 if count == 0 else float(chi2.ppf(tail, 2 * count)) / 2
    return low, float(chi2.ppf(1 - tail, 2 * count + 2)) / 2
