"""What is believed of a tank, its gas and the vial before any photo."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from colorread.tank.model import TankParameters
from colorread.tank.sampling import N_DRAWS
from colorread.words import SourceKind

# Priors as normal distributions: mean and standard deviation.
# Loss to the air: 0.03 (still) over 0.09 (rippled) to 0.29 1/h (strong outflow) for water 35 cm deep and gas-transfer
# velocities of 1, 3 and 10 cm/h. The last is from Gelda et al. 1996 (J. Environ. Eng. 122, 269, abstract: 1.50 to 2.64
# m/d, that is 6.3 to 11 cm/h, for the oxygen of a lake); 1 and 3 cm/h for calmer water, and that an aquarium is like
# that, of which no measurement was found, are assumptions.
LN_LOSS = (math.log(0.12), 0.7)
# Lag of the vial: 63 % within 0.7 to 4 h, usually 1.5 h, from diffusion through vial and air gap: assumption.
LN_LAG = (math.log(1.6), 0.45)
# Level that the tank would reach if gas and lamp stayed on [mg/L]; with the loss it gives the gas rate. Wide, as a
# tank whose gas has nearly run out must not be drawn towards a well-fed one: assumption.
LN_LEVEL = (math.log(30.0), 1.2)
# Fading of the gas per day. Bottles fade over one to three weeks, a cylinder hardly: common practice, no source.
FALL_PER_DAY: Mapping[SourceKind | None, tuple[float, float]] = {
    "fermentation": (0.04, 0.06),
    "acid-bicarbonate": (0.02, 0.05),
    "cylinder": (0.0, 0.03),
    None: (0.02, 0.06),
}
# Uptake in the light: from nothing worth telling (0.02 mg/L/h at 20 mg/L) to 2 mg/L/h, a tank full of plants (shoots of
# Kahara & Vermaat 2003, Aquat. Bot. 75, 217, doi 10.1016/S0304-3770(02)00179-1), as 5 and 95 % points: assumption.
LN_UPTAKE = (math.log(0.01), 1.4)
# Level without gas: 0.6 mg/L of the air (Plummer & Busenberg 1982) to 2 where fish and soil breathe: assumption.
LN_BASE = (math.log(0.9), 0.5)
LN_START = (0.0, 0.5)  # CO2 at the first midnight against that of a day like the others: assumption


def usual_parameters(source: SourceKind | None) -> TankParameters:
    """
    Return what is believed of a tank without photos.

    Parameters
    ----------
    source : {'fermentation', 'acid-bicarbonate', 'cylinder'} or None
        What makes the gas.

    Returns
    -------
    TankParameters
        Draws of the priors, always the same, with a gas rate of 1 mg/L/h.
    """
    draws = np.random.default_rng(0).standard_normal((5, N_DRAWS))
    loss, uptake, base, lag = (
        np.exp(mean + std * of_one)
        for (mean, std), of_one in zip((LN_LOSS, LN_UPTAKE, LN_BASE, LN_LAG), draws, strict=False)
    )
    mean, std = FALL_PER_DAY[source]
    return TankParameters(
        gas_mg_l_h=np.ones(N_DRAWS),
        fall_per_h=(mean + std * draws[4]) / 24.0,
        loss_per_h=loss,
        uptake_per_h=uptake,
        base_mg_l=base,
        lag_h=lag,
    )
