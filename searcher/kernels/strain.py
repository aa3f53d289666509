"""Divergence, vorticity and strain of a horizontal flow on the ellipsoid.

∂u/∂x and the like by central differences in metres, with the curvature terms of spherical coordinates:
δ = u_x + v_y − v tanφ/N, ζ = v_x − u_y + u tanφ/N (e.g. Gill 1982, *Atmosphere-Ocean Dynamics*, ch. 4).
Eigenvalues s1 <= s2 of the rate of strain are objective: a rotation of the frame leaves them alone (Serra
et al. 2020, Nat. Commun. 11:2525).
"""

import math

import numpy as np

from searcher.kernels.compiled import kernel
from searcher.kernels.metric import E2, RADIAN, A


@kernel()
def strain(u, v, lat, east, north):
    """Of u, v (lat, lon) in m/s: divergence, vorticity, s1, s2 (1/s), and the unit vector of s1.

    lat: degrees, (lat,). east, north: metres between nodes, (lat,). Six float64 arrays, NaN beside gaps and
    on the rim. The vector of s1 points along the strongest compression; a line that gathers lies across it.
    """
    ny, nx = u.shape
    out = np.full((6, ny, nx), math.nan)
    for j in range(1, ny - 1):
        phi = lat[j] * RADIAN
        curve = math.tan(phi) * math.sqrt(1.0 - E2 * math.sin(phi) ** 2) / A
        for i in range(1, nx - 1):
            ux = (u[j, i + 1] - u[j, i - 1]) / (2.0 * east[j]) - v[j, i] * curve
            vx = (v[j, i + 1] - v[j, i - 1]) / (2.0 * east[j])
            uy = (u[j + 1, i] - u[j - 1, i]) / (2.0 * north[j])
            vy = (v[j + 1, i] - v[j - 1, i]) / (2.0 * north[j])
            turn = u[j, i] * curve
            mean = 0.5 * (ux + vy)
            normal = 0.5 * (ux - vy)
            shear = 0.5 * (vx + uy + turn)
            size = math.sqrt(normal * normal + shear * shear)
            # the stretching axis lies at θ with cos 2θ = normal/size, sin 2θ = shear/size: half angles, from
            # whichever of 1 ± cos 2θ does not cancel
            twice = abs(normal) / size if size != 0.0 else 1.0
            long = math.sqrt(0.5 + 0.5 * twice)
            short = 0.5 * abs(shear) / (size * long) if size != 0.0 else 0.0  # NaN stays NaN
            cosine = long if normal >= 0.0 else short
            sine = math.copysign(short if normal >= 0.0 else long, shear)
            out[0, j, i] = ux + vy
            out[1, j, i] = vx - uy + turn
            out[2, j, i] = mean - size
            out[3, j, i] = mean + size
            out[4, j, i] = -sine
            out[5, j, i] = cosine
    return out[0], out[1], out[2], out[3], out[4], out[5]
