"""The posterior of tank, vial and reading errors given the readings and notes, and equally likely draws from it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.polynomial.polynomial import polyval
from numpy.typing import NDArray

from calibration import Floats
from colorread.result import BUDGET_KH
from colorread.tank.events import Event
from colorread.tank.model import Draws, Schedule, TankParameters, Turn, settled_state, simulate
from colorread.tank.series import PH_PER_LN, VialSeries, counts_of, steps_of
from colorread.tank.settings import Tank
from colorread.words import SourceKind


class Prior(NamedTuple):
    """A normal prior."""

    mean: float
    std: float

    def at(self, coordinate: Draws) -> Draws:
        """Return the values at standard-normal coordinates."""
        return self.mean + self.std * coordinate


# Loss to the air: 0.03 (still), 0.09 (rippled) and 0.29 1/h (strong outflow) for water 35 cm deep and gas-transfer
# velocities of 1, 3 and 10 cm/h. The last is from Gelda et al. 1996 (J. Environ. Eng. 122, 269, abstract: 1.50 to 2.64
# m/d, that is 6.3 to 11 cm/h, for the oxygen of a lake). 1 and 3 cm/h for calmer water are assumptions, and so is
# treating an aquarium like a lake: no measurement was found.
LN_LOSS = Prior(math.log(0.12), 0.7)
# Lag of the vial: 63 % within 0.7 to 4 h, usually 1.5 h, from diffusion through vial and air gap: assumption.
LN_LAG = Prior(math.log(1.6), 0.45)
# Level the tank would reach if gas and lamp stayed on [mg/L]; together with the loss it gives the gas rate. Wide, so
# that a tank whose gas has nearly run out is not pulled towards a well-supplied one: assumption.
_LN_LEVEL = Prior(math.log(30.0), 1.2)
# Fading of the gas per day. Bottles fade over one to three weeks, a cylinder hardly at all: common practice, no source.
_FALL_PER_DAY: Mapping[SourceKind | None, Prior] = {
    "fermentation": Prior(0.04, 0.06),
    "acid-bicarbonate": Prior(0.02, 0.05),
    "cylinder": Prior(0.0, 0.03),
    None: Prior(0.02, 0.06),
}
# Uptake in the light: from next to nothing (0.02 mg/L/h at 20 mg/L) to 2 mg/L/h, a tank full of plants (shoots of
# Kahara & Vermaat 2003, Aquat. Bot. 75, 217, doi 10.1016/S0304-3770(02)00179-1), as 5 and 95 % points: assumption.
_LN_UPTAKE = Prior(math.log(0.01), 1.4)
# Level without gas: 0.6 mg/L from the air (Plummer & Busenberg 1982) to 2 where fish and soil breathe: assumption.
_LN_BASE = Prior(math.log(0.9), 0.5)
_LN_START = Prior(0.0, 0.5)  # CO2 at the first midnight relative to a settled day: assumption
_LN_NOISE = Prior(0.0, 0.3)  # the readings may scatter by a third more or less than they state: assumption
# Relative error of a count, as logarithm; bubbles differ in size and are counted in a hurry: assumptions.
_LN_COUNT_STD = Prior(math.log(0.1), 0.5)
# By how much the fading of a refill may differ from that of the charge before it, per day: assumption, half of the
# spread between bottles.
_FALL_STD_PER_DAY = 0.03
_OUTLIER_SHARE, _OUTLIER_STD_LN = 0.03, 1.0  # readings that are simply wrong, such as of another vial: assumption
# The error of phone and lamp changes with the color: over 120 simulated phones, lamps and vials without a profile it
# correlated by 0.5 to 0.7 across 0.3 pH, by 0.2 to 0.6 across 0.6, and by less beyond. It has its own value at each of
# these pH, interpolated by Gaussians of this width.
_BEND_STEP_PH, _BEND_WIDTH_PH = 0.5, 0.35
_BEND_PH: Floats = np.arange(6.0, 8.01, _BEND_STEP_PH)
_BEND_HEIGHTS: Floats = np.exp(-0.5 * ((_BEND_PH - _BEND_PH[0]) / _BEND_WIDTH_PH) ** 2)
# With this probability the shared errors are this many times larger, for example where a profile was made from a bad
# photo, so that readings whose course contradicts a profile can overrule it: assumptions.
_MISLED_SHARE, _MISLED_FACTOR = 0.1, 2.0

# Columns of the coordinates: seven for the boxes (level, fading, loss, uptake, base, lag, start), then the common
# error, the errors at `_BEND_PH`, and the noise. Notes add their own columns after these.
_COMMON, _BEND, _NOISE, _N_FIXED = 7, slice(8, 13), 13, 14
_SHARED = slice(7, 13)

# Settings of the sampler: number of draws, width of the first ones relative to the normal distribution at the mode,
# moves at each temperature and at the last, and the target acceptance rate of a random walk: common practice, no
# source. In eight simulated weeks these moves place the median and both ends of the tank's course within 0.1 of its
# standard deviation (root mean square); 400 moves do so within 0.05.
N_DRAWS = 1000
_SPREAD, _N_MOVES, _N_LAST_MOVES, _USUAL_ACCEPTED = 1.3, 6, 12, 0.25


class Posterior:
    """
    The posterior density over standard-normal coordinates.

    After the fixed columns come two for each step of the gas, one for the error of each renewed fluid, and one for the
    noise of the bubble counts if any two of them can be compared.
    """

    def __init__(self, tank: Tank, series: VialSeries, events: Sequence[Event], schedule: Schedule) -> None:
        self.series, self.schedule = series, schedule
        self.steps = steps_of(events, series.midnight)
        self.counts = counts_of(events, series.midnight)
        self.fall_per_day = _FALL_PER_DAY[tank.source_kind]
        renewed_h = [step.hour for step in self.steps if step.fluid_renewed]
        n_gas_steps = sum(step.gas_std > 0.0 for step in self.steps)
        self.last_fall_std_per_day = float(np.hypot(self.fall_per_day.std, _FALL_STD_PER_DAY * n_gas_steps**0.5))
        self._gas = slice(_N_FIXED, _N_FIXED + 2 * n_gas_steps)
        self._fluids = slice(self._gas.stop, self._gas.stop + len(renewed_h))
        self._n = self._fluids.stop + (self.counts is not None)
        self.common_std = _common_std(series, renewed_h)
        # The size of the color error is averaged over readings of similar color. Noise moves single readings towards an
        # end of the scale, where they state a larger shared error; if each counted as stated, one shared error could
        # pull all of them back.
        self.scale_ph = np.linspace(series.ph.min(), series.ph.max(), 50)
        self.scale_std = series.mean_near(self.scale_ph, series.color_std)
        # The gas rate refers to the middle of the readings, where it hardly correlates with its trend.
        self.middle_h = float(series.hours.mean())

    def boxes(self, x: Floats) -> tuple[TankParameters, Draws]:
        """Return the parameters, and tank and vial at hour 0, (2, D), for coordinates of shape (D, n)."""
        priors = (_LN_LEVEL, self.fall_per_day, LN_LOSS, _LN_UPTAKE, _LN_BASE, LN_LAG, _LN_START)
        values = [prior.at(x[:, i]) for i, prior in enumerate(priors)]
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
        return parameters, settled_state(parameters, self.schedule, days=2) * np.exp(ln_start)

    def turns(self, first: TankParameters, x: Floats) -> tuple[Turn, ...]:
        """Return what changes in the model at each noted step, given the parameters before the first."""
        turns, parameters = [], first
        columns = iter(x[:, self._gas].T)
        for step in self.steps:
            if step.gas_std:
                rate, fading = next(columns), next(columns)
                fall = parameters.fall_per_h + _FALL_STD_PER_DAY / 24.0 * fading
                # The rate always refers to hour 0: from there, this fading leads to the new rate at the step.
                ln_factor = step.gas_std * rate + (fall - parameters.fall_per_h) * step.hour
                parameters = replace(parameters, gas_mg_l_h=parameters.gas_mg_l_h * np.exp(ln_factor), fall_per_h=fall)
            turns.append(Turn(step.hour, parameters, step.water_change, step.fluid_renewed))
        return tuple(turns)

    def residuals(self, x: Floats) -> Floats:
        """
        Return how far the course lies above each reading, and each bubble count above its gas rate, shape (D, N + M).

        In units of its own uncertainty; 0 beyond the open end of a one-sided reading.
        """
        series = self.series
        first, start_mg_l = self.boxes(x)
        turns = self.turns(first, x)
        expected = simulate(first, self.schedule, series.hours, start_mg_l, turns)[1]
        ln_expected = np.log(np.maximum(expected, 1e-6))
        error = self.shared_error(x, ln_expected, series.ph_at_1_mg_l, self.common_std)
        off = ln_expected + error - series.ln_co2
        off /= np.where(off < 0.0, series.std_below, series.std_above) * self.noise(x)
        off = np.where(series.open_below & (off < 0.0) | series.open_above & (off > 0.0), 0.0, off)
        if self.counts is None:
            return off
        counts_off = self.counts.off(first, turns) / np.exp(_LN_COUNT_STD.at(x[:, -1]))[:, None]
        return np.concatenate([off, counts_off], axis=1)

    def shared_error(self, x: Floats, ln_expected: Floats, ph_at_1_mg_l: Floats, common_std: Floats) -> Floats:
        """Return how far the shared errors lift the logarithms of N readings above the vial's, shape (D, N)."""
        common = x[:, [_COMMON, *range(self._fluids.start, self._fluids.stop)]] @ common_std.T
        # The place on the color scale comes from the expected course with its shared error, as the color seen moves
        # with the noise.
        error, heights = np.zeros_like(ln_expected), (_BEND_HEIGHTS * x[:, _BEND]).T[..., None]
        for _ in range(2):
            ph = np.clip(ph_at_1_mg_l - (ln_expected + error) * PH_PER_LN, *_BEND_PH[[0, -1]])
            # Gaussians at equal distances are the first of them, which cancels here, times powers of one exponential
            # and times `_BEND_HEIGHTS`.
            power = np.exp((ph - _BEND_PH[0]) * _BEND_STEP_PH / _BEND_WIDTH_PH**2)
            bend = polyval(power, heights, tensor=False) / np.sqrt(polyval(power**2, _BEND_HEIGHTS**2))
            error = common + bend * np.interp(ph, self.scale_ph, self.scale_std)
        return error

    def log_density(self, x: Floats) -> Floats:
        """Return the log density up to a constant, shape (D,)."""
        series, residuals = self.series, self.residuals(x)
        off, counts_off = np.split(residuals, [len(series.hours)], axis=1)
        own_std = series.own_std * self.noise(x)
        ratio = own_std / _OUTLIER_STD_LN
        good = (1.0 - _OUTLIER_SHARE) * np.exp(-0.5 * off**2)
        stray = _OUTLIER_SHARE * ratio * np.exp(-0.5 * (off * ratio) ** 2)
        two_sided = np.log(np.maximum(good + stray, 1e-300)) - np.log(own_std)
        # A one-sided reading is equally likely all along its open side: it adds a probability, not a density.
        one_sided = np.log(good + 0.5 * _OUTLIER_SHARE)
        log_density = np.where(series.is_open, one_sided, two_sided).sum(axis=1) + _log_prior(x)
        if self.counts is not None:
            log_density += -0.5 * (counts_off**2).sum(axis=1) - self.counts.n_free * _LN_COUNT_STD.at(x[:, -1])
        return np.asarray(log_density)

    def noise(self, x: Floats) -> Floats:
        """Return the scatter of the readings relative to their stated uncertainties, shape (D, 1)."""
        return np.asarray(np.exp(_LN_NOISE.at(x[:, [_NOISE]])))

    def draws(self) -> Floats:
        """
        Return equally likely coordinates, shape (D, n).

        Gauss-Newton finds about the mode. Draws of a normal distribution there are tempered towards the posterior, in
        steps small enough that the effective sample size stays at half (sequential Monte Carlo: Del Moral, Doucet &
        Jasra 2006, J. R. Stat. Soc. B 68, 411). After each step they move: in turn by a random walk, which reaches far
        tails, and to draws of a normal distribution fitted to them all, which forget where they came from (Chopin 2002,
        Biometrika 89, 539; from memory).
        """
        rng = np.random.default_rng(0)  # the same readings give the same numbers
        mode, factor = self._normal_at_mode()
        factor = _SPREAD * factor
        n = len(mode)
        x = mode + rng.standard_normal((N_DRAWS, n)) @ factor.T

        def log_densities(x: Floats) -> Floats:
            """Return the log densities of the normal distribution and of the posterior, shape (2, D)."""
            return np.stack([_log_normal(x, mode, factor), self.log_density(x)])

        log_there, power, scale = log_densities(x), 0.0, 2.38 / math.sqrt(n)
        while power < 1.0:
            gain = log_there[1] - log_there[0]
            step = _largest_step(gain, 1.0 - power)
            power = min(power + step, 1.0)
            # Systematic resampling: evenly spaced points on the cumulative weights repeat fewer draws than random ones.
            cumulated = np.cumsum(np.exp(step * (gain - gain.max())))
            points = (np.arange(N_DRAWS) + 0.5) / N_DRAWS * cumulated[-1]
            index = np.searchsorted(cumulated, points)
            x, log_there = x[index], log_there[:, index]
            mean, walk = x.mean(axis=0), np.linalg.cholesky(np.cov(x.T) + 1e-6 * np.eye(n))
            for move in range(_N_MOVES if power < 1.0 else _N_LAST_MOVES):
                is_walk = move % 2 == 0
                drawn = rng.standard_normal(x.shape) @ walk.T
                proposed = x + scale * drawn if is_walk else mean + drawn
                log_proposed = log_densities(proposed)
                log_odds = np.array([1.0 - power, power]) @ (log_proposed - log_there)
                if not is_walk:
                    log_odds += _log_normal(x, mean, walk) - _log_normal(proposed, mean, walk)
                accepted = np.log(rng.random(N_DRAWS)) < log_odds
                x = np.where(accepted[:, None], proposed, x)
                log_there = np.where(accepted, log_proposed, log_there)
                if is_walk:
                    scale *= math.exp(accepted.mean() - _USUAL_ACCEPTED)
        return x

    def _normal_at_mode(self) -> tuple[Floats, Floats]:
        """Return about the mode, and the Cholesky factor of the covariance around it."""
        from scipy.optimize import least_squares

        n = self._n

        def stacked(x: Floats) -> Floats:
            return np.append(self.residuals(x[None])[0], x)

        def jacobian(x: Floats) -> Floats:
            step = 1e-4
            around = np.concatenate([x + step * np.eye(n), x - step * np.eye(n)])
            off = self.residuals(around)
            slope = (off[:n] - off[n:]) / (2.0 * step)
            return np.concatenate([slope.T, np.eye(n)])

        # The draws only start here, so a rough place will do.
        mode = least_squares(stacked, np.zeros(n), jac=jacobian, loss="soft_l1", f_scale=3.0, ftol=1e-4, max_nfev=60).x
        slope = jacobian(mode)
        return mode, np.linalg.cholesky(np.linalg.inv(slope.T @ slope))


