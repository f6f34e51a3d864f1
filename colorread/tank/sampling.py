"""Equally likely draws of a posterior over standard-normal coordinates, from its mode on."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

# Draws, how much wider the first ones lie than a normal distribution at the mode, how many steps they walk each time
# and at last, and which share of the steps is taken, by which their length is set: common practice, no source.
N_DRAWS = 1000
_SPREAD, _N_WALKS, _N_LAST_WALKS, _USUAL_ACCEPTED = 1.3, 6, 40, 0.25

# Densities or residuals, (D,) or (D, R), at coordinates of shape (D, n).
_OfCoordinates = Callable[[NDArray[np.float64]], NDArray[np.float64]]


def sample(n: int, log_posterior: _OfCoordinates, residuals: _OfCoordinates) -> NDArray[np.float64]:
    """
    Return equally likely draws of a posterior over n coordinates, by its log density up to a constant.

    The residuals are what is squared in it besides the coordinates.

    Gauss-Newton finds its mode. Draws of a normal distribution around it are led over to the posterior in steps, each
    small enough that half of them still count, and after each they walk (sequential Monte Carlo: Del Moral, Doucet &
    Jasra 2006, J. R. Stat. Soc. B 68, 411).
    """
    rng = np.random.default_rng(0)  # the same readings give the same numbers
    mode, factor = _normal_at_mode(n, residuals)
    x = mode + _SPREAD * rng.standard_normal((N_DRAWS, n)) @ factor.T

    def log_densities(x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return those of the normal distribution and of the posterior, shape (2, D)."""
        whitened = np.linalg.solve(factor, (x - mode).T) / _SPREAD
        return np.stack([-0.5 * (whitened**2).sum(axis=0), log_posterior(x)])

    log_density, share, scale = log_densities(x), 0.0, 2.38 / math.sqrt(n)
    while share < 1.0:
        gain = log_density[1] - log_density[0]
        step = _largest_step(gain, 1.0 - share)
        share = min(share + step, 1.0)
        # Evenly spaced points on the cumulated weights: fewer repeats than free draws.
        cumulated = np.cumsum(np.exp(step * (gain - gain.max())))
        points = (np.arange(N_DRAWS) + 0.5) / N_DRAWS * cumulated[-1]
        index = np.searchsorted(cumulated, points)
        x, log_density = x[index], log_density[:, index]
        walk = np.linalg.cholesky(np.cov(x.T) + 1e-6 * np.eye(n))
        for _ in range(_N_WALKS if share < 1.0 else _N_LAST_WALKS):
            there = x + scale * rng.standard_normal(x.shape) @ walk.T
            log_there = log_densities(there)
            odds = np.array([1.0 - share, share]) @ (log_there - log_density)
            goes = np.log(rng.random(N_DRAWS)) < odds
            x = np.where(goes[:, None], there, x)
            log_density = np.where(goes, log_there, log_density)
            scale *= math.exp(goes.mean() - _USUAL_ACCEPTED)
    return x


def _normal_at_mode(n: int, residuals: _OfCoordinates) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the mode, and the Cholesky factor of the covariance around it."""
    from scipy.optimize import least_squares

    def stacked(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.append(residuals(x[None])[0], x)

    def jacobian(x: NDArray[np.float64]) -> NDArray[np.float64]:
        step = 1e-4
        around = np.concatenate([x + step * np.eye(n), x - step * np.eye(n)])
        off = residuals(around)
        slope = (off[:n] - off[n:]) / (2.0 * step)
        return np.concatenate([slope.T, np.eye(n)])

    mode = least_squares(stacked, np.zeros(n), jac=jacobian, loss="soft_l1", f_scale=3.0, max_nfev=60).x
    slope = jacobian(mode)
    return mode, np.linalg.cholesky(np.linalg.inv(slope.T @ slope))


def _largest_step(gain: NDArray[np.float64], most: float) -> float:
    """Return the largest power of the weights, at most `most`, with which half of the draws count."""
    low, high = 0.0, most
    step = most
    while high - low > 1e-3 * high:
        weight = np.exp(step * (gain - gain.max()))
        half_count = weight.sum() ** 2 >= 0.5 * len(weight) * (weight**2).sum()
        low, high = (step, high) if half_count else (low, step)
        step = (low + high) / 2.0
    return step
