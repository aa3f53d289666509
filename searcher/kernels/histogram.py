"""Two water masses in a window: the histogram test of fronts.

Cayula & Cornillon (1992, J. Atmos. Oceanic Technol. 9:67-80; single image): the values of a window are split
in two at the value that makes the between-class share of the variance, θ = N1·N2/N²·(μ1−μ2)²/σ², greatest.
Two water masses are seen where θ is high (a plain ramp has 0.75), both populations are large and far enough
apart, and each lies together: cohesion is the share of 4-neighbours that belong to the same population.

The best split is guessed from a histogram, and then every split near the guess is tried, so that θ is that of
the values and not of bins.
"""

import math

import numpy as np

from searcher.kernels.compiled import inner, kernel
from searcher.threads import in_threads

#: side of the windows and from one to the next, cells
SIZE, STEP = 32, 16
#: least share of a window that is clear
LEAST_CLEAR = 0.5
#: least between-class share; a plain ramp has 0.75
LEAST_THETA = 0.76
#: least difference of the means, °C, and least share of either population
LEAST_DIFFERENCE, LEAST_POPULATION = 0.2, 0.25
#: least cohesion of either population and of both together
LEAST_SINGLE, LEAST_OVERALL = 0.90, 0.92

BINS, REACH = 64, 4.0  # bins of the first guess, and how many standard deviations either way they cover
NEAR = 0.2  # standard deviations either side of the guess in which every split is tried
#: between the values that sorting compares (Ciura 2001, Fundamentals of Computation Theory, 106-117)
GAPS = (701, 301, 132, 57, 23, 10, 4, 1)
QUICK = {"contract", "arcp", "nsz", "reassoc"}  # keeps NaN


@inner(fastmath=QUICK)
def moments(values):
    """How many of some values are known, their mean and their population variance."""
    n = 0
    total = 0.0
    for k in range(values.size):
        v = np.float64(values[k])
        known = v == v
        n += 1 if known else 0
        total += v if known else 0.0
    mean = total / max(n, 1)
    square = 0.0
    for k in range(values.size):
        v = np.float64(values[k]) - mean
        square += v * v if v == v else 0.0
    return n, mean, square / max(n, 1)


@inner(fastmath=QUICK)
def _below(values, split, mean):
    """How many values are at or below a split, and the sum of their distances from the mean."""
    count = 0
    total = 0.0
    for k in range(values.size):
        v = np.float64(values[k])
        low = v <= split
        count += 1 if low else 0
        total += v - mean if low else 0.0
    return count, total


@inner()
def _guess(values, n, mean, deviation, counts, bins):
    """The boundary between bins at which θ of the binned values is greatest.

    bins: room for as many int32 as values; counts: for 2 x (BINS + 1), the last for missing values.
    """
    scale = 0.5 * BINS / (REACH * deviation)
    shift = 0.5 * BINS - mean * scale
    for k in range(values.size):
        v = values[k] * scale + shift
        inside = min(max(v, 0.0), BINS - 1.0)
        bins[k] = np.int32(inside) if v == v else np.int32(BINS)
    counts[:] = 0
    for k in range(0, values.size - 1, 2):  # two tables, since a count waits for the one before it
        counts[0, bins[k]] += 1
        counts[1, bins[k + 1]] += 1
    if values.size % 2:
        counts[0, bins[values.size - 1]] += 1
    whole = 0  # in half bins from the middle; not exactly 0 once binned
    for k in range(BINS):
        counts[0, k] += counts[1, k]
        whole += counts[0, k] * (2 * k + 1 - BINS)
    below = total = 0
    best = -1.0
    at = BINS // 2
    for k in range(BINS - 1):
        below += counts[0, k]
        total += counts[0, k] * (2 * k + 1 - BINS)
        if counts[0, k] == 0 or below == n:
            continue
        lean = float(total * n - whole * below)
        between = lean * lean / (float(below) * (n - below))
        if between > best:
            best = between
            at = k + 1
    return (at - shift) / scale


@inner()
def _sort(values, n):
    """Bring the first n of some values into rising order (Shell 1959, Commun. ACM 2(7):30-32)."""
    for gap in GAPS:
        for k in range(gap, n):
            v = values[k]
            m = k
            while m >= gap and values[m - gap] > v:
                values[m] = values[m - gap]
                m -= gap
            values[m] = v


@inner()
def _try_near(values, n, mean, split, reach):
    """The split within `reach` of a guess at which θ is greatest, with the count and the sum below it."""
    below, total = _below(values, split - reach, mean)
    near = np.empty(values.size)
    count = 0
    for k in range(values.size):
        near[count] = values[k]
        count += 1 if split - reach < values[k] <= split + reach else 0
    _sort(near, count)
    best = total * total / (float(below) * (n - below)) if 0 < below < n else -1.0
    answer = split - reach, below, total
    for k in range(count):
        below += 1
        total += near[k] - mean
        if below == n or (k + 1 < count and near[k + 1] == near[k]):
            continue
        between = total * total / (float(below) * (n - below))
        if between > best:
            best = between
            answer = near[k], below, total
    return answer


