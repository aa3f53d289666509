"""The steps of lines, from the sections across them.

One shape, a tanh step on a slope (`tanh`), is fitted to a whole line with its errors, after Hopkins et al.
(2010, J. Atmos. Oceanic Technol. 27:173-191, who fit fronts with the uncertainty of place, width and step);
then one place to each of its stretches.
"""

import math

import numpy as np

from searcher.kernels.compiled import inner, kernel
from searcher.kernels.tanh import fit, solve, start, weigh

#: how many times the stretches of a line are brought to one level
LEVELLINGS = 3
#: a line needs so many nodes beside it
LEAST_NODES = 10.0


@inner()
def _noise_about(sums, p, floor):
    """Noise of the nodes about the shape within their bins, no less than `floor`, and the misfit of the bins.

    That is the misfit of their means over what such noise leaves, no less than 1 (Birge 1932, Phys. Rev.
    40:207-227), by which variances are to be widened.
    """
    w = math.exp(p[4])
    squares = between = nodes = bins = 0.0
    for k in range(sums.shape[0]):
        count = sums[k, 0]
        if count > 0.0:
            n = sums[k, 1] / count
            t = math.tanh((n - p[3]) / w)
            g = p[1] + 0.5 * p[2] * (1.0 - t * t) / w
            joint = sums[k, 4] - sums[k, 3] * n
            about = (
                sums[k, 5] - sums[k, 3] ** 2 / count - 2.0 * g * joint + g * g * (sums[k, 2] - sums[k, 1] * n)
            )
            squares += max(about, 0.0)
            between += count * (sums[k, 3] / count - (p[0] + p[1] * n + 0.5 * p[2] * t)) ** 2
            nodes += count
            bins += 1.0
    noise = math.sqrt(squares / (nodes - bins)) if nodes - bins >= 10.0 else floor
    noise = max(noise, floor)
    return noise, max(between / (noise * noise * (bins - 5.0)), 1.0) if bins > 5.0 else math.inf


@inner()
def _evidence(sums, p, variance):
    """By how many sigma a step fits better than a slope alone: root of what it takes off the misfit."""
    w = math.exp(p[4])
    s0 = sn = st = snn = snt = stt = left = 0.0
    for k in range(sums.shape[0]):
        count = sums[k, 0]
        if count > 0.0:
            n = sums[k, 1] / count
            t = sums[k, 3] / count
            s0 += count
            sn += count * n
            st += count * t
            snn += count * n * n
            snt += count * n * t
            stt += count * t * t
            left += count * (t - (p[0] + p[1] * n + 0.5 * p[2] * math.tanh((n - p[3]) / w))) ** 2
    straight = stt - st * st / s0 - (snt - sn * st / s0) ** 2 / (snn - sn * sn / s0)
    return math.sqrt(max(straight - left, 0.0) / variance)


@inner()
def _level(sums, s, p):
    """Mean of what the nodes of stretch `s` stand above the shape of its line."""
    w = math.exp(p[4])
    total = count = 0.0
    for k in range(sums.shape[1]):
        if sums[s, k, 0] > 0.0:
            n = sums[s, k, 1] / sums[s, k, 0]
            total += sums[s, k, 3] - sums[s, k, 0] * (p[1] * n + 0.5 * p[2] * math.tanh((n - p[3]) / w))
            count += sums[s, k, 0]
    return total / count if count > 0.0 else 0.0


@inner()
def _add_levelled(sums, start, end, p, total):
    """The sums of all stretches of a line, each with its own level taken off; how many nodes."""
    nodes = 0.0
    for k in range(total.shape[0]):
        for c in range(total.shape[1]):
            total[k, c] = 0.0
    for s in range(start, end):
        level = _level(sums, s, p)
        for k in range(total.shape[0]):
            count = sums[s, k, 0]
            t = sums[s, k, 3]
            total[k, 0] += count
            total[k, 1] += sums[s, k, 1]
            total[k, 2] += sums[s, k, 2]
            total[k, 3] += t - level * count
            total[k, 4] += sums[s, k, 4] - level * sums[s, k, 1]
            total[k, 5] += sums[s, k, 5] - 2.0 * level * t + level * level * count
            nodes += count
    return nodes


