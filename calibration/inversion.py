"""From densities to pH: how lamps and cameras explain a color, how known colors weigh them, and the posterior."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.camera import LOAD, LOG_RATIO, USUAL_LOAD, SignalFamily, signal_family
from calibration.color_space import ColorSpace, Floats
from calibration.dye import PKA_STD

# How far expected and seen light differ beyond noise, chosen so that the intervals cover on the rendered photos: a
# proportional part (glass, thickness), and a part of the paper's light (white balance, dye batch), because the phone's
# color matrix mixes the channels; the latter matters most where a channel is dark.
_DENSITY_STD = 0.007
_LIGHT_STD = 0.012
# Light lost or gained equally in all channels, by shadow and by the vial acting as a lens, as density: assumptions.
_NEUTRAL_MEAN, _NEUTRAL_STD = 0.05, 0.15
# Of the logarithm of dye amounts around the usual one, in a vial: assumption. The parts of one photo share a vial, but
# each has a prior of its own, which is wider so that together they count less. On 935 rendered photos misses add up to
# 3.1 instead of 3.5 pH; the wider it is, the fewer readings have two sides (570 instead of 600).
_LOAD_STD_LN, _PART_LOAD_STD_LN = 0.8, 1.0
# The fluids of a calibration should all get the same number of drops of dye; then the parts of all photos differ in dye
# only by thickness and drop size. Probability that they did, an assumption, and standard deviation of the logarithm:
# with 0.2 instead of 0.3 the true pH of 168 rendered readings with a profile is more probable in all seven sets.
_SAME_DROPS = 0.8
_SAME_DROPS_STD_LN = 0.2
# The samples of one vial share lamp, glass and paper, so together they count as this many independent ones at most:
# assumption. A photo has four parts, so each counts fully.
_INDEPENDENT_SAMPLES = 4.0
# Between the ratios of the family the likelihood is interpolated by a curve, with this many steps: a usual photo
# determines the ratio to far better than the family's steps of 0.1.
_FINER = 4
# Probability that the fluid is water without dye, whose color says nothing about the pH: assumption. Without it two
# photos of clear water in front of overexposed paper were read as pH 7. It costs 3 of 1 025 photos of fluid, and two of
# these had missed anyway; ten times the probability costs 9 more.
_CLEAR_PROBABILITY = 0.002
_LEAST = 1e-30  # smallest likelihood, so that its logarithm can be taken
RATIO: Floats = np.linspace(LOG_RATIO[0], LOG_RATIO[-1], _FINER * (len(LOG_RATIO) - 1) + 1)
"""Grid of pH - pKa' of all likelihoods, shape (161,) [-]."""

# pH - pKa': baking soda alone brings water to about pH 8.3 (from memory), and pKa' at its ionic strength is near 7.2.
_SURELY_BLUE = 1.1
# The patches of a chart share its inks, so together they count as this many independent ones: on simulated prints a
# larger number made the intervals too narrow.
_INDEPENDENT_PATCHES = 2.0
# Light, glare and paper shift the pH of one photo of a known fluid: standard deviations and their probabilities. Every
# reading with the profile has that error, and two photos that contradict each other leave both in doubt. On 9 rendered
# vials, with each photo near pH 6.9 in turn as the known one, the intervals covered 89 % without it and 94 % with it.
_PHOTO_ERROR = {0.02: 0.9, 0.1: 0.1}
State = Literal["acid", "base", "known", "chart", "kit-chart"]
"""How a color is known: fluid all yellow, all blue or of known pH; a patch of this project's chart or of a kit's."""
PRINTED_STATES: frozenset[State] = frozenset(("chart", "kit-chart"))
"""States in which the photo shows a print instead of fluid."""
PKA_SHIFT: Floats = np.round(np.arange(-0.3, 0.301, 0.02), 3)
"""Grid of the pKa' around its expected value, shape (31,) [-]."""