@inner()
def split_populations(values, n, mean, variance, counts, bins, exact_from=0.0):
    """θ, the split, the difference of the means, and the share of the colder population.

    values: (m,), float32. n, mean, variance: see `moments`; the variance must be > 0. counts, bins: room, see
    `_guess`. A value at the split belongs to the colder side. Below `exact_from` θ may be up to 0.005 short.
    """
    deviation = math.sqrt(variance)
    split = _guess(values, n, mean, deviation, counts, bins)
    below, total = _below(values, split, mean)
    if below == 0 or below == n:
        return 0.0, mean, 0.0, 0.0
    if total * total / (float(below) * (n - below)) / variance >= exact_from - 0.005:
        split, below, total = _try_near(values, n, mean, split, NEAR * deviation)
    difference = -total / below - total / (n - below)
    share = below / n
    return share * (1.0 - share) * difference * difference / variance, split, difference, share


@inner()
def cohesion(window, split):
    """Share of known 4-neighbours in the same population: colder, warmer, both. window: (rows, columns)."""
    rows, columns = window.shape
    cold = warm = across = 0
    for j in range(rows):
        for i in range(columns):
            here = window[j, i]
            if here != here:
                continue
            for neighbour in range(2):
                y = j + neighbour
                x = i + 1 - neighbour
                if y == rows or x == columns:
                    continue
                there = window[y, x]
                if there != there:
                    continue
                if (here <= split) != (there <= split):
                    across += 1
                elif here <= split:
                    cold += 1
                else:
                    warm += 1
    # a pair within a population is two neighbours of it, a pair across one of either
    one = 2.0 * cold / max(2 * cold + across, 1)
    other = 2.0 * warm / max(2 * warm + across, 1)
    return one, other, (cold + warm) / max(cold + warm + across, 1)


@inner()
def _cover(tested, lowest, highest, size, step, cover):
    """Count, along a row, the tested windows of some rows of them; whether there are any."""
    for i in range(cover.size):
        cover[i] = 0
    some = False
    for b in range(lowest, highest):
        for a in range(tested.shape[1]):
            some |= tested[b, a]
            for i in range(a * step, a * step + size if tested[b, a] else 0):
                cover[i] += np.uint8(1)
    return some


@inner()
def _differ(here, there, first, shift, split, apart):
    """Flag the values of a row from `first` on that those `shift` on in another are apart from."""
    for k in range(apart.size):
        a, b = here[first + k], there[first + k + shift]
        apart[k] = np.uint8((a == a) & (b == b) & ((a <= split) != (b <= split)))


@inner()
def _mark(below, here, above, left, split, apart, edge):
    """Count, in a row of a window, the values that have a neighbour of the other population.

    below, above: the rows beside it, itself where there is none. apart: room for flags, (3, size).
    """
    down, up, right = apart
    _differ(here, below, left, 0, split, down)
    _differ(here, above, left, 0, split, up)
    _differ(here, here, left, 1, split, right[: right.size - 1])
    edge[left] += down[0] | up[0] | right[0]
    for k in range(1, right.size):
        edge[left + k] += down[k] | up[k] | right[k] | right[k - 1]


@kernel()
def _test_windows(field, tested, seen, table, size, step, least, room, first, last):
    """Test the windows of some rows of them: fills `seen` and `table`; `tested` holds which are wanted.

    least: (6,) as `find_populations` takes them; room: as `_guess` does, and for the values of a window.
    """
    values, bins, counts = room
    clear, theta, difference, population, single, overall = least
    # with both shares at least p the variance is at least p(1-p) times the difference squared
    least_variance = max(population * (1.0 - population) * difference * difference, 1e-30)
    for b in range(first, last):
        for a in range(tested.shape[1]):
            if not tested[b, a]:
                continue
            window = field[b * step : b * step + size, a * step : a * step + size]
            for j in range(size):
                for i in range(size):
                    values[j * size + i] = window[j, i]
            n, mean, variance = moments(values)
            tested[b, a] = n >= clear * size * size and n >= 4
            if not (tested[b, a] and variance > least_variance):
                continue
            between, split, apart, share = split_populations(values, n, mean, variance, counts, bins, theta)
            table[0, b, a] = between
            table[1, b, a] = split
            table[2, b, a] = apart
            if between < theta or apart < difference or min(share, 1.0 - share) < population:
                continue
            one, other, both = cohesion(window, split)
            seen[b, a] = one >= single and other >= single and both >= overall


