"""A season's log: tomorrow's prior, and how well the expected encounters were calibrated."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from searcher.errors import TableError
from searcher.learn.weights import learned_profile, prior_weights, update_weights
from searcher.profile import PIECES, Profile
from searcher.units import HOUR

#: what `searcher review` leaves in a trip folder for later trips
REVIEW = "review.json"
#: of what stands in it; to be raised when a feature comes to mean something else
VERSION = 1
#: the numbers that tell trips apart are rounded to so many decimals
DECIMALS = 6

#: share of a count's chance that its interval holds, as for the boxes
LEVEL = 0.8


def season_profile(profile: Profile, logs: Iterable[pd.DataFrame]) -> str:
    """The TOML text of a profile that has learned from the trips of a season.

    logs: for each trip the stretches trolled with their features (`searcher.learn.update_weights`). Settings
    are kept; every weight has its posterior mean and spread, and a source that says from how much. Trips that
    the profile has learned from before count no second time. The text is a profile as
    `searcher.profile.read_profile` takes it.
    """
    trips = [log for log in logs if len(log)]
    if not trips:
        raise TableError(
            "no stretch trolled", hint="Log what was trolled, also in vain, before learning from it"
        )
    new = [log for log in trips if digest_of(log) not in profile.learned]
    learned, source = profile, ""
    if new:
        stretches = pd.concat(new, ignore_index=True)
        learned = learned_profile(profile, update_weights(prior_weights(profile), stretches))
        hours, met = stretches["duration"].sum() / HOUR, int(stretches["encounters"].sum())
        source = f"; learned from {len(new)} trips of one's own, {hours:.1f} h trolled, {met} encounters"
    lines = [f"# {profile.name}, learned from one's own log. Never leaves this machine.", ""]
    lines += [f"name = {_toml(profile.name)}", "# how the weights hang together: base, " + ", ".join(PIECES)]
    lines += ["correlation = [", *(f"    {_toml(row)}," for row in learned.correlation), "]"]
    digests = [*profile.learned, *map(digest_of, new)]
    lines += ["# the trips it has learned from: none counts twice", f"learned = {_toml(digests)}"]
    for name, section in learned.sections.items():
        before = str(section.get("source", ""))
        lines += ["", f"[{name}]"]
        lines += [f"{key} = {_toml(value)}" for key, value in (section | {"source": before + source}).items()]
    return "\n".join(lines) + "\n"


def digest_of(log: pd.DataFrame) -> str:
    """What tells the stretches of one trip from those of another, the same however often it is reviewed.

    When they began, how long they were and what they gave; where no hours are known, their features besides.
    """
    dated = "time" in log
    numbers = log[["duration", "encounters", *(() if dated else PIECES)]].to_numpy(dtype=float)
    begun = pd.to_datetime(log["time"] if dated else [], utc=True, format="ISO8601", errors="coerce")
    text = f"{[*map(str, begun)]} {(numbers.round(DECIMALS) + 0.0).tolist()}"  # + 0.0: of 0 and -0 one
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def read_season(
    folder: str | os.PathLike[str], profile: Profile, *, but: Path | None = None
) -> list[pd.DataFrame]:
    """The stretches of every reviewed trip in a folder of trip folders, one table per trip that has any.

    Each has `duration`, `encounters`, `expected` (per hour, as forecast) and the features of the profile's
    pieces. Trips with another target, or reviewed by a version with other evidence, are passed over, and so
    is the folder `but`, since a trip does not learn from itself, a copy of one that is there already, and
    what the profile has learned from before.
    Raises `TableError` for a review that cannot be read.
    """
    found: list[pd.DataFrame] = []
    for path in sorted(Path(folder).glob(f"*/{REVIEW}")):
        if but is not None and path.parent.resolve() == Path(but).resolve():
            continue
        stretches = _read_stretches(path, profile)
        if stretches.empty or digest_of(stretches) in profile.learned:
            continue
        if not any(stretches.equals(other) for other in found):
            found.append(stretches)
    return found


def _read_stretches(path: Path, profile: Profile) -> pd.DataFrame:
    """The stretches of one review; none where it is of another target or of other evidence."""
    try:
        review = json.loads(path.read_text(encoding="utf-8"))
        made, stretches = (review["species"], review["version"]), pd.DataFrame(review["stretches"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise TableError(
            f"{path} cannot be read as the review of a trip: {error!r}",
            hint="Run 'searcher review' on that folder again, or take the file away",
        ) from error
    if made != (profile.name, VERSION) or not {"duration", "encounters", "expected"} <= set(stretches):
        return pd.DataFrame()
    # a feature that the version which made it did not know is 0, which says nothing of its weight
    return stretches.assign(**{piece: 0.0 for piece in PIECES if piece not in stretches})


def _toml(value: object) -> str:
    """A value as TOML has it: basic strings have the escapes of JSON (TOML 1.0, section String)."""
    if isinstance(value, Sequence) and not isinstance(value, str):
        return f"[{', '.join(map(_toml, value))}]"
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

    >>> table = reliability(np.array([0.1, 0.8]), np.array([1, 2]), duration=np.full(2, 7200.0), bins=2)
    >>> table[["expected", "observed", "observed_low", "observed_high"]].round(1).values.tolist()
    [[0.2, 1.0, 0.1, 3.9], [1.6, 2.0, 0.5, 5.3]]
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
    from scipy.special import gammaincinv  # here, since at sea it is not wanted and takes long to load

    tail = (1 - level) / 2
    # points of a chi-squared distribution of 2n degrees are twice those of a gamma distribution of shape n
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    return low, float(gammaincinv(count + 1, 1 - tail))
