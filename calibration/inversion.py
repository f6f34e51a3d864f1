"""From the densities of the fluid to its pH: a posterior over dye ratio, dye amount, lamp and camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.camera import LOAD, LOG_RATIO, RgbSpace, SignalFamily, signal_family
from calibration.dye import PKA_STD

# How far expected and seen densities differ beyond noise: glass, dye batch, phone. Chosen so that the intervals cover
# on the rendered development photos.
_DENSITY_STD = 0.015
_DENSITY_STD_PER_DENSITY = 0.02
# Light lost or gathered alike in all channels by shadow and by the lens of the vial.
_NEUTRAL_MEAN, _NEUTRAL_STD = 0.05, 0.15
_LOAD_MEDIAN, _LOAD_STD_LN = 0.7, 0.8  # usual dye amounts, from drops per millilitre and bore of common vials
# The samples of one vial share lamp, glass and paper: together they count as this many independent ones.
_INDEPENDENT_SAMPLES = 4.0
_TRUST_IN_STATED_LIGHT = 0.97
# The end of the dye's range is "not excluded" where its likelihood comes within this factor of the best.
_END_NOT_EXCLUDED = 0.1
_SURELY_BLUE = 1.1  # baking soda alone takes water to about pH 8.3: assumption, from memory
# The patches of a chart share its inks, so all together count as this many independent ones: on simulated prints more
# made the intervals too small.
_INDEPENDENT_PATCHES = 2.0
# Between the ratios of the family the likelihood is taken from a curve through them: a usual photo tells the ratio far
# finer than their steps of 0.1.
_FINER = 4
_RATIO: NDArray[np.float64] = np.linspace(LOG_RATIO[0], LOG_RATIO[-1], _FINER * (len(LOG_RATIO) - 1) + 1)
State = Literal["acid", "base", "known", "chart", "kit-chart"]
"""What is known of the color: fluid all yellow, all blue or of known pH; a patch of the own chart or of a kit's."""
PRINTED_STATES: frozenset[State] = frozenset(("chart", "kit-chart"))
"""States of which a print was seen instead of fluid."""
PH_STEP = 0.01
PKA_SHIFT: NDArray[np.float64] = np.round(np.arange(-0.3, 0.301, 0.02), 3)
"""Grid of the pKa' around its expected value, shape (31,) [-]."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """
    The color of the same vial with fluid whose state is known, or of a patch of a chart, from a calibration.

    Parameters
    ----------
    samples : SignalSamples
        Its color.
    space : {'srgb', 'display-p3'}
        Primaries of that photo.
    state : {'acid', 'base', 'known', 'chart', 'kit-chart'}
        Dye all yellow, all blue, or at a known pH; or a print of its color. The own chart is computed for `pka` and so
        says nothing of the dye in the vial, while the maker of a kit matched its chart to the kit's dye.
    ph, ph_std : float
        Known pH and its standard uncertainty; without meaning for the ends [-].
    pka : float
        pKa' expected in that fluid, by its ionic strength and temperature [-].
    """

    samples: SignalSamples
    space: RgbSpace
    state: State
    ph: float
    ph_std: float
    pka: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhPosterior:
    """
    What is believed of the pH.

    Parameters
    ----------
    ph : ndarray of float, shape (M,)
        Grid of pH [-].
    probability : ndarray of float, shape (M,)
        Sum 1.
    median, low, high : float
        50 %, 5 % and 95 % points [-].
    open_below, open_above : bool
        The photo does not exclude that the dye is all yellow, or all blue: that end is set by the prior alone.
    load : float
        Best-fitting dye amount, absorbance of the all-blue fluid at its maximum [-].
    misfit : float
        Smallest sum of squares over the family and per sample; about 1 or less where the color is one of the dye.
    neutral_density : float
        Loss common to all channels at the best fit: high where the object is opaque [-].
    budget : dict of str to float
        Standard uncertainty of the pH from each source [-].
    """

    ph: NDArray[np.float64]
    probability: NDArray[np.float64]
    median: float
    low: float
    high: float
    open_below: bool
    open_above: bool
    load: float
    misfit: float
    neutral_density: float
    budget: dict[str, float]


def infer_ph(
    samples: SignalSamples,
    *,
    space: RgbSpace,
    pka: float,
    ph_range: tuple[float, float],
    light_class: str | None = None,
    evidence: Sequence[Evidence] = (),
    trust: float = 1.0,
) -> PhPosterior:
    """
    Return the posterior of the pH.

    Every sample has a dye amount and a neutral loss of its own; both are integrated out. Lamp, sensor, color matrix
    and saturation are summed over. The pKa' starts as a normal distribution. Evidence from a calibration weighs the
    members of the family by how well they explain it, and moves the pKa' of each.

    Parameters
    ----------
    samples : SignalSamples
        Color of the fluid, at least one part.
    space : {'srgb', 'display-p3'}
        Primaries of the photo.
    pka : float
        pKa' at the temperature of the fluid [-].
    ph_range : tuple of float
        Between these the pH is equally likely beforehand, outside it falls off within about 0.35 [-].
    light_class : str, optional
        One of `calibration.spectra.LIGHT_CLASSES` where the user knows the lamp.
    evidence : sequence of Evidence, optional
        The same vial, phone and light with fluid whose state is known.
    trust : float, default 1.0
        Probability that this evidence applies to the photo [-].

    Returns
    -------
    PhPosterior
        Median and 90 % interval.

    Raises
    ------
    ValueError
        If there are no samples or the lamp class is unknown.
    """
    family = signal_family(space)
    if len(samples.density) == 0:
        raise ValueError("The color of at least one part of the fluid is needed.")
    known = weigh_members(_member_weight(family, light_class), evidence, trust)  # (member, pKa)
    fit = _fit_family(samples, family.density)
    fluid = np.exp(fit.log_likelihood - fit.log_likelihood.max())  # (member, ratio)
    by_pka = known.T @ fluid  # (pKa, ratio)
    ph = np.arange(ph_range[0] - 0.8, ph_range[1] + 0.8, PH_STEP)
    probability = _ph_prior(ph, ph_range) * sum(
        np.interp(ph - pka - shift, _RATIO, row) for shift, row in zip(PKA_SHIFT, by_pka, strict=True)
    )
    probability /= probability.sum()
    likelihood = by_pka.sum(axis=0)
    low, median, high = quantiles(ph, probability, (0.05, 0.5, 0.95))

    return PhPosterior(
        ph=ph,
        probability=probability,
        median=median,
        low=low,
        high=high,
        open_below=bool(likelihood[0] > _END_NOT_EXCLUDED * likelihood.max()),
        open_above=bool(likelihood[-1] > _END_NOT_EXCLUDED * likelihood.max()),
        load=fit.load,
        misfit=fit.misfit,
        neutral_density=fit.neutral_density,
        budget={"dye pKa": _std_of(PKA_SHIFT, known.sum(axis=0))}
        | _budget(known.sum(axis=1)[:, None] * fluid, _ph_prior(_RATIO + pka, ph_range)),
    )


def weigh_members(
    member_weight: NDArray[np.float64], evidence: Sequence[Evidence], trust: float = 1.0
) -> NDArray[np.float64]:
    """
    Return the joint weight of every member of the family and every shift of the pKa'.

    The evidence counts with probability `trust`; with the rest it does not apply to the photo at hand, and the prior
    stands. Where the photo contradicts the evidence the prior so takes over by itself.

    Parameters
    ----------
    member_weight : ndarray of float, shape (K,)
        Prior weight of the members.
    evidence : sequence of Evidence
        Nothing leaves the prior as it is.
    trust : float, default 1.0
        Probability that the evidence applies [-].

    Returns
    -------
    ndarray of float64, shape (K, 31)
        Over the members and `PKA_SHIFT`, sum 1.
    """
    log_prior = np.log(member_weight)[:, None] - 0.5 * (PKA_SHIFT[None, :] / PKA_STD) ** 2
    log_weight = log_prior
    n_patches = sum(item.state in PRINTED_STATES for item in evidence)
    patch_share = min(1.0, _INDEPENDENT_PATCHES / max(n_patches, 1))
    for item in evidence:
        samples = item.samples
        densities = (samples.density.tobytes(), samples.density_std.tobytes())
        share = patch_share if item.state in PRINTED_STATES else 1.0
        log_weight = log_weight + share * _log_of_evidence(
            *densities, item.space, item.state, item.ph, item.ph_std, item.pka
        )
    weight: NDArray[np.float64] = trust * _normed(log_weight) + (1.0 - trust) * _normed(log_prior)
    return weight


@lru_cache(maxsize=64)  # the evidence of a profile is the same for every photo
def _log_of_evidence(
    density: bytes, density_std: bytes, space: RgbSpace, state: str, ph: float, ph_std: float, pka: float
) -> NDArray[np.float64]:
    """Log likelihood of known fluid over members and, where its pH is known, pKa' shifts; shape (K, 1) or (K, 31)."""
    samples = SignalSamples(
        density=np.frombuffer(density).reshape(-1, 3), density_std=np.frombuffer(density_std).reshape(-1, 3)
    )
    log_likelihood = _fit_family(samples, signal_family(space).density).log_likelihood
    if state in ("known", "kit-chart"):
        log_weight = _log_at_known_ph(log_likelihood, ph, ph_std, pka)
    elif state == "chart":
        log_weight = _log_at_known_ph(log_likelihood, ph, ph_std, pka)[:, [len(PKA_SHIFT) // 2]]
    elif state == "acid":
        log_weight = log_likelihood[:, [0]]
    else:
        # Soda makes the fluid blue, but not how blue: any ratio of a twelvefold excess and more is as likely.
        log_weight = np.logaddexp.reduce(log_likelihood[:, _RATIO > _SURELY_BLUE], axis=1)[:, None]
    log_weight.setflags(write=False)
    return log_weight


def _normed(log_weight: NDArray[np.float64]) -> NDArray[np.float64]:
    weight = np.exp(log_weight - log_weight.max())
    normed: NDArray[np.float64] = weight / weight.sum()
    return normed


def _log_at_known_ph(log_likelihood: NDArray[np.float64], ph: float, ph_std: float, pka: float) -> NDArray[np.float64]:
    """Log likelihood of a known fluid over members and pKa' shifts, shape (K, 31), the pH being uncertain."""
    likelihood = np.exp(log_likelihood - log_likelihood.max())
    total = np.zeros((len(likelihood), len(PKA_SHIFT)))
    # Gauss-Hermite quadrature over the pH.
    nodes, weights = np.polynomial.hermite_e.hermegauss(11)
    for node, weight in zip(nodes, weights / weights.sum(), strict=True):
        ratio = np.clip(ph + node * ph_std - pka - PKA_SHIFT, _RATIO[0], _RATIO[-1])
        place = (ratio - _RATIO[0]) / (_RATIO[1] - _RATIO[0])
        lower = np.minimum(place.astype(int), len(_RATIO) - 2)
        upper_share = place - lower
        total += weight * (likelihood[:, lower] * (1.0 - upper_share) + likelihood[:, lower + 1] * upper_share)
    return np.log(np.maximum(total, 1e-300))


def _member_weight(family: SignalFamily, light_class: str | None) -> NDArray[np.float64]:
    if light_class is None:
        return family.weight
    same = family.light_class == light_class
    if not same.any():
        raise ValueError(f"There is no lamp class {light_class!r}.")
    trust = np.where(same, _TRUST_IN_STATED_LIGHT / family.weight[same].sum(), 1.0 - _TRUST_IN_STATED_LIGHT)
    weight: NDArray[np.float64] = family.weight * trust / float(family.weight @ trust)
    return weight


def quantiles(
    grid: NDArray[np.float64], probability: NDArray[np.float64], levels: tuple[float, ...]
) -> tuple[float, ...]:
    """
    Return quantiles of a distribution on a grid.

    Parameters
    ----------
    grid, probability : ndarray of float, shape (M,)
        Rising grid, and weights of sum 1.
    levels : tuple of float
        Between 0 and 1.

    Returns
    -------
    tuple of float
        One value for each level.
    """
    cumulative = np.cumsum(probability) - 0.5 * probability
    return tuple(float(np.interp(level, cumulative, grid)) for level in levels)


@dataclass(frozen=True, slots=True, kw_only=True)
class _FamilyFit:
    log_likelihood: NDArray[np.float64]  # (K, ratio)
    load: float
    misfit: float
    neutral_density: float


def _fit_family(samples: SignalSamples, expected: NDArray[np.float32]) -> _FamilyFit:
    log_load_prior = -0.5 * (np.log(LOAD / _LOAD_MEDIAN) / _LOAD_STD_LN) ** 2
    load_prior = np.exp(log_load_prior).astype(np.float32)
    load_prior /= load_prior.sum()
    total = np.zeros(expected.shape[:2])
    misfits, loads, neutrals = [], [], []
    for density, noise_std in zip(samples.density, samples.density_std, strict=True):
        std = np.sqrt(_DENSITY_STD**2 + (_DENSITY_STD_PER_DENSITY * density) ** 2 + noise_std**2)
        precision = (1.0 / std**2).astype(np.float32)
        # A neutral shift of unknown size adds variance along (1, 1, 1); Sherman-Morrison gives the inverse.
        shrink = np.float32(1.0 / (1.0 / _NEUTRAL_STD**2 + precision.sum()))
        residual = (density - _NEUTRAL_MEAN).astype(np.float32) - expected
        projected = residual @ precision
        square = np.square(residual) @ precision - shrink * projected**2
        least = square.min(axis=-1)
        marginal = np.exp(-0.5 * (square - least[..., None])) @ load_prior
        total += np.log(marginal) - 0.5 * least
        best = np.unravel_index(int(np.argmin(square)), square.shape)
        misfits.append(float(square[best]))
        loads.append(float(LOAD[best[2]]))
        neutrals.append(_NEUTRAL_MEAN + float(shrink * projected[best]))
    total *= min(1.0, _INDEPENDENT_SAMPLES / len(samples.density))
    return _FamilyFit(
        log_likelihood=total @ _curve_through_ratios(),
        load=float(np.median(loads)),
        misfit=float(np.median(misfits)),
        neutral_density=float(np.median(neutrals)),
    )


@lru_cache(maxsize=1)
def _curve_through_ratios() -> NDArray[np.float64]:
    """Weights of a cubic curve through the ratios of the family (Catmull-Rom), shape (41, 161)."""
    n = len(LOG_RATIO)
    place = np.arange(len(_RATIO)) / _FINER
    lower = np.minimum(place.astype(int), n - 2)
    t = place - lower
    parts = (
        t * (-0.5 + t * (1.0 - 0.5 * t)),
        1.0 + t**2 * (1.5 * t - 2.5),
        t * (0.5 + t * (2.0 - 1.5 * t)),
        0.5 * t**2 * (t - 1.0),
    )
    weights = np.zeros((n, len(_RATIO)))
    for offset, part in enumerate(parts, -1):
        np.add.at(weights, (np.clip(lower + offset, 0, n - 1), np.arange(len(_RATIO))), part)
    return weights


def _ph_prior(ph: NDArray[np.float64], ph_range: tuple[float, float], edge: float = 0.35) -> NDArray[np.float64]:
    outside = np.maximum(ph_range[0] - ph, 0.0) + np.maximum(ph - ph_range[1], 0.0)
    return np.exp(-0.5 * (outside / edge) ** 2)


def _std_of(grid: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    mean = float(weight @ grid) / float(weight.sum())
    return float(np.sqrt(weight @ (grid - mean) ** 2 / weight.sum()))


def _budget(joint: NDArray[np.float64], prior_of_ratio: NDArray[np.float64]) -> dict[str, float]:
    """Split the variance of the log ratio into what the choice of lamp and camera brings, and the rest."""
    joint = joint * prior_of_ratio
    joint = joint / joint.sum()
    of_ratio = joint.sum(axis=0)
    mean = float(of_ratio @ _RATIO)
    variance = float(of_ratio @ (_RATIO - mean) ** 2)
    weight = joint.sum(axis=1)
    seen = weight > 1e-12
    means = (joint[seen] @ _RATIO) / weight[seen]
    by_camera = float(weight[seen] @ (means - mean) ** 2)
    return {
        "light and camera": float(np.sqrt(by_camera)),
        "color of the fluid": float(np.sqrt(max(variance - by_camera, 0.0))),
    }
