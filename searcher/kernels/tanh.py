"""A tanh step on a slope, T(n) = a + b·n + step/2·tanh((n - n0)/w), fitted to sums of nodes.

By Levenberg-Marquardt (Marquardt 1963, J. SIAM 11:431-441) on the means of bins of n (`section.SUMS`). The
parameters stand in arrays: a, b, step, n0, ln w.
"""

import math

import numpy as np

from searcher.kernels.compiled import inner

#: spread of ln w before anything is seen: a factor of e either way
WIDTH_SPREAD = 1.0
#: turns of Marquardt's method
TURNS = 40


@inner()
def solve(matrix, right, size):
    """Solve a positive definite system by Cholesky, in place of `right`; False where it is none.

    matrix: its lower half; replaced by its factor.
    """
    for i in range(size):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            if i > j:
                matrix[i, j] = total / matrix[j, j]
            elif total > 0.0:
                matrix[i, i] = math.sqrt(total)
            else:
                return False
    for i in range(size):
        for k in range(i):
            right[i] -= matrix[i, k] * right[k]
        right[i] /= matrix[i, i]
    for i in range(size - 1, -1, -1):
        for k in range(i + 1, size):
            right[i] -= matrix[k, i] * right[k]
        right[i] /= matrix[i, i]
    return True


@inner()
def weigh(sums, p, noise, background, middle, matrix, right):
    """Misfit of parameters a, b, step, n0, ln w; its normal equations into `matrix` and `right`.

    b and ln w are known beforehand to be 0 ± background and middle ± `WIDTH_SPREAD`.
    """
    w = math.exp(p[4])
    for a in range(5):
        right[a] = 0.0
        for b in range(5):
            matrix[a, b] = 0.0
    matrix[1, 1] = 1.0 / background**2
    right[1] = -p[1] * matrix[1, 1]
    matrix[4, 4] = 1.0 / WIDTH_SPREAD**2
    right[4] = (middle - p[4]) * matrix[4, 4]
    misfit = right[1] ** 2 / matrix[1, 1] + right[4] ** 2 / matrix[4, 4]
    by = np.empty(5)
    by[0] = 1.0
    for k in range(sums.shape[0]):
        count = sums[k, 0]
        if count > 0.0:
            n = sums[k, 1] / count
            t = math.tanh((n - p[3]) / w)
            by[1] = n
            by[2] = 0.5 * t
            by[3] = -0.5 * p[2] * (1.0 - t * t) / w
            by[4] = by[3] * (n - p[3])
            left = sums[k, 3] / count - (p[0] + p[1] * n + p[2] * by[2])
            weight = count / (noise * noise)
            misfit += weight * left * left
            for a in range(5):
                right[a] += weight * left * by[a]
                for b in range(a + 1):
                    matrix[a, b] += weight * by[a] * by[b]
    return misfit


@inner()
def start(sums, p, noise, background, middle, narrowest, widest, matrix, right):
    """The best of seven widths to start from, with a, b and step by linear least squares."""
    best = math.inf
    kept = np.empty(5)
    kept[:] = 0.0
    for trial in range(7):
        for a in range(4):
            p[a] = 0.0
        p[4] = math.log(narrowest) + (trial + 0.5) / 7.0 * math.log(widest / narrowest)
        weigh(sums, p, noise, background, middle, matrix, right)
        if solve(matrix, right, p.size - 2):
            for a in range(3):
                p[a] = right[a]
            misfit = weigh(sums, p, noise, background, middle, matrix, right)
            if misfit < best:
                best = misfit
                for a in range(5):
                    kept[a] = p[a]
    for a in range(5):
        p[a] = kept[a]


@inner()
def _hold(matrix, right, a):
    """Keep parameter `a` where it is in the normal equations."""
    for b in range(right.size):
        matrix[max(a, b), min(a, b)] = 0.0
    matrix[a, a] = 1.0
    right[a] = 0.0


@inner()
def fit(sums, p, noise, background, middle, narrowest, reach, matrix, right):
    """Least-squares parameters into `p`, from those it holds; False where there is too little to fit.

    n0 keeps within half of `reach`, w between `narrowest` and `reach`; one that stands at its bound and is
    drawn beyond it is held there while the others are sought.
    """
    low = -0.5 * reach, math.log(narrowest)
    high = 0.5 * reach, math.log(reach)
    best = weigh(sums, p, noise, background, middle, matrix, right)
    damping = 1e-3
    trial = np.empty(5)
    for _ in range(TURNS if best < math.inf else 0):
        weigh(sums, p, noise, background, middle, matrix, right)
        for k in range(2):
            a = 3 + k
            if (p[a] >= high[k] and right[a] > 0.0) or (p[a] <= low[k] and right[a] < 0.0):
                _hold(matrix, right, a)
        for a in range(5):
            matrix[a, a] *= 1.0 + damping
        if not solve(matrix, right, p.size):
            return False
        for a in range(5):
            trial[a] = p[a] + right[a]
        for k in range(2):
            trial[3 + k] = min(max(trial[3 + k], low[k]), high[k])
        misfit = weigh(sums, trial, noise, background, middle, matrix, right)
        gain = best - misfit
        if gain >= 0.0:
            best = misfit
            for a in range(5):
                p[a] = trial[a]
        damping = max(0.1 * damping, 1e-9) if gain >= 0.0 else 10.0 * damping
        if damping > 1e6 or 0.0 <= gain < 1e-7 * best + 1e-9:
            break
    return best < math.inf
