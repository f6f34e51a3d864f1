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
from colorread.tank.series import PH_PER_LN, PH_PER_RADIAN, CannotTell, VialSeries, vial_series
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
_N_DRAWS, _N_ROUNDS, _N_KEPT = 4000, 12, 800
_T_DEGREES = 6.0


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
    effective_draws : float
        How many independent draws the weights amount to.
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
    effective_draws: float
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
    away however many photos there are. The posterior is drawn by adaptive importance sampling around its mode.

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
    draws, effective = _sample(problem)
    parameters, start, vial_start = problem.boxes(draws)
    return TankFit(
        parameters=parameters,
        schedule=problem.schedule,
        tank_mg_l=start,
        vial_mg_l=vial_start,
        series=series,
        prior_std={"ln_lag": _LN_LAG[1], "ln_loss": _LN_LOSS[1], "fall_per_day": problem.fall_per_day[1]},
        effective_draws=effective,
        # In stated ones, as the fitted noise grows with readings that do not follow the course and would hide them.
        off=(problem.residuals(draws) * problem.noise(draws)).mean(axis=0),
    )


class _Problem:
    """The posterior over standard-normal coordinates: seven parameters, three of shared errors, one of own noise."""

    n = 11

    def __init__(self, tank: Tank, series: VialSeries, schedule: Schedule) -> None:
        self.series = series
        self.schedule = schedule
        self.fall_per_day = _FALL_PER_DAY[None if tank.source is None else tank.source.kind]
        # The rate is told for the middle of the readings: there it hardly hangs together with its trend.
        self.middle_h = float(series.hours.mean())

    def boxes(self, x: NDArray[np.float64]) -> tuple[TankParameters, Draws, Draws]:
        """Return parameters and both levels at hour 0 for coordinates of shape (D, 11)."""
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
        """Return what is left of each reading in its own standard uncertainties, shape (D, N); beyond an open end 0."""
        off = self._off(x)
        return np.where(self.series.open_below & (off < 0.0) | self.series.open_above & (off > 0.0), 0.0, off)

    def _off(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far the course lies above each reading, or its known end, in its own uncertainties (D, N)."""
        series = self.series
        parameters, tank, vial = self.boxes(x)
        expected = simulate(parameters, self.schedule, series.hours, tank_mg_l=tank, vial_mg_l=vial)[1]
        ln_expected = np.log(np.maximum(expected, 1e-6))
        # The place on the color scale is that of the expected color: that of the seen one goes along with its noise.
        angle = series.angle - (ln_expected - series.ln_co2) * PH_PER_LN / PH_PER_RADIAN
        shared, cosine, sine = (x[:, [column]] for column in (7, 8, 9))
        error = shared * series.shared_std + series.color_std * (cosine * np.cos(angle) + sine * np.sin(angle))
        off = ln_expected + error - series.ln_co2
        return np.asarray(off / np.where(off < 0.0, series.std_below, series.std_above) / self.noise(x))

    def log_posterior(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the log density, up to a constant, shape (D,)."""
        from scipy.special import ndtr

        series, off = self.series, self._off(x)
        own = (series.std_below + series.std_above) / 2.0 * self.noise(x)
        ratio = own / _OUTLIER_STD_LN
        good = (1.0 - _OUTLIER_SHARE) * np.exp(-0.5 * off**2)
        stray = _OUTLIER_SHARE * ratio * np.exp(-0.5 * (off * ratio) ** 2)
        two_sided = np.log(np.maximum(good + stray, 1e-300)) - np.log(own)
        # What a one-sided reading tells is the probability to lie beyond its end; it has no density at a value.
        beyond = np.log((1.0 - _OUTLIER_SHARE) * ndtr(np.where(series.open_below, -off, off)) + 0.5 * _OUTLIER_SHARE)
        per_reading = np.where(series.open_below | series.open_above, beyond, two_sided)
        return np.asarray(per_reading.sum(axis=1) - 0.5 * (x**2).sum(axis=1))

    def noise(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the readings' own scatter against their budgets, shape (D, 1)."""
        return np.asarray(np.exp(_LN_NOISE_STD * x[:, [10]]))


def _sample(problem: _Problem) -> tuple[NDArray[np.float64], float]:
    """Draw from the posterior: Gauss-Newton to its mode, then rounds of importance sampling that adapt to it."""
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
    mean, covariance = mode, np.asarray(np.linalg.inv(slope.T @ slope), dtype=np.float64)
    rng = np.random.default_rng(0)  # the same readings give the same numbers
    for _ in range(_N_ROUNDS):
        x, weight = _weighted_draws(problem, rng, mean, covariance)
        if _effective(weight) >= _N_DRAWS / 4.0:
            break
        weight = _flattened(weight, _N_DRAWS / 10.0)
        mean = weight @ x
        centered = x - mean
        covariance = (centered * weight[:, None]).T @ centered + 1e-4 * np.eye(problem.n)
    x, weight = _weighted_draws(problem, rng, mean, covariance)
    # Evenly spaced points on the cumulated weights: fewer repeats than free draws.
    points = (np.arange(_N_KEPT) + 0.5) / _N_KEPT
    index = np.minimum(np.searchsorted(np.cumsum(weight), points), len(weight) - 1)
    return x[index], _effective(weight)


def _weighted_draws(
    problem: _Problem, rng: np.random.Generator, mean: NDArray[np.float64], covariance: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw from a multivariate t distribution and weigh the draws by the posterior."""
    factor = np.linalg.cholesky(covariance)
    normal = rng.standard_normal((_N_DRAWS, problem.n))
    stretch = np.sqrt(_T_DEGREES / rng.chisquare(_T_DEGREES, _N_DRAWS))
    around = normal * stretch[:, None]
    x = mean + around @ factor.T
    log_proposal = -(_T_DEGREES + problem.n) / 2.0 * np.log1p((around**2).sum(axis=1) / _T_DEGREES)
    log_weight = problem.log_posterior(x) - log_proposal
    weight = np.exp(log_weight - log_weight.max())
    return x, weight / weight.sum()


def _flattened(weight: NDArray[np.float64], least_effective: float) -> NDArray[np.float64]:
    """Return the weights raised to the highest power up to 1 at which enough draws count, so that none takes over."""
    log_weight = np.log(np.maximum(weight, 1e-300))
    for power in np.linspace(1.0, 0.02, 50):
        flat = np.exp(power * (log_weight - log_weight.max()))
        flat /= flat.sum()
        if _effective(flat) >= least_effective:
            break
    return np.asarray(flat)


def _effective(weight: NDArray[np.float64]) -> float:
    """Return how many independent draws the weights amount to."""
    return float(1.0 / (weight**2).sum())
