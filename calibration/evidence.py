"""What is known from a calibration, and how it weighs light, sensor and pKa'."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.camera import signal_family
from calibration.color_space import ColorSpace
from calibration.dye import PKA_STD
from calibration.family_fit import AMOUNT_WEIGHT, RATIO, SAME_DROPS, SignalSamples, fit_family

# Baking soda alone takes water to about pH 8.3 (from memory), pKa' at its ionic strength lies near 7.2: pH - pKa'.
_SURELY_BLUE = 1.1
# The patches of a chart share its inks, so all together count as this many independent ones: on simulated prints more
# made the intervals too small.
_INDEPENDENT_PATCHES = 2.0
# Standard deviations of the pH by which light, glare and paper move one photo of a known fluid, and their shares: every
# reading with the profile has that error, and two photos that contradict each other leave both in doubt. On 9 rendered
# vials, with each photo near pH 6.9 in turn as the known one, the intervals covered 89 % without it and 94 % with it.
_PHOTO_ERROR = {0.02: 0.9, 0.1: 0.1}
State = Literal["acid", "base", "known", "chart", "kit-chart"]
"""What is known of the color: fluid all yellow, all blue or of known pH; a patch of the own chart or of a kit's."""
PRINTED_STATES: frozenset[State] = frozenset(("chart", "kit-chart"))
"""States of which a print was seen instead of fluid."""
PKA_SHIFT: NDArray[np.float64] = np.round(np.arange(-0.3, 0.301, 0.02), 3)
"""Grid of the pKa' around its expected value, shape (31,) [-]."""


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
    space: ColorSpace
    state: State
    ph: float
    ph_std: float
    pka: float


def weigh_members(
    member_weight: NDArray[np.float64], evidence: Sequence[Evidence], trust: float = 1.0
) -> NDArray[np.float64]:
    """
    Return the joint weight of every member of the family, what its dye amounts may be, and shift of the pKa'.

    The evidence counts with probability `trust`; with the rest it does not apply to the photo at hand, and the prior
    stands, with any dye amount. Where the photo contradicts the evidence the prior so takes over by itself.

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
    ndarray of float64, shape (K, A, 31)
        Over the members, `AMOUNT_WEIGHT` (only its first one without evidence of fluid) and `PKA_SHIFT`, sum 1.
    """
    log_prior = np.log(member_weight)[:, None, None] - 0.5 * (PKA_SHIFT / PKA_STD) ** 2
    of_fluid = any(item.state not in PRINTED_STATES for item in evidence)
    log_weight = log_prior + (np.log(AMOUNT_WEIGHT)[:, None] if of_fluid else 0.0)
    n_patches = sum(item.state in PRINTED_STATES for item in evidence)
    patch_share = min(1.0, _INDEPENDENT_PATCHES / max(n_patches, 1))
    for item in evidence:
        samples = item.samples
        densities = (samples.density.tobytes(), samples.density_std.tobytes())
        share = patch_share if item.state in PRINTED_STATES else 1.0
        key = (*densities, item.space, item.state, item.ph, item.ph_std, item.pka)
        log_weight = log_weight + share * _remembered(key)
    weight: NDArray[np.float64] = trust * _normed(log_weight)
    if of_fluid:  # for the photo at hand the vial may have got other drops than for all those of the calibration
        weight[:, 0] += (1.0 - SAME_DROPS) * weight[:, 1:].sum(axis=1)
        weight[:, 1:] *= SAME_DROPS
    weight[:, [0]] += (1.0 - trust) * _normed(log_prior)
    return weight


_Key = tuple[bytes, bytes, ColorSpace, str, float, float, float]
_MOST_BYTES = 48_000_000  # fluid of known pH takes 3.2 MB, a patch of a chart a tenth of that or less
_KEPT: dict[_Key, NDArray[np.float64]] = {}


def _remembered(key: _Key) -> NDArray[np.float64]:
    """Return `_log_of_evidence`; the evidence of a profile is the same for every photo, so the latest is kept."""
    found = _KEPT.pop(key, None)
    if found is None:
        found = _log_of_evidence(*key)
    _KEPT[key] = found  # behind all others
    while sum(kept.nbytes for kept in _KEPT.values()) > _MOST_BYTES:
        del _KEPT[next(iter(_KEPT))]
    return found


def _log_of_evidence(
    density: bytes, density_std: bytes, space: ColorSpace, state: str, ph: float, ph_std: float, pka: float
) -> NDArray[np.float64]:
    """
    Return the log likelihood of a known color over members, dye amounts of the vial and pKa' shifts.

    Its shape is (K, A, 31), with 1 in place of what the color does not tell: a print tells nothing of the dye amount of
    the vial, and only fluid of known pH and the chart of a kit tell of the pKa'.
    """
    samples = SignalSamples(
        density=np.frombuffer(density).reshape(-1, 3), density_std=np.frombuffer(density_std).reshape(-1, 3)
    )
    n_amounts = 1 if state in PRINTED_STATES else len(AMOUNT_WEIGHT)
    log_likelihood = fit_family(samples, signal_family(space).density, n_amounts=n_amounts).log_likelihood
    if state == "known":
        ph_error = {float(np.hypot(std, ph_std)): share for std, share in _PHOTO_ERROR.items()}
        log_weight = _log_at_known_ph(log_likelihood, ph, ph_error, pka)
    elif state == "kit-chart":
        log_weight = _log_at_known_ph(log_likelihood, ph, {ph_std: 1.0}, pka)
    elif state == "chart":
        log_weight = _log_at_known_ph(log_likelihood, ph, {ph_std: 1.0}, pka)[..., [len(PKA_SHIFT) // 2]]
    elif state == "acid":
        log_weight = log_likelihood[..., [0]]
    else:
        # Soda makes the fluid blue, but not how blue: any ratio of a twelvefold excess and more is as likely.
        log_weight = np.logaddexp.reduce(log_likelihood[..., RATIO > _SURELY_BLUE], axis=-1, keepdims=True)
    log_weight.setflags(write=False)
    return log_weight


def _normed(log_weight: NDArray[np.float64]) -> NDArray[np.float64]:
    weight = np.exp(log_weight - log_weight.max())
    normed: NDArray[np.float64] = weight / weight.sum()
    return normed


def _log_at_known_ph(
    log_likelihood: NDArray[np.float64], ph: float, ph_error: Mapping[float, float], pka: float
) -> NDArray[np.float64]:
    """Log likelihood over members, dye amounts and pKa' shifts, (K, A, 31), with the share of each error of the pH."""
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
