"""From readings with their intervals to what the tank does: a posterior over the parameters of the two boxes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from colorread.gas_care import SourceKind
from colorread.reading import Reading
from colorread.tank.model import Draws, Schedule, TankParameters, settled_state, simulate
from colorread.tank.series import PH_PER_LN, CannotTell, VialSeries, vial_series
from colorread.tank.settings import Tank

# Priors as normal distributions: mean and standard deviation.
# Loss to the air: 0.03 (still) over 0.09 (rippled) to 0.29 1/h (strong outflow) for water 35 cm deep and gas-transfer
# velocities of 1, 3 and 10 cm/h. The last is from Gelda et al. 1996 (J. Environ. Eng. 122, 269, abstract: 1.50 to 2.64
# m/d, that is 6.3 to 11 cm/h, for the oxygen of a lake); 1 and 3 cm/h for calmer water, and that an aquarium is like
# that, of which no measurement was found, are assumptions.
_LN_LOSS = (math.log(0.12), 0.7)
# Lag of the vial: 63 % within 0.7 to 4 h, usually 1.5 h, from diffusion through vial and air gap: assumption.
_LN_LAG = (math.log(1.6), 0.45)
# Level that the tank would reach if gas and lamp stayed on [mg/L]; with the loss it gives the gas rate. Wide, as a
# tank whose gas has nearly run out must not be drawn towards a well-fed one: assumption.
_LN_LEVEL = (math.log(30.0), 1.2)
# Fading of the gas per day. Bottles fade over one to three weeks, a cylinder hardly: common practice, no source.
_FALL_PER_DAY: Mapping[SourceKind | None, tuple[float, float]] = {
    "fermentation": (0.04, 0.06),
    "acid-bicarbonate": (0.02, 0.05),
    "cylinder": (0.0, 0.03),
    None: (0.02, 0.06),
}
# Uptake in the light: from nothing worth telling to 2 mg/L/h at 20 mg/L, a tank full of plants (shoots of Kahara &
# Vermaat 2003, Aquat. Bot. 75, 217, doi 10.1016/S0304-3770(02)00179-1): assumption.
_LN_UPTAKE = (math.log(0.015), 1.0)
# Level without gas: 0.6 mg/L of the air (Plummer & Busenberg 1982) to 2 where fish and soil breathe: assumption.
_LN_BASE = (math.log(0.9), 0.5)
_LN_START = (0.0, 0.5)  # CO2 at the first midnight against that of a day like the others: assumption
_OUTLIER_SHARE, _OUTLIER_STD_LN = 0.03, 1.0  # readings that are simply wrong, such as of another vial: assumption
_LN_NOISE_STD = 0.3  # by about a third the readings' own scatter may be more or less than they say: assumption
# An error of phone and lamp changes with the color: of 120 simulated phones, lamps and vials without a profile it went
# together by 0.5 to 0.7 over 0.3 pH, by 0.2 to 0.6 over 0.6 and by less beyond. It is held at these pH, with bells of
# this width between them.
_BEND_PH: NDArray[np.float64] = np.arange(6.0, 8.01, 0.5)
_BEND_WIDTH_PH = 0.35
_NEAR_PH = 0.2  # readings so near in color share as much of that error: assumption
# The shared errors may be as many times larger with this probability, as where a profile was made of a bad photo; so
# readings that contradict it by their course can overrule it: assumptions.
_MISLED_SHARE, _MISLED_FACTOR = 0.1, 2.0
# Draws, how much wider the first ones lie than a normal distribution at the mode, how many steps they walk each time
# and at last, and which share of the steps is taken, by which their length is set: common practice, no source.
_N_DRAWS, _SPREAD, _N_WALKS, _N_LAST_WALKS, _USUAL_ACCEPTED = 1000, 1.3, 6, 40, 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class TankFit:
    """
    What is believed of the tank, as equally likely draws.

    Parameters
    ----------
    parameters : TankParameters
        D draws; the gas rate is that of hour 0, the `midnight` of the series.
    schedule : Schedule
        When gas and lamp are on.
    tank_mg_l, vial_mg_l : ndarray of float64, shape (D,)
        CO2 of both at hour 0 [mg/L].
    series : VialSeries
        What was fitted.
    prior_std : mapping of str to float
        Standard deviation of the prior of ``ln_lag``, ``ln_loss`` and ``fall_per_day``.
    off : ndarray of float64, shape (N,)
        How far the course lies above each reading, in the standard uncertainties that it states of its own and with
        the shared errors taken off, as the mean of the draws; 0 beyond an open end.
    """

    parameters: TankParameters
    schedule: Schedule
    tank_mg_l: Draws
    vial_mg_l: Draws
    series: VialSeries
    prior_std: Mapping[str, float]
    off: NDArray[np.float64]

    def course(self, hours: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return tank and vial at hours since hour 0, each of shape (D, N) [mg/L]."""
        return simulate(self.parameters, self.schedule, hours, tank_mg_l=self.tank_mg_l, vial_mg_l=self.vial_mg_l)

    def when(self, hour: float) -> datetime:
        """Return the time of an hour since hour 0, on the tank's clock."""
        return self.series.midnight + timedelta(hours=hour)

    @property
    def last_at(self) -> datetime:
        """Time of the last reading, on the tank's clock."""
        return self.when(float(self.series.hours[-1]))