def _log_normal(x: Floats, mean: Floats, factor: NDArray[np.floating]) -> Floats:
    """Return the log density up to a constant, shape (D,), for a Cholesky factor of the covariance."""
    return np.asarray(-0.5 * (np.linalg.solve(factor, (x - mean).T) ** 2).sum(axis=0))


def _log_prior(x: Floats) -> Floats:
    """Return the log density of the prior up to a constant, shape (D,)."""
    shared = x[:, _SHARED]
    square = (shared**2).sum(axis=1)
    as_stated = math.log(1.0 - _MISLED_SHARE) - 0.5 * square
    wider = math.log(_MISLED_SHARE / _MISLED_FACTOR ** shared.shape[1]) - 0.5 * square / _MISLED_FACTOR**2
    return np.asarray(np.logaddexp(as_stated, wider) + 0.5 * square - 0.5 * (x**2).sum(axis=1))


def _common_std(series: VialSeries, renewed_h: Sequence[float]) -> Floats:
    """
    Return how strongly each reading shares in the error of the first fluid and of each later one, shape (N, 1 + F).

    The KH of new fluid has an error of its own; the error of the dye stays the same.
    """
    kh_std = np.array([reading.budget[BUDGET_KH] for reading in series.readings]) / PH_PER_LN
    common_std = np.zeros((len(series.hours), 1 + len(renewed_h)))
    fluid = np.searchsorted(renewed_h, series.hours, side="right")
    old = np.where(fluid > 0, 1.0 - (kh_std / np.maximum(series.shared_std, 1e-9)) ** 2, 1.0)
    common_std[np.arange(len(fluid)), fluid] = series.shared_std * np.sqrt(1.0 - old**2)
    common_std[:, 0] = series.shared_std * old
    return common_std


def prior_parameters(source: SourceKind | None) -> TankParameters:
    """Return draws of the priors, always the same, for a tank without photos and with a gas rate of 1 mg/L/h."""
    loss, uptake, base, lag, fall = np.random.default_rng(0).standard_normal((5, N_DRAWS))
    return TankParameters(
        gas_mg_l_h=np.ones(N_DRAWS),
        fall_per_h=_FALL_PER_DAY[source].at(fall) / 24.0,
        loss_per_h=np.exp(LN_LOSS.at(loss)),
        uptake_per_h=np.exp(_LN_UPTAKE.at(uptake)),
        base_mg_l=np.exp(_LN_BASE.at(base)),
        lag_h=np.exp(LN_LAG.at(lag)),
    )


def _largest_step(gain: Floats, most: float) -> float:
    """Return the largest power of the weights, at most `most`, at which the effective sample size is half or more."""
    low, high = 0.0, most
    step = most
    while high - low > 1e-3 * high:
        weight = np.exp(step * (gain - gain.max()))
        is_enough = weight.sum() ** 2 >= 0.5 * len(weight) * (weight**2).sum()
        low, high = (step, high) if is_enough else (low, step)
        step = (low + high) / 2.0
    return step