@inner()
def _slope_within(sums, start, end):
    """The slope that the stretches of a line share, whatever their levels: least squares within stretches.

    Stretches see more of one side or the other as their neighbours stand; at one mean each, what they have
    in common would be lost.
    """
    nn = nt = 0.0
    for s in range(start, end):
        count = n = t = 0.0
        for k in range(sums.shape[1]):
            count += sums[s, k, 0]
            n += sums[s, k, 1]
            t += sums[s, k, 3]
            nn += sums[s, k, 2]
            nt += sums[s, k, 4]
        if count > 0.0:
            nn -= n * n / count
            nt -= n * t / count
    return nt / nn if nn > 0.0 else 0.0


@inner()
def _place(sums, s, p, variance, matrix, right, places):
    """Place of stretch `s` and its error under the line's own width and background, by Gauss-Newton."""
    w = math.exp(p[4])
    at = p[3]
    level = _level(sums, s, p)
    step = p[2]
    order = p.size - 2  # as a number computed: `solve` would be compiled for a literal anew
    for _ in range(4):
        for a in range(order):
            right[a] = 0.0
            for b in range(order):
                matrix[a, b] = 0.0
        # known beforehand: half of w either way of the line's own place
        matrix[2, 2] = 4.0 / w**2
        right[2] = (p[3] - at) * matrix[2, 2]
        matrix[0, 0] = matrix[1, 1] = 1e-9
        for k in range(sums.shape[1]):
            count = sums[s, k, 0]
            if count > 0.0:
                n = sums[s, k, 1] / count
                t = math.tanh((n - at) / w)
                weight = count / variance
                bell = -0.5 * step * (1.0 - t * t) / w
                left = sums[s, k, 3] / count - (level + p[1] * n + 0.5 * step * t)
                right[0] += weight * left
                right[1] += weight * left * 0.5 * t
                right[2] += weight * left * bell
                matrix[0, 0] += weight
                matrix[1, 0] += weight * 0.5 * t
                matrix[1, 1] += weight * 0.25 * t * t
                matrix[2, 0] += weight * bell
                matrix[2, 1] += weight * bell * 0.5 * t
                matrix[2, 2] += weight * bell * bell
        if not solve(matrix, right, order):
            return
        level += right[0]
        step += right[1]
        at = min(max(at + right[2], p[3] - 2.0 * w), p[3] + 2.0 * w)
    places[s, 0] = at
    places[s, 1] = 1.0 / matrix[2, 2]  # of Cholesky's factor: what is known of the last when all are free


@inner()
def _seen_reach(sums):
    """Distance of the nodes farthest behind and ahead of a line: means of the outermost bins, m."""
    low, high = math.inf, -math.inf
    for k in range(sums.shape[0]):
        if sums[k, 0] > 0.0:
            low = min(low, sums[k, 1] / sums[k, 0])
            high = max(high, sums[k, 1] / sums[k, 0])
    return low, high