def fit_tank(tank: Tank, readings: Sequence[Reading]) -> TankFit:
    """
    Fit tank and vial to the readings.

    An error that all readings share (dye, phone, lamp) is fitted along with its own prior, so that it is not averaged
    away however many photos there are. The posterior is drawn from its mode on.

    Parameters
    ----------
    tank : Tank
        Its schedule must be known.
    readings : sequence of Reading
        Any order; refused ones and those without a time are left out.

    Returns
    -------
    TankFit
        The same draws for the same readings, whatever their order.

    Raises
    ------
    CannotTell
        If the schedule is not known or the readings are too few.
    """
    gas = tank.gas_hours
    if gas is None:
        raise CannotTell(
            "The tank's course needs the gas hours; enter them in the tank's settings "
            "(colorread tank edit NAME --gas HH:MM-HH:MM)."
        )
    series = vial_series(tank, readings)
    problem = _Problem(tank, series, Schedule(gas=gas, lights=tank.lights))
    draws = _sample(problem)
    parameters, start, vial_start = problem.boxes(draws)
    return TankFit(
        parameters=parameters,
        schedule=problem.schedule,
        tank_mg_l=start,
        vial_mg_l=vial_start,
        series=series,
        prior_std={"ln_lag": _LN_LAG[1], "ln_loss": _LN_LOSS[1], "fall_per_day": problem.fall_per_day[1]},
        # In stated ones, as the fitted noise grows with readings that do not follow the course and would hide them.
        off=(problem.residuals(draws) * problem.noise(draws)).mean(axis=0),
    )


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
    draws = np.random.default_rng(0).standard_normal((5, _N_DRAWS))
    loss, uptake, base, lag = (
        np.exp(mean + std * of_one)
        for (mean, std), of_one in zip((_LN_LOSS, _LN_UPTAKE, _LN_BASE, _LN_LAG), draws, strict=False)
    )
    mean, std = _FALL_PER_DAY[source]
    return TankParameters(
        gas_mg_l_h=np.ones(_N_DRAWS),
        fall_per_h=(mean + std * draws[4]) / 24.0,
        loss_per_h=loss,
        uptake_per_h=uptake,
        base_mg_l=base,
        lag_h=lag,
    )