_TRUST_IN_ENTERED_LIGHT = 0.97  # a keeper seldom names the wrong lamp: assumption
# An end of the dye's range is "not excluded" if its likelihood is at least this share of the best: assumption; for a
# normal likelihood that is 2.4 standard deviations. With a tenth, more two-sided intervals below pH 6.3 were too high.
_END_NOT_EXCLUDED = 0.05
# Beyond the usual range the prior falls off like a normal distribution with this standard deviation in pH: assumption,
# wide enough that a clear color far outside still decides.
_PRIOR_EDGE_STD = 0.35
_PH_STEP = 0.01
# A single color hardly distinguishes lamps and cameras: with every fifth of them the pH of 9 in 10 of 747 rendered
# photos moves by less than 0.006, in a third of the time. Where these explain the color badly, all are used.
_FIRST_EVERY = 5
# Names in the budget: shown to people, and also the keys that the tank model looks up, even in stored logs.
BUDGET_PKA, BUDGET_CAMERA, BUDGET_COLOR = "dye pKa", "light and camera", "color of the fluid"


def _bell(ln_ratio: Floats, std_ln: float) -> Floats:
    """Return normal weights; every column sums to 1."""
    weight = np.exp(-0.5 * (ln_ratio / std_ln) ** 2)
    return np.asarray(weight / weight.sum(axis=0))


_SHARED_LOAD = np.geomspace(0.2, 2.5, 12)  # the range of usual amounts, in steps about the deviation of drops
AMOUNT_WEIGHT: Floats = np.append(
    1.0 - _SAME_DROPS, _SAME_DROPS * _bell(np.log(_SHARED_LOAD / USUAL_LOAD), _LOAD_STD_LN)
)
"""Prior weights for the dye in the photos of one vial, shape (13,): any amount in each photo, or one shared amount."""
_LOAD_WEIGHT = np.column_stack(
    [
        _bell(np.log(LOAD[:, None] / USUAL_LOAD), _PART_LOAD_STD_LN),
        _bell(np.log(LOAD[:, None] / _SHARED_LOAD), _SAME_DROPS_STD_LN),
    ]
).astype(np.float32)  # of each load in a part of a photo, given each of these; shape (20, 13)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalSamples:
    """
    Color of the fluid, in parts of different thickness.

    Parameters
    ----------
    density : ndarray of float, shape (N, 3)
        -log10 of fluid over paper in linear R, G, B, each part the median of its pixels.
    density_std : ndarray of float, shape (N, 3)
        Standard uncertainty from noise, clipping and paper [-].
    """

    density: Floats
    density_std: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """
    A color from a calibration: the same vial with fluid of known state, or a patch of a chart.

    Parameters
    ----------
    samples : SignalSamples
        Its color.
    space : {'srgb', 'display-p3'}
        Primaries of that photo.
    state : {'acid', 'base', 'known', 'chart', 'kit-chart'}
        Dye all yellow, all blue, or at a known pH; or a print of its color. This project's chart is computed for `pka`
        and so says nothing about the dye in the vial; a kit's chart was matched to the kit's dye by its maker.
    ph, ph_std : float
        Known pH and its standard uncertainty; meaningless for the ends [-].
    pka : float
        pKa' expected in that fluid, from its ionic strength and temperature [-].
    """

    samples: SignalSamples
    space: ColorSpace
    state: State
    ph: float
    ph_std: float
    pka: float