@kernel()
def _fit_line(line, sums, lines, reach, sigma, narrowest, floor, background, shape, spread, places):
    """Fit one line and its stretches: fills its row of `shape` and of `spread`, and `places`.

    shape: distances seen behind and ahead, evidence, step, n0, ln w. spread: covariances of the last three.
    """
    total = np.empty((sums.shape[1], sums.shape[2]))
    p = np.empty(5)
    p[:] = 0.0
    matrix = np.empty((p.size, p.size))
    right = np.empty(p.size)
    noise, ratio = floor, 1.0
    p[1] = _slope_within(sums, lines[line], lines[line + 1])
    p[4] = math.log(reach)
    for turn in range(LEVELLINGS):
        nodes = _add_levelled(sums, lines[line], lines[line + 1], p, total)
        if nodes < LEAST_NODES:
            return
        low, high = _seen_reach(total)
        widest = min(reach, high - low)  # of what is wider, or farther off, nothing is seen
        if turn == 0:
            start(total, p, noise, background, math.log(sigma), narrowest, widest, matrix, right)
        if not fit(total, p, noise, background, math.log(sigma), narrowest, widest, matrix, right):
            return
        noise, ratio = _noise_about(total, p, floor)
    if ratio == math.inf:
        return
    noise *= math.sqrt(ratio)
    # against the noise of nodes alone: what a line varies along itself is no evidence against it
    shape[line, 0], shape[line, 1], shape[line, 2] = low, high, _evidence(total, p, floor * floor)
    for k in range(3):  # element by element: slices take longer to compile than all the rest
        shape[line, 3 + k] = p[2 + k]
        weigh(total, p, noise, background, p[4], matrix, right)
        for a in range(p.size):
            right[a] = 1.0 if a == 2 + k else 0.0
        if solve(matrix, right, p.size):
            for a in range(3):
                spread[line, a, k] = right[2 + a]
    for s in range(lines[line], lines[line + 1]):
        _place(sums, s, p, noise * noise, matrix, right, places)


def _error(by, spread):
    """Errors of what varies with step, n0 and ln w as g = `by`, three arrays (lines,): roots of g·C·g."""
    with np.errstate(invalid="ignore"):  # where rounding leaves a variance below 0 nothing is known
        return np.sqrt(np.einsum("kl,lkm,ml->l", by, spread, by))


def _tell_rise(step, place, width, low, high, spread):
    """What each step rises by from `low` to `high`, and its error.

    Where the next line is near, no end of the step is seen and its whole height cannot be told from its
    width; what it rises by within what is seen can.
    """
    u0, u1 = (low - place) / width, (high - place) / width
    t0, t1 = np.tanh(u0), np.tanh(u1)
    s0, s1 = 1.0 - t0 * t0, 1.0 - t1 * t1
    by_step = 0.5 * (t1 - t0)
    by_place = -0.5 * step / width * (s1 - s0)
    by_width = -0.5 * step * (u1 * s1 - u0 * s0)
    return by_step * step, _error(np.stack([by_step, by_place, by_width]), spread)


def _tell_slope(step, place, width, low, high, spread):
    """The steepest slope of each step within `low` to `high`, and its error."""
    u = (np.minimum(np.maximum(place, low), high) - place) / width
    t = np.tanh(u)
    by_step = 0.5 * (1.0 - t * t) / width
    slope = by_step * step
    return slope, _error(np.stack([by_step, 2.0 * slope * t / width, slope * (2.0 * t * u - 1.0)]), spread)


def fit_steps(sums, lines, reach, sigma, narrowest, noise, background):
    """Steps of lines, (lines, 6), and the place n0 of every stretch with its error, (stretches, 2), m.

    Of each line: its rise within what is seen, the error of that, w, the slope on it, its error, evidence.
    sums: of `gather_sections`, with its `reach`. lines: line k is stretches lines[k]:lines[k + 1]. sigma:
    a usual w, m; narrowest: the least. noise: least standard deviation of a node. background: spread of b
    before anything is seen, per m. NaN where too little is known.
    """
    shape, spread = np.full((lines.size - 1, 6), math.nan), np.full((lines.size - 1, 3, 3), math.nan)
    places = np.full((sums.shape[0], 2), math.nan)
    given = sums, lines, reach, sigma, narrowest, noise, background
    for line in range(lines.size - 1):  # one more kernel around it would take a second to compile
        _fit_line(line, *given, shape, spread, places)
    low, high, evidence, step, place, log_width = shape.T
    seen = step, place, np.exp(log_width), low, high
    width = np.minimum(seen[2], 0.5 * (high - low))
    told = *_tell_rise(*seen, spread), width, *_tell_slope(*seen, spread), evidence
    return np.stack(told, axis=1), places