class _Problem:
    """The posterior over standard-normal coordinates: seven parameters, six of shared errors, one of own noise."""

    n = 14
    shared = slice(7, 13)

    def __init__(self, tank: Tank, series: VialSeries, schedule: Schedule) -> None:
        self.series = series
        self.schedule = schedule
        self.fall_per_day = _FALL_PER_DAY[None if tank.source is None else tank.source.kind]
        # How much is shared is told for a color without noise, from all readings near it: noise moves single ones
        # towards an end of the scale, where they say that they share more, and one error would draw all those back.
        self.scale_ph = np.linspace(series.ph.min(), series.ph.max(), 50)
        near = np.exp(-0.5 * ((self.scale_ph[:, None] - series.ph) / _NEAR_PH) ** 2)
        self.scale_std = near @ series.color_std / near.sum(axis=1)
        # The rate is told for the middle of the readings: there it hardly hangs together with its trend.
        self.middle_h = float(series.hours.mean())

    def boxes(self, x: NDArray[np.float64]) -> tuple[TankParameters, Draws, Draws]:
        """Return parameters and both levels at hour 0 for coordinates of shape (D, n)."""
        priors = (_LN_LEVEL, self.fall_per_day, _LN_LOSS, _LN_UPTAKE, _LN_BASE, _LN_LAG, _LN_START)
        values = [mean + std * x[:, i] for i, (mean, std) in enumerate(priors)]
        ln_level, fall_per_day, ln_loss, ln_uptake, ln_base, ln_lag, ln_start = values
        fall, loss, uptake = fall_per_day / 24.0, np.exp(ln_loss), np.exp(ln_uptake)
        parameters = TankParameters(
            gas_mg_l_h=(loss + uptake) * np.exp(ln_level + fall * self.middle_h),
            fall_per_h=fall,
            loss_per_h=loss,
            uptake_per_h=uptake,
            base_mg_l=np.exp(ln_base),
            lag_h=np.exp(ln_lag),
        )
        tank, vial = settled_state(parameters, self.schedule, days=2)
        return parameters, tank * np.exp(ln_start), vial * np.exp(ln_start)

    def residuals(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far the course lies above each reading, in own uncertainties, (D, N); 0 beyond an open end."""
        series = self.series
        parameters, tank, vial = self.boxes(x)
        expected = simulate(parameters, self.schedule, series.hours, tank_mg_l=tank, vial_mg_l=vial)[1]
        ln_expected = np.log(np.maximum(expected, 1e-6))
        # The place on the color scale is that of the expected course with its shared error: that of the seen color
        # goes along with noise.
        error = np.zeros_like(ln_expected)
        for _ in range(2):
            ph = np.clip(series.ph - (ln_expected + error - series.ln_co2) * PH_PER_LN, *_BEND_PH[[0, -1]])
            bells = np.exp(-0.5 * ((ph[..., None] - _BEND_PH) / _BEND_WIDTH_PH) ** 2)
            bend = np.einsum("dnk,dk->dn", bells, x[:, 8:13]) / np.sqrt(np.einsum("dnk,dnk->dn", bells, bells))
            error = x[:, [7]] * series.shared_std + bend * np.interp(ph, self.scale_ph, self.scale_std)
        off = ln_expected + error - series.ln_co2
        off /= np.where(off < 0.0, series.std_below, series.std_above) * self.noise(x)
        return np.where(series.open_below & (off < 0.0) | series.open_above & (off > 0.0), 0.0, off)

    def log_posterior(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the log density, up to a constant, shape (D,)."""
        series, off = self.series, self.residuals(x)
        own = (series.std_below + series.std_above) / 2.0 * self.noise(x)
        ratio = own / _OUTLIER_STD_LN
        good = (1.0 - _OUTLIER_SHARE) * np.exp(-0.5 * off**2)
        stray = _OUTLIER_SHARE * ratio * np.exp(-0.5 * (off * ratio) ** 2)
        two_sided = np.log(np.maximum(good + stray, 1e-300)) - np.log(own)
        # A one-sided reading is as likely all along its open side: that is a probability, no density at a value.
        one_sided = np.log(good + 0.5 * _OUTLIER_SHARE)
        per_reading = np.where(series.open_below | series.open_above, one_sided, two_sided)
        return np.asarray(per_reading.sum(axis=1) + self._log_prior(x))

    def _log_prior(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the log density of the prior, up to a constant, shape (D,)."""
        shared = x[:, self.shared]
        square = (shared**2).sum(axis=1)
        misled = _MISLED_SHARE / _MISLED_FACTOR ** shared.shape[1]
        as_told = math.log(1.0 - _MISLED_SHARE) - 0.5 * square
        wider = math.log(misled) - 0.5 * square / _MISLED_FACTOR**2
        return np.asarray(np.logaddexp(as_told, wider) + 0.5 * square - 0.5 * (x**2).sum(axis=1))

    def noise(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the readings' own scatter against their budgets, shape (D, 1)."""
        return np.asarray(np.exp(_LN_NOISE_STD * x[:, [13]]))


def _sample(problem: _Problem) -> NDArray[np.float64]:
    """
    Return equally likely draws of the posterior.

    Gauss-Newton finds its mode. Draws of a normal distribution around it are led over to the posterior in steps, each
    small enough that half of them still count, and after each they walk (sequential Monte Carlo: Del Moral, Doucet &
    Jasra 2006, J. R. Stat. Soc. B 68, 411).
    """
    rng = np.random.default_rng(0)  # the same readings give the same numbers
    mode, factor = _normal_at_mode(problem)
    x = mode + _SPREAD * rng.standard_normal((_N_DRAWS, problem.n)) @ factor.T

    def log_densities(x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return those of the normal distribution and of the posterior, shape (2, D)."""
        whitened = np.linalg.solve(factor, (x - mode).T) / _SPREAD
        return np.stack([-0.5 * (whitened**2).sum(axis=0), problem.log_posterior(x)])

    log_density, share, scale = log_densities(x), 0.0, 2.38 / math.sqrt(problem.n)
    while share < 1.0:
        gain = log_density[1] - log_density[0]
        step = _largest_step(gain, 1.0 - share)
        share = min(share + step, 1.0)
        # Evenly spaced points on the cumulated weights: fewer repeats than free draws.
        cumulated = np.cumsum(np.exp(step * (gain - gain.max())))
        points = (np.arange(_N_DRAWS) + 0.5) / _N_DRAWS * cumulated[-1]
        index = np.searchsorted(cumulated, points)
        x, log_density = x[index], log_density[:, index]
        walk = np.linalg.cholesky(np.cov(x.T) + 1e-6 * np.eye(problem.n))
        for _ in range(_N_WALKS if share < 1.0 else _N_LAST_WALKS):
            there = x + scale * rng.standard_normal(x.shape) @ walk.T
            log_there = log_densities(there)
            odds = np.array([1.0 - share, share]) @ (log_there - log_density)
            goes = np.log(rng.random(_N_DRAWS)) < odds
            x = np.where(goes[:, None], there, x)
            log_density = np.where(goes, log_there, log_density)
            scale *= math.exp(goes.mean() - _USUAL_ACCEPTED)
    return x


def _normal_at_mode(problem: _Problem) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the mode, and the Cholesky factor of the covariance around it."""
    from scipy.optimize import least_squares

    def stacked(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.append(problem.residuals(x[None])[0], x)

    def jacobian(x: NDArray[np.float64]) -> NDArray[np.float64]:
        step = 1e-4
        around = np.concatenate([x + step * np.eye(problem.n), x - step * np.eye(problem.n)])
        residual = problem.residuals(around)
        slope = (residual[: problem.n] - residual[problem.n :]) / (2.0 * step)
        return np.concatenate([slope.T, np.eye(problem.n)])

    mode = least_squares(stacked, np.zeros(problem.n), jac=jacobian, loss="soft_l1", f_scale=3.0, max_nfev=60).x
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