def weigh_members(member_weight: Floats, evidence: Sequence[Evidence], trust: float = 1.0) -> Floats:
    """
    Return the joint weights of the members of the family, the dye amounts and the shifts of the pKa'.

    The evidence applies to the photo at hand with probability `trust`; otherwise the prior stands, with any dye amount.
    So where the photo contradicts the evidence, the prior takes over.

    Parameters
    ----------
    member_weight : ndarray of float, shape (K,)
        Prior weight of the members.
    evidence : sequence of Evidence
        If empty, the prior stays as it is.
    trust : float, default 1.0
        Probability that the evidence applies [-].

    Returns
    -------
    ndarray of float64, shape (K, A, 31)
        Over members, `AMOUNT_WEIGHT` (only its first without evidence from fluid) and `PKA_SHIFT`; sums to 1.
    """
    log_prior = np.log(member_weight)[:, None, None] - 0.5 * (PKA_SHIFT / PKA_STD) ** 2
    of_fluid = any(item.state not in PRINTED_STATES for item in evidence)
    log_weight = log_prior + (np.log(AMOUNT_WEIGHT)[:, None] if of_fluid else 0.0)
    n_patches = sum(item.state in PRINTED_STATES for item in evidence)
    patch_share = min(1.0, _INDEPENDENT_PATCHES / max(n_patches, 1))
    for item in evidence:
        log_weight = log_weight + (patch_share if item.state in PRINTED_STATES else 1.0) * _remembered(item)
    weight: Floats = trust * _normed(log_weight)
    if of_fluid:  # for the photo at hand the vial may have been given other drops than for the whole calibration
        weight[:, 0] += (1.0 - _SAME_DROPS) * weight[:, 1:].sum(axis=1)
        weight[:, 1:] *= _SAME_DROPS
    weight[:, [0]] += (1.0 - trust) * _normed(log_prior)
    return weight


_MOST_BYTES = 48_000_000  # fluid of known pH takes 3.2 MB, a patch of a chart a tenth of that or less
_KEPT: dict[tuple[object, ...], Floats] = {}


def _remembered(item: Evidence) -> Floats:
    """Return `_log_of_evidence`; the latest results are kept, as a profile's evidence is the same for every photo."""
    densities = (item.samples.density.tobytes(), item.samples.density_std.tobytes())
    key = (*densities, item.space, item.state, item.ph, item.ph_std, item.pka)
    found = _KEPT.pop(key, None)
    if found is None:
        found = _log_of_evidence(item)
    _KEPT[key] = found  # last in line to be dropped
    while sum(kept.nbytes for kept in _KEPT.values()) > _MOST_BYTES:
        del _KEPT[next(iter(_KEPT))]
    return found


