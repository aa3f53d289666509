"""Learning from what is seen at sea. Pure functions on tables and arrays, but for the reading of reviews.

::

    weights        bites and blanks -> posterior weights (Laplace), rates with their intervals
    hints          hookups raise their depth, birds their place; all of it fades
    afloat         weed and debris, met or missed, correct the map of what floats
    afresh         new stretches where there is more of it, over water not looked over yet
    registration   a line met elsewhere shifts the lines near it; a thermometer corrects the map
    season         the season's log as tomorrow's profile; expected against met
    day, trolled   the log of a day against a plan: lines met, stretches with their features, boxes worked
"""

from searcher.learn.hints import depth_gain, flock_gain, hookup_state, sign_gain
from searcher.learn.registration import Reading, correct_temperature, measure_offsets, shift_lines
from searcher.learn.season import poisson_interval, read_season, reliability, season_profile
from searcher.learn.weights import (
    Weights,
    find_peak,
    learned_profile,
    posterior_rate,
    prior_weights,
    update_weights,
)

__all__ = [
    "Reading",
    "Weights",
    "correct_temperature",
    "depth_gain",
    "find_peak",
    "flock_gain",
    "hookup_state",
    "learned_profile",
    "measure_offsets",
    "poisson_interval",
    "posterior_rate",
    "prior_weights",
    "read_season",
    "reliability",
    "season_profile",
    "shift_lines",
    "sign_gain",
    "update_weights",
]