@kernel()
def _mark_rows(field, tested, seen, table, size, step, count, edge, first, last):
    """Fill some rows of `count` and of `edge`, which are 0 at first."""
    apart, cover = np.empty((3, size), np.uint8), np.empty(field.shape[1], np.uint8)
    apart[:] = 0
    covered, some = -1, False
    for j in range(first, last):
        lowest, highest = max((j - size) // step + 1, 0), min(j // step + 1, tested.shape[0])
        if covered != lowest + highest:  # both only rise
            some = _cover(tested, lowest, highest, size, step, cover)
            covered = lowest + highest
        if not some:
            continue
        here, looks, meets = field[j], count[j], edge[j]
        for i in range(here.size):
            looks[i] = cover[i] if here[i] == here[i] else np.uint8(0)
        for b in range(lowest, highest):
            below, above = field[max(j - 1, b * step)], field[min(j + 1, b * step + size - 1)]
            for a in range(tested.shape[1]):
                if seen[b, a]:
                    _mark(below, here, above, a * step, table[1, b, a], apart, meets)


def find_populations(
    field,
    wanted,
    size=SIZE,
    step=STEP,
    clear=LEAST_CLEAR,
    theta=LEAST_THETA,
    difference=LEAST_DIFFERENCE,
    population=LEAST_POPULATION,
    single=LEAST_SINGLE,
    overall=LEAST_OVERALL,
):
    """The histogram test in overlapping windows of a field (lat, lon), NaN where missing.

    wanted: bool (windows down, windows across), which windows to test (`window_count`). size, step: cells.
    clear, theta, difference, population, single, overall: least values, as the constants above.
    Returns, uint8 (lat, lon): in how many tested windows a pixel was known, and in how many of them it stood
    at the boundary of two water masses; then (windows down, windows across): whether two were seen (bool), θ,
    the split and the difference of the means (float64, NaN where not tested or too even for two).
    """
    field = np.require(field, np.float32, ["C", "W"])  # another kind of array would be compiled for anew
    tested, seen = np.array(wanted, bool, order="C"), np.zeros(wanted.shape, bool)
    table = np.full((3, *wanted.shape), math.nan)
    least = tuple(float(value) for value in (clear, theta, difference, population, single, overall))

    def test(first, last):
        room = (
            np.empty(size * size, np.float32),
            np.empty(size * size, np.int32),
            np.empty((2, BINS + 1), int),
        )
        _test_windows(field, tested, seen, table, size, step, least, room, first, last)

    count, edge = np.zeros(field.shape, np.uint8), np.zeros(field.shape, np.uint8)
    rows = field, tested, seen, table, size, step, count, edge
    in_threads(test, wanted.shape[0])
    in_threads(lambda first, last: _mark_rows(*rows, first, last), field.shape[0])
    return count, edge, seen, *table


def window_count(shape: tuple[int, int], *, size: int = SIZE, step: int = STEP) -> tuple[int, int]:
    """How many whole windows a field of a shape holds, down and across."""
    return tuple(max((cells - size) // step + 1, 0) for cells in shape)


@inner()
def _add_rows(field, j, first, last, total, known):
    """Sums of the known values in row j and the rows beside it, and how many they are, column by column."""
    for i in range(first, last):
        total[i] = known[i] = 0.0
    for y in range(max(j - 1, 0), min(j + 2, field.shape[0])):
        row = field[y]
        for i in range(first, last):
            v = row[i]
            total[i] += np.float64(v) if v == v else 0.0
            known[i] += 1.0 if v == v else 0.0


@inner()
def _smooth_run(row, first, last, total, known, out):
    """Means of three columns at a time; the columns beside those from first to last are summed too."""
    for i in range(first, last):
        n = known[i - 1] + known[i] + known[i + 1]
        mean = (total[i - 1] + total[i] + total[i + 1]) / n
        out[i] = mean if row[i] == row[i] else math.nan


@kernel()
def _smooth(field, wanted, size, step, out, first, last):
    """Fill some rows of `out`."""
    nx = field.shape[1]
    # one column more to either side, in which nothing is known: column -1 is the last
    total, known = np.empty(nx + 2), np.empty(nx + 2)
    total[:] = known[:] = 0.0
    for j in range(first, last):
        here, made = field[j], out[j]
        for i in range(nx):
            made[i] = math.nan
        lowest, highest = max((j - size) // step + 1, 0), min(j // step + 1, wanted.shape[0])
        done = 0
        for a in range(wanted.shape[1]):
            some = False
            for b in range(lowest, highest):
                some |= wanted[b, a]
            if some:
                left, right = max(done, a * step), a * step + size
                _add_rows(field, j, max(left - 1, 0), min(right + 1, nx), total, known)
                _smooth_run(here, left, right, total, known, made)
                done = right


def smooth_windows(field, wanted, size, step):
    """The field with every pixel of the wanted windows replaced by the mean of its known 3 x 3 neighbours.

    float32 (lat, lon); NaN stays NaN, and so is all that lies in no wanted window. Noise falls by three.
    """
    field = np.require(field, np.float32, ["C", "W"])
    wanted = np.require(wanted, bool, ["C", "W"])
    out = np.empty_like(field)
    in_threads(lambda first, last: _smooth(field, wanted, size, step, out, first, last), field.shape[0])
    return out
