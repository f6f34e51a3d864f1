"""How well every light, sensor and color processing of the family explains the color of a fluid."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.camera import LOAD, LOG_RATIO, USUAL_LOAD

# How far expected and seen light differ beyond noise, chosen so that the intervals cover on the rendered photos: a part
# in proportion (glass, thickness), and a part of the paper's light (white balance, dye batch), as the color matrix of
# the phone mixes the channels: it weighs most where a channel is dark.
_DENSITY_STD = 0.007
_LIGHT_STD = 0.012
# Light lost or gathered alike in all channels by shadow and by the lens of the vial, as density: assumptions.
_NEUTRAL_MEAN, _NEUTRAL_STD = 0.05, 0.15
_LOAD_STD_LN = 0.8  # of the logarithm of dye amounts around the usual one: assumption
# The fluids of a calibration are to get the same drops of dye; then the parts of all photos differ in dye by thickness
# and by the size of drops alone. Probability that they did, and standard deviation of the logarithm: assumptions; the
# rendered vials are explained best by somewhat smaller deviations.
SAME_DROPS = 0.8
_SAME_DROPS_STD_LN = 0.3
# The samples of one vial share lamp, glass and paper: together they count as this many independent ones at most:
# assumption. A photo has four parts, so that each counts fully.
_INDEPENDENT_SAMPLES = 4.0
# Between the ratios of the family the likelihood is taken from a curve through them: a usual photo tells the ratio far
# finer than their steps of 0.1.
_FINER = 4
_LEAST = 1e-30  # of a likelihood, so that its logarithm can be taken
RATIO: NDArray[np.float64] = np.linspace(LOG_RATIO[0], LOG_RATIO[-1], _FINER * (len(LOG_RATIO) - 1) + 1)
"""Grid of pH - pKa' that likelihoods are told on, shape (161,) [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalSamples:
    """
    Color of the fluid, in parts of unlike thickness.

    Parameters
    ----------
    density : ndarray of float, shape (N, 3)
        -log10 of fluid over paper in linear R, G, B, each part the median of its pixels.
    density_std : ndarray of float, shape (N, 3)
        Standard uncertainty from noise, clipping and paper [-].
    """

    density: NDArray[np.float64]
    density_std: NDArray[np.float64]


def _bell(ln_ratio: NDArray[np.float64], std_ln: float) -> NDArray[np.float64]:
    """Return normal weights, every column of sum 1."""
    weight = np.exp(-0.5 * (ln_ratio / std_ln) ** 2)
    return np.asarray(weight / weight.sum(axis=0), dtype=np.float64)


_SHARED_LOAD = np.geomspace(0.2, 2.5, 10)  # over two deviations of usual amounts, in steps below one of drops
AMOUNT_WEIGHT: NDArray[np.float64] = np.append(
    1.0 - SAME_DROPS, SAME_DROPS * _bell(np.log(_SHARED_LOAD / USUAL_LOAD), _LOAD_STD_LN)
)
"""Prior weight of what the dye amounts in the photos of one vial may be, shape (11,): any in each, or a shared one."""
_LOAD_WEIGHT = np.column_stack(
    [
        _bell(np.log(LOAD[:, None] / USUAL_LOAD), _LOAD_STD_LN),
        _bell(np.log(LOAD[:, None] / _SHARED_LOAD), _SAME_DROPS_STD_LN),
    ]
).astype(np.float32)  # of each load in a part of a photo, for each of these; shape (20, 11)


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyFit:
    """
    How well each member of the family explains a color.

    Parameters
    ----------
    log_likelihood : ndarray of float64, shape (K, A, 161)
        Over the members, what the dye amounts may be, and `RATIO`.
    load : float
        Dye amount at the best common fit, median of the parts [-].
    misfit : float
        Smallest sum of squares that one member and ratio leave, per part: 0.3 in the median; above 1 the likelihood is
        the flatter for it.
    neutral_density : float
        Loss common to all channels there, median of the parts [-].
    """

    log_likelihood: NDArray[np.float64]
    load: float
    misfit: float
    neutral_density: float


