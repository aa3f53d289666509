"""Twins of the kernels that look across lines (`searcher.kernels.section`, `step`), in numpy and scipy."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.optimize import least_squares

from searcher.kernels.section import BINS, KNOTS, SUMS
from searcher.kernels.step import LEAST_NODES, LEVELLINGS
from searcher.kernels.tanh import WIDTH_SPREAD

# ---- section


def gather_sections(field, east, north, columns, rows, first, last, across_x, across_y, behind, ahead, reach):
    """Sums of 1, n, n², T, nT, T² of the nodes beside every stretch, in bins of their distance n from it."""
    sums = np.zeros((first.size, BINS, SUMS))
    for s, (v, w) in enumerate(zip(first, last, strict=True)):
        row = int(np.clip(rows[v], 0, east.size - 1))
        line = (columns[v : w + 1] - columns[v]) * east[row], (rows[v : w + 1] - rows[v]) * north[row]
        steps = east[row], north[row]
        n, value = _beside(field, steps, (columns[v], rows[v]), line, (across_x[s], across_y[s]), reach)
        near = (-behind[s] < n) & (n < ahead[s])
        n, value = n[near], value[near]
        b = np.minimum(((n + reach) / (2 * reach) * BINS).astype(int), BINS - 1)
        for k, part in enumerate((np.ones(n.size), n, n * n, value, n * value, value * value)):
            sums[s, :, k] = np.bincount(b, part, minlength=BINS)
    return sums


def _beside(field, steps, origin, line, across, reach):
    """Distance from a line, along its normal, of the known nodes beside it, and their values.

    steps: metres between nodes. origin: first vertex (column, row). line: all, in metres from there.
    """
    dx, dy = steps
    tx, ty, side = across[1], -across[0], 1.0
    if line[0][-1] * tx + line[1][-1] * ty < 0:
        tx, ty, side = -tx, -ty, -1.0
    along, aside = line[0] * tx + line[1] * ty, line[1] * tx - line[0] * ty
    length = along[-1]
    if not length > 0.0:
        return np.zeros(0), np.zeros(0)
    on = np.append(True, along[1:] > np.maximum.accumulate(along)[:-1])  # no way back
    at = np.linspace(0.0, length, KNOTS)
    knots = np.interp(at, along[on], aside[on])
    most = reach + np.abs(knots).max()
    rows = _range(origin[1], length * ty / dy, abs(tx) * most / dy, field.shape[0])
    columns = _range(origin[0], length * tx / dx, abs(ty) * most / dx, field.shape[1])
    y, x = (rows - origin[1])[:, None] * dy, (columns - origin[0]) * dx
    value = field[np.ix_(rows, columns)].astype(float)
    along, aside = x * tx + y * ty, y * tx - x * ty
    seen = np.isfinite(value) & (along >= 0.0) & (along < length)
    along, aside, value = along[seen], aside[seen], value[seen]
    k = np.minimum((along / at[1]).astype(int), KNOTS - 2)
    before, after = np.maximum(k - 1, 0), np.minimum(k + 2, KNOTS - 1)
    lean = (knots[after] - knots[before]) / (at[after] - at[before])
    return side * (aside - np.interp(along, at, knots)) / np.sqrt(1.0 + lean**2), value


def _range(begin, way, margin, count):
    """The nodes from one end of a way to the other and a margin beyond, of `count`."""
    lowest, highest = begin + min(0.0, way) - margin, begin + max(0.0, way) + margin
    return np.arange(max(0, int(np.ceil(lowest))), min(count, int(highest) + 1))


# ---- step


def fit_steps(sums, lines, reach, sigma, narrowest, noise, background):
    """Of every line its rise, w, slope on it (with errors) and evidence; of every stretch its place."""
    told, places = np.full((lines.size - 1, 6), np.nan), np.full((len(sums), 2), np.nan)
    for k, (begin, end) in enumerate(pairwise(lines)):
        found = _fit_line(sums[begin:end], reach, sigma, narrowest, noise, background)
        if found is not None:
            told[k], places[begin:end] = found
    return told, places


def _step(p, n):
    """A slope and a tanh step at distances n, without the level; parameters a, b, step, n0, ln w."""
    return p[1] * n + 0.5 * p[2] * np.tanh((n - p[3]) / np.exp(p[4]))


def _gradient(p, n):
    """Derivatives of the whole shape by its five parameters, (..., 5)."""
    w = np.exp(p[4])
    t = np.tanh((n - p[3]) / w)
    bell = -0.5 * p[2] * (1.0 - t * t) / w
    return np.stack([np.ones_like(n), n, 0.5 * t, bell, bell * (n - p[3])], axis=-1)


def _fit_line(sums, reach, sigma, narrowest, floor, background):
    count, n, t = _means(sums)
    p = np.array([0.0, _shared_slope(sums), 0.0, 0.0, np.log(reach)])
    noise = floor
    for turn in range(LEVELLINGS):
        total = _levelled(sums, p)
        if total[:, 0].sum() < LEAST_NODES:
            return None
        total = total[total[:, 0] > 0]
        count, n, t = _means(total)
        low, high = n.min(), n.max()
        widest = min(reach, high - low)
        weight = np.sqrt(count) / noise
        prior = np.array([1.0 / background, 1.0 / WIDTH_SPREAD])
        if turn == 0:
            p = _start(n, t, weight, prior, np.log(sigma), narrowest, widest)
        p = descend(p, n, t, weight, prior, np.log(sigma), np.log([narrowest, widest]))
        noise, ratio = _noise_about(total, p, floor)
    noise *= np.sqrt(ratio)
    rows = np.vstack([_gradient(p, n) * (np.sqrt(count) / noise)[:, None], np.diag([0, prior[0], 0, 0, 1.0])])
    spread = np.linalg.inv(rows.T @ rows)[2:, 2:]
    told = _tell(p, low, high, spread)
    return (*told, _evidence(count, n, t, p) / floor), _place(sums, p, noise)


def _means(sums):
    """Nodes, mean distance and mean value of bins; 0 where there are none."""
    count = sums[..., 0]
    return count, sums[..., 1] / np.maximum(count, 1.0), sums[..., 3] / np.maximum(count, 1.0)


def _shared_slope(sums):
    """The slope that all stretches have within themselves."""
    count, n, _, t, *_ = sums.sum(axis=1).T
    full = np.maximum(count, 1.0)
    nn, nt = (sums[..., 2].sum(axis=1) - n * n / full).sum(), (sums[..., 4].sum(axis=1) - n * t / full).sum()
    return nt / nn if nn > 0.0 else 0.0


def _levels(sums, p):
    """By how much the nodes of each stretch stand above the shape."""
    count, n, _ = _means(sums)
    above = (sums[..., 3] - count * _step(p, n)).sum(axis=1)
    return above / np.maximum(count.sum(axis=1), 1.0)


def _levelled(sums, p):
    """Sums of all stretches, each with its own level taken off."""
    level = _levels(sums, p)[:, None]
    count, n, nn, t, nt, tt = np.moveaxis(sums, 2, 0)
    parts = count, n, nn, t - level * count, nt - level * n, tt - 2 * level * t + level**2 * count
    return np.stack(parts, axis=-1).sum(axis=0)


def _start(n, t, weight, prior, middle, narrowest, widest):
    """The best of seven widths, with a level, a slope and a step by linear least squares."""
    tried = []
    for share in (np.arange(7) + 0.5) / 7:
        p = np.array([0.0, 0.0, 0.0, 0.0, np.log(narrowest) + share * np.log(widest / narrowest)])
        rows = np.vstack([_gradient(p, n)[:, :3] * weight[:, None], [0.0, prior[0], 0.0]])
        right = np.append(t * weight, 0.0)
        p[:3] = np.linalg.lstsq(rows, right, rcond=None)[0]
        misfit = ((rows @ p[:3] - right) ** 2).sum() + (prior[1] * (p[4] - middle)) ** 2
        tried.append((misfit, *p))
    return np.array(min(tried)[1:])


def descend(p, n, t, weight, prior, middle, widths):
    """Least-squares parameters, from those given; place and width bounded."""

    def misfit(p):
        return np.concatenate([(p[0] + _step(p, n) - t) * weight, prior * [p[1], p[4] - middle]])

    def slopes(p):
        known = [[0.0, prior[0], 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0, prior[1]]]
        return np.vstack([_gradient(p, n) * weight[:, None], known])

    far = 0.5 * np.exp(widths[1])
    bounds = [-np.inf, -np.inf, -np.inf, -far, widths[0]], [np.inf, np.inf, np.inf, far, widths[1]]
    return least_squares(misfit, np.clip(p, *bounds), slopes, bounds, x_scale="jac").x


def _noise_about(sums, p, floor):
    """Noise of the nodes about the shape within bins, and the misfit of the bins over it (Birge 1932)."""
    count, n, nn, t, nt, tt = sums.T
    mean, g = n / count, p[1] + 0.5 * p[2] / np.exp(p[4]) / np.cosh((n / count - p[3]) / np.exp(p[4])) ** 2
    squares = tt - t * t / count - 2 * g * (nt - t * mean) + g * g * (nn - n * mean)
    free, bins = count.sum() - count.size, count.size
    noise = max(np.sqrt(np.maximum(squares, 0.0).sum() / free), floor) if free >= 10 else floor
    between = (count * (t / count - p[0] - _step(p, mean)) ** 2).sum()
    return noise, max(between / (noise**2 * (bins - 5)), 1.0) if bins > 5 else np.inf


def _evidence(count, n, t, p):
    """Root of what a step takes off the misfit of a straight line, in units of the values."""
    straight = t - np.polyval(np.polyfit(n, t, 1, w=np.sqrt(count)), n)
    left = t - p[0] - _step(p, n)
    return np.sqrt(max((count * (straight**2 - left**2)).sum(), 0.0))


def _tell(p, low, high, spread):
    """Rise and its error, w, steepest slope and its error; errors by small steps of each parameter."""

    def rise(step, place, log_width):
        return 0.5 * step * np.diff(np.tanh((np.array([low, high]) - place) / np.exp(log_width)))[0]

    def slope(step, place, log_width):
        nearest = np.clip(place, low, high)
        return 0.5 * step / np.exp(log_width) / np.cosh((nearest - place) / np.exp(log_width)) ** 2

    def error(of):
        steps = np.diag(1e-4 * np.sqrt(np.diag(spread)))
        by = [(of(*(p[2:] + h)) - of(*(p[2:] - h))) / (2 * h.sum()) for h in steps]
        return np.sqrt(by @ spread @ by)

    width = min(np.exp(p[4]), 0.5 * (high - low))
    return rise(*p[2:]), error(rise), width, slope(*p[2:]), error(slope)


def _place(sums, p, noise):
    """Place of every stretch under the shape of its line, by Gauss-Newton, and its error."""
    count, n, t = _means(sums)
    w = np.exp(p[4])
    known = np.diag([1e-9, 1e-9, 4.0 / w**2])
    x = np.column_stack([_levels(sums, p), np.full(len(sums), p[2]), np.full(len(sums), p[3])])
    for _ in range(4):
        u = np.tanh((n - x[:, 2:]) / w)
        by = np.stack([np.ones_like(n), 0.5 * u, -0.5 * x[:, 1:2] * (1.0 - u * u) / w], axis=-1)
        left = t - x[:, :1] - p[1] * n - 0.5 * x[:, 1:2] * u
        matrix = np.einsum("sb,sbi,sbj->sij", count / noise**2, by, by) + known
        right = np.einsum("sb,sbi,sb->si", count / noise**2, by, left)
        right[:, 2] += known[2, 2] * (p[3] - x[:, 2])
        x += np.linalg.solve(matrix, right[..., None])[..., 0]
        x[:, 2] = np.clip(x[:, 2], p[3] - 2 * w, p[3] + 2 * w)
    return np.column_stack([x[:, 2], np.sqrt(np.linalg.inv(matrix)[:, 2, 2])])