def _log_of_evidence(item: Evidence) -> Floats:
    """
    Return the log likelihood of a known color over members, dye amounts of the vial and pKa' shifts.

    Its shape is (K, A, 31), with a length of 1 where the color says nothing: a print says nothing about the dye amount
    of the vial, and only fluid of known pH and a kit's chart say something about the pKa'.
    """
    is_printed = item.state in PRINTED_STATES
    n_amounts = 1 if is_printed else len(AMOUNT_WEIGHT)
    log_likelihood = fit_family(item.samples, signal_family(item.space).density, n_amounts=n_amounts).log_likelihood
    if item.state == "acid":
        return log_likelihood[..., [0]]
    if item.state == "base":
        # Soda makes the fluid blue, but how blue is unknown: all ratios from a twelvefold excess up are equally likely.
        return np.logaddexp.reduce(log_likelihood[..., RATIO > _SURELY_BLUE], axis=-1, keepdims=True)
    ph_error = {float(np.hypot(std, item.ph_std)): share for std, share in _PHOTO_ERROR.items()}
    log_weight = _log_at_known_ph(log_likelihood, item.ph, {item.ph_std: 1.0} if is_printed else ph_error, item.pka)
    return log_weight[..., [len(PKA_SHIFT) // 2]] if item.state == "chart" else log_weight


def _normed(log_weight: Floats) -> Floats:
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _log_at_known_ph(log_likelihood: Floats, ph: float, ph_error: Mapping[float, float], pka: float) -> Floats:
    """Return the log likelihood over members, dye amounts and pKa' shifts, (K, A, 31); `ph_error` is share by std."""
    likelihood = np.exp(log_likelihood - log_likelihood.max())
    total = np.zeros((*likelihood.shape[:2], len(PKA_SHIFT)))
    # Gauss-Hermite quadrature over the pH.
    nodes, weights = np.polynomial.hermite_e.hermegauss(11)
    for (std, share), (node, weight) in product(ph_error.items(), zip(nodes, weights / weights.sum(), strict=True)):
        ratio = np.clip(ph + node * std - pka - PKA_SHIFT, RATIO[0], RATIO[-1])
        place = (ratio - RATIO[0]) / (RATIO[1] - RATIO[0])
        lower = np.minimum(place.astype(int), len(RATIO) - 2)
        upper_share = place - lower
        by_shift = likelihood[..., lower] * (1.0 - upper_share) + likelihood[..., lower + 1] * upper_share
        total += share * weight * by_shift
    return np.log(np.maximum(total, 1e-300))


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyFit:
    """
    How well each member of the family explains a color.

    Parameters
    ----------
    log_likelihood : ndarray of float64, shape (K, A, 161)
        Over the members, dye amounts as in `AMOUNT_WEIGHT`, and `RATIO`.
    load : float
        Dye amount at the best common fit, median of the parts [-].
    misfit : float
        Smallest sum of squares that one member and ratio leave, per part: 0.3 in the median; above 1 it flattens the
        likelihood.
    neutral_density : float
        Loss common to all channels at that fit, median of the parts [-].
    """

    log_likelihood: Floats
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
        How many of `AMOUNT_WEIGHT` to distinguish: only the first for a single photo, or all.

    Returns
    -------
    FamilyFit
        Likelihood and best fit.
    """
    channels = expected.T  # (3, 20, 41, K), as it lies in memory
    load_weight = _LOAD_WEIGHT[:, :n_amounts]
    total = np.zeros((n_amounts, *channels.shape[2:]))
    total_least = np.zeros(channels.shape[2:])
    clear_half_square = 0.0
    off_neutral = samples.density - _NEUTRAL_MEAN
    precisions: list[Floats] = []
    for density, off, noise_std in zip(samples.density, off_neutral, samples.density_std, strict=True):
        variance = _DENSITY_STD**2 + (_LIGHT_STD / np.log(10.0) * 10.0**density) ** 2 + noise_std**2
        # A neutral shift of unknown size adds variance along (1, 1, 1).
        precisions.append(np.asarray(np.linalg.inv(np.diag(variance) + _NEUTRAL_STD**2), dtype=np.float64))
        clear_half_square += 0.5 * float(off @ precisions[-1] @ off)
        half_square = _half_square(channels, off, precisions[-1])
        least = half_square.min(axis=0)
        total_least += least
        likelihood = np.exp(np.subtract(least, half_square, out=half_square), out=half_square)
        # Not a matrix product, whose last digit depends on the number of threads.
        marginal = np.einsum("la,lrk->ark", load_weight, likelihood)
        total += np.log(np.maximum(marginal, _LEAST)) - least
    # The best fit: the ratio and member that explain all parts best, each part with a dye amount of its own.
    ratio, member = np.unravel_index(int(np.argmin(total_least)), total_least.shape)
    residual = off_neutral[:, None] - channels[:, :, ratio, member].T  # (N, 20, 3)
    weighted = residual @ np.array(precisions)
    load = (weighted * residual).sum(axis=-1).argmin(axis=1)
    neutral = _NEUTRAL_MEAN + _NEUTRAL_STD**2 * weighted.sum(axis=-1)[np.arange(len(load)), load]
    misfit = 2.0 * float(total_least[ratio, member]) / len(off_neutral)
    # A color that no member explains well says little, and soon nothing: the worse the best fit, the flatter the
    # likelihood. On 457 rendered photos kept out of training this makes intervals no wider, and all four that fit worse
    # than 3 are covered.
    best = total.max()
    total = (total - best) * min(1.0, _INDEPENDENT_SAMPLES / len(samples.density)) / max(1.0, misfit) ** 2
    total = np.logaddexp(total, np.log(_CLEAR_PROBABILITY) - clear_half_square - best)
    return FamilyFit(
        log_likelihood=np.transpose(total, (2, 0, 1)) @ _curve_through_ratios(),
        load=float(np.median(LOAD[load])),
        misfit=misfit,
        neutral_density=float(np.median(neutral)),
    )


def _half_square(channels: NDArray[np.float32], density: Floats, precision: Floats) -> NDArray[np.float32]:
    """Return half the weighted squared distance of a density from every expected one, shape (20, 41, K)."""
    whiten = np.sqrt(0.5) * np.linalg.cholesky(precision).T
    (rr, rg, rb), (_, gg, gb), (_, _, bb) = whiten.astype(np.float32)  # zero below the diagonal
    red_target, green_target, blue_target = (whiten @ density).astype(np.float32)
    half_square: NDArray[np.float32] = np.empty_like(channels[0])
    # The data of one dye amount fit into the processor's cache.
    for square, red, green, blue in zip(half_square, *channels, strict=True):
        square[:] = np.square(rr * red + rg * green + rb * blue - red_target)
        square += np.square(gg * green + gb * blue - green_target)
        square += np.square(bb * blue - blue_target)
    return half_square


@cache
def _curve_through_ratios() -> Floats:
    """Return the weights of a cubic curve through the ratios of the family (Catmull-Rom), shape (41, 161)."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class PhPosterior:
    """
    The posterior of the pH.

    Parameters
    ----------
    ph : ndarray of float, shape (M,)
        Grid of pH [-].
    probability : ndarray of float, shape (M,)
        Sums to 1.
    likelihood : ndarray of float, shape (M,)
        The same without the prior of the pH, scaled to a maximum of 1: for many photos of one tank, where the prior
        must not count once per photo.
    median, low, high : float
        50 %, 5 % and 95 % points [-].
    open_below, open_above : bool
        Whether the photo leaves open that the dye is all yellow, or all blue: the prior alone then sets that end.
    load : float
        Best-fitting dye amount, absorbance of the all-blue fluid at its maximum [-].
    misfit : float
        Smallest sum of squares over the family, per sample; about 1 or less if the dye can have that color.
    neutral_density : float
        Loss common to all channels at the best fit: high where the object is opaque [-].
    budget : dict of str to float
        Standard uncertainty of the pH from each source [-].
    """

    ph: Floats
    probability: Floats
    likelihood: Floats
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
    space: ColorSpace,
    pka: float,
    ph_range: tuple[float, float],
    light_class: str | None = None,
    evidence: Sequence[Evidence] = (),
    trust: float = 1.0,
) -> PhPosterior:
    """
    Return the posterior of the pH.

    Every sample has a dye amount and a neutral loss of its own; both are integrated out. Lamp, sensor, saturation
    and treatment of the gamut are summed over. The pKa' starts as a normal distribution. Evidence from a calibration
    weighs the members of the family by how well they explain it, moves the pKa' of each, and narrows the dye amount.

    Parameters
    ----------
    samples : SignalSamples
        Color of the fluid, at least one part.
    space : {'srgb', 'display-p3'}
        Primaries of the photo.
    pka : float
        pKa' at the temperature of the fluid [-].
    ph_range : tuple of float
        The prior of the pH is flat between these, and falls off within about 0.35 outside [-].
    light_class : str, optional
        One of `calibration.camera.lights`, where the user knows the lamp.
    evidence : sequence of Evidence, optional
        The same vial, phone and light with fluid whose state is known.
    trust : float, default 1.0
        Probability that this evidence applies to the photo [-].

    Returns
    -------
    PhPosterior
        Median and 90 % interval.
    """
    for every in (1,) if evidence else (_FIRST_EVERY, 1):
        family = signal_family(space, every)
        known = weigh_members(_member_weight(family, light_class), evidence, trust)  # (member, amount, pKa)
        fit = fit_family(samples, family.density, n_amounts=known.shape[1])
        if fit.misfit <= 1.0:  # beyond that the fit flattens the likelihood
            break
    fluid = np.exp(fit.log_likelihood - fit.log_likelihood.max())  # (member, amount, ratio)
    # Not a matrix product, as in `fit_family`; on a busy machine its threads also mostly wait for each other.
    by_pka = np.einsum("kap,kar->pr", known, fluid)
    ph = np.arange(pka + PKA_SHIFT[0] + RATIO[0], pka + PKA_SHIFT[-1] + RATIO[-1], _PH_STEP)
    likelihood = np.sum(
        [np.interp(ph - pka - shift, RATIO, row) for shift, row in zip(PKA_SHIFT, by_pka, strict=True)], axis=0
    )
    likelihood /= likelihood.max()
    probability = ph_prior(ph, ph_range) * likelihood
    probability /= probability.sum()
    of_ratio = by_pka.sum(axis=0)
    low, median, high = quantiles(ph, probability, (0.05, 0.5, 0.95))

    return PhPosterior(
        ph=ph,
        probability=probability,
        likelihood=likelihood,
        median=median,
        low=low,
        high=high,
        open_below=bool(of_ratio[0] > _END_NOT_EXCLUDED * of_ratio.max()),
        open_above=bool(of_ratio[-1] > _END_NOT_EXCLUDED * of_ratio.max()),
        load=fit.load,
        misfit=fit.misfit,
        neutral_density=fit.neutral_density,
        budget=_budget(known, fluid * ph_prior(RATIO + pka, ph_range)),
    )


def _member_weight(family: SignalFamily, light_class: str | None) -> Floats:
    if light_class is None:
        return family.weight
    same = family.light_class == light_class
    trust = np.where(same, _TRUST_IN_ENTERED_LIGHT / family.weight[same].sum(), 1.0 - _TRUST_IN_ENTERED_LIGHT)
    return family.weight * trust / float(family.weight @ trust)


def quantiles(grid: Floats, probability: Floats, levels: tuple[float, ...]) -> tuple[float, ...]:
    """
    Return quantiles of a distribution on a grid.

    Parameters
    ----------
    grid, probability : ndarray of float, shape (M,)
        Rising grid, and weights that sum to 1.
    levels : tuple of float
        Between 0 and 1.

    Returns
    -------
    tuple of float
        One value for each level.
    """
    cumulative = np.cumsum(probability) - 0.5 * probability
    return tuple(float(np.interp(level, cumulative, grid)) for level in levels)


def ph_prior(ph: Floats, ph_range: tuple[float, float]) -> Floats:
    """Return the prior of the pH for `infer_ph`, not normalized: 1 within the range, less outside."""
    outside = np.maximum(ph_range[0] - ph, 0.0) + np.maximum(ph - ph_range[1], 0.0)
    return np.exp(-0.5 * (outside / _PRIOR_EDGE_STD) ** 2)


def _budget(known: Floats, fluid: Floats) -> dict[str, float]:
    """
    Split the variance of the pH into the part due to lamp and camera, and the parts of pKa' and ratio that are left.

    With a known fluid in the evidence, each lamp and camera has a pKa' of its own that compensates for it at that pH,
    so pKa' and ratio are added before lamps and cameras are compared.
    """
    weight_of_pka = np.einsum("kap,ka->kp", known, fluid.sum(axis=2))
    weight_of_ratio = np.einsum("ka,kar->kr", known.sum(axis=2), fluid)
    weight = weight_of_ratio.sum(axis=1)
    seen = weight > 1e-12 * weight.sum()
    weight = weight[seen] / weight[seen].sum()
    pka, pka_variance = _moments(PKA_SHIFT, weight_of_pka[seen])
    ratio, ratio_variance = _moments(RATIO, weight_of_ratio[seen])
    off = pka + ratio - weight @ (pka + ratio)
    variances = {BUDGET_PKA: pka_variance, BUDGET_CAMERA: off**2, BUDGET_COLOR: ratio_variance}
    return {source: float(np.sqrt(weight @ variance)) for source, variance in variances.items()}


def _moments(grid: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return mean and variance on a grid of shape (M,), for every row of weights."""
    share = weight / weight.sum(axis=1, keepdims=True)
    mean = share @ grid
    return mean, np.maximum(share @ grid**2 - mean**2, 0.0)
