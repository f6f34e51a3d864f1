"""From the densities of the fluid to its pH: a posterior over dye ratio, dye amount, lamp and camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.camera import SignalFamily, signal_family
from calibration.color_space import ColorSpace, Floats
from calibration.evidence import PKA_SHIFT, RATIO, Evidence, SignalSamples, fit_family, weigh_members

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