def fit_family(samples: SignalSamples, expected: NDArray[np.float32], *, n_amounts: int = 1) -> FamilyFit:
    """
    Return how well each member of the family explains a color, at every ratio of the dye's forms.

    Parameters
    ----------
    samples : SignalSamples
        At least one part; each has a dye amount and a neutral loss of its own, both integrated out.
    expected : ndarray of float32, shape (K, 41, 20, 3)
        Densities of the family over members, ratios and dye amounts.
    n_amounts : int, default 1
        How many of `AMOUNT_WEIGHT` are told apart: the first alone for a photo by itself, or all.

    Returns
    -------
    FamilyFit
        Likelihood and best fit.
    """
    channels = expected.T  # (3, 20, 41, K), as it lies in memory
    load_weight = _LOAD_WEIGHT[:, :n_amounts]
    total = np.zeros((n_amounts, *channels.shape[2:]))
    total_least = np.zeros(channels.shape[2:])
    off_neutral = samples.density - _NEUTRAL_MEAN
    precisions: list[NDArray[np.float64]] = []
    for density, off, noise_std in zip(samples.density, off_neutral, samples.density_std, strict=True):
        variance = _DENSITY_STD**2 + (_LIGHT_STD / np.log(10.0) * 10.0**density) ** 2 + noise_std**2
        # A neutral shift of unknown size adds variance along (1, 1, 1).
        precisions.append(np.asarray(np.linalg.inv(np.diag(variance) + _NEUTRAL_STD**2), dtype=np.float64))
        half_square = _half_square(channels, off, precisions[-1])
        least = half_square.min(axis=0)
        total_least += least
        likelihood = np.exp(np.subtract(least, half_square, out=half_square), out=half_square)
        # Not by matrix product, whose last digit depends on the number of threads.
        marginal = np.einsum("la,lrk->ark", load_weight, likelihood)
        total += np.log(np.maximum(marginal, _LEAST)) - least
    # At the ratio and the member that explain all parts best, each by a dye amount of its own.
    ratio, member = np.unravel_index(int(np.argmin(total_least)), total_least.shape)
    residual = off_neutral[:, None] - channels[:, :, ratio, member].T  # (N, 20, 3)
    weighted = residual @ np.array(precisions)
    load = (weighted * residual).sum(axis=-1).argmin(axis=1)
    neutral = _NEUTRAL_MEAN + _NEUTRAL_STD**2 * weighted.sum(axis=-1)[np.arange(len(load)), load]
    misfit = 2.0 * float(total_least[ratio, member]) / len(off_neutral)
    # What no member explains well tells less, and soon nothing: the more the best fit is off, the flatter it is.
    # Of 457 rendered photos never trained on it costs no width, and all four that fit worse than 3 are covered.
    total *= min(1.0, _INDEPENDENT_SAMPLES / len(samples.density)) / max(1.0, misfit) ** 2
    return FamilyFit(
        log_likelihood=np.transpose(total, (2, 0, 1)) @ _curve_through_ratios(),
        load=float(np.median(LOAD[load])),
        misfit=misfit,
        neutral_density=float(np.median(neutral)),
    )


def _half_square(
    channels: NDArray[np.float32], density: NDArray[np.float64], precision: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Return half the weighted square of how far a density lies from every expected one, shape (20, 41, K)."""
    whiten = np.sqrt(0.5) * np.linalg.cholesky(precision).T
    (rr, rg, rb), (_, gg, gb), (_, _, bb) = whiten.astype(np.float32)  # zero below the diagonal
    red_target, green_target, blue_target = (whiten @ density).astype(np.float32)
    half_square: NDArray[np.float32] = np.empty_like(channels[0])
    # What belongs to one dye amount fits into the cache of the processor.
    for square, red, green, blue in zip(half_square, *channels, strict=True):
        square[:] = np.square(rr * red + rg * green + rb * blue - red_target)
        square += np.square(gg * green + gb * blue - green_target)
        square += np.square(bb * blue - blue_target)
    return half_square


@lru_cache(maxsize=1)
def _curve_through_ratios() -> NDArray[np.float64]:
    """Weights of a cubic curve through the ratios of the family (Catmull-Rom), shape (41, 161)."""
    n = len(LOG_RATIO)
    place = np.arange(len(RATIO)) / _FINER
    lower = np.minimum(place.astype(int), n - 2)
    t = place - lower
    parts = (
        t * (-0.5 + t * (1.0 - 0.5 * t)),
        1.0 + t**2 * (1.5 * t - 2.5),
        t * (0.5 + t * (2.0 - 1.5 * t)),
        0.5 * t**2 * (t - 1.0),
    )
    weights = np.zeros((n, len(RATIO)))
    for offset, part in enumerate(parts, -1):
        np.add.at(weights, (np.clip(lower + offset, 0, n - 1), np.arange(len(RATIO))), part)
    return weights
