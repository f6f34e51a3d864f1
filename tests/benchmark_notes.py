"""What notes and planned photos are worth on simulated weeks: ``python -m tests.benchmark_notes [WEEKS]``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from colorread.tank.fit import TankFit, fit_tank, is_steady
from colorread.tank.forecast import planned_photos
from colorread.tank.model import Schedule
from colorread.tank.posterior import Posterior
from colorread.tank.series import vial_series
from tests.tank_simulator import START, Truth, simulated_week

KINDS: tuple[tuple[str, ...], ...] = (
    ("water",),
    ("refill",),
    ("gas",),
    ("fluid",),
    ("gas", "bubbles"),
    ("water", "refill", "bubbles"),
    ("water", "gas", "fluid"),
)
_PLAN_AFTER_DAYS = 5
_N_NOISES = 8


def coverage(seed: int, kinds: Sequence[str], *, noted: bool) -> tuple[float, bool, float]:
    """Return the share of photos at which the band covers the tank, whether it is steady, and the median width."""
    week = simulated_week(seed, happenings=kinds)
    fit = fit_tank(week.tank, week.readings, week.events if noted else ())
    low, middle, high = np.quantile(fit.course(week.hours)[0], (0.05, 0.5, 0.95), axis=0)
    covered = (low <= week.tank_mg_l) & (week.tank_mg_l <= high)
    return float(covered.mean()), is_steady(fit), float(np.median((high - low) / middle))


def coverage_table(n_weeks: int) -> Table:
    """Return how often the band covers where what happened is noted, and where it is not."""
    table = Table(title=f"{n_weeks} simulated weeks each", title_justify="left")
    for name in ("happened", "covered, noted", "width", "said to have changed", "covered, not noted", "width", "said"):
        table.add_column(name)
    for kinds in KINDS:
        cells = []
        for noted in (True, False):
            covered, steady, width = np.array([coverage(seed, kinds, noted=noted) for seed in range(n_weeks)]).T
            shown = covered[steady > 0.0] if not noted else covered
            # The photos of a week share most of their error, so weeks count and not photos.
            error = shown.std(ddof=1) / len(shown) ** 0.5
            cells += [
                f"{100.0 * shown.mean():.1f} ± {100.0 * error:.1f} %",
                f"{100.0 * width.mean():.0f} %",
                f"{(1.0 - steady.mean()):.0%}",
            ]
        table.add_row(" + ".join(kinds), *cells)
    return table


def narrowed(seed: int) -> tuple[str, float, float]:
    """Return the number known least, and the mean width of its interval after the planned photo and a usual one."""
    week = simulated_week(seed, days=_PLAN_AFTER_DAYS)
    fit = fit_tank(week.tank, week.readings)
    now = START.replace(tzinfo=None) + timedelta(days=_PLAN_AFTER_DAYS)
    photo = planned_photos(fit, now)[0]
    planned_h = (photo.at - START.replace(tzinfo=None)) / timedelta(hours=1)
    usual_h = [24.0 * _PLAN_AFTER_DAYS + week.tank.lights.on.hour + step for step in (-1.5, 3.0, 6.0, 10.0)]
    widths = [
        np.mean([_width_after(fit, photo.tells, seed, hour, noise) for noise in range(_N_NOISES)])
        for hour in (planned_h, *usual_h)
    ]
    return photo.tells, float(widths[0]), float(np.mean(widths[1:]))


def _width_after(fit: TankFit, tells: str, seed: int, hour: float, noise: int) -> float:
    """Return the width of an interval, as logarithm, once one more photo is weighed in."""
    numbers = {"loss": fit.parameters.loss_per_h, "lag": fit.parameters.lag_h, "gas rate": fit.parameters.gas_mg_l_h}
    week = simulated_week(seed, days=_PLAN_AFTER_DAYS, one_more=(hour, noise))
    return _weighted_width(np.log(numbers[tells]), _log_weights(fit, week))


def _log_weights(fit: TankFit, week: Truth) -> NDArray[np.float64]:
    more, before = _posterior(week), fit.posterior
    # The same coordinates must mean the same.
    more.middle_h, more.scale_ph, more.scale_std = before.middle_h, before.scale_ph, before.scale_std
    return more.log_density(fit.coordinates) - before.log_density(fit.coordinates)


def _posterior(week: Truth) -> Posterior:
    """Return the posterior of a week without drawing from it."""
    schedule = Schedule(gas=week.tank.gas_hours, lights=week.tank.lights)
    return Posterior(week.tank, vial_series(week.tank, week.readings), (), schedule)


def _weighted_width(values: NDArray[np.float64], log_weights: NDArray[np.float64]) -> float:
    order = np.argsort(values)
    cumulated = np.cumsum(np.exp(log_weights - log_weights.max())[order])
    low, high = np.interp([0.05, 0.95], cumulated / cumulated[-1], values[order])
    return float(high - low)


def plan_table(n_weeks: int) -> Table:
    """Return in how many weeks the planned photo narrows the least known number more than the usual hours do."""
    rows = [narrowed(seed) for seed in range(n_weeks)]
    table = Table(title=f"The next photo after {_PLAN_AFTER_DAYS} days, {n_weeks} weeks", title_justify="left")
    for name in ("least known", "weeks", "planned is narrower", "width, planned against usual"):
        table.add_column(name)
    for tells in ("any", *sorted({tells for tells, _, _ in rows})):
        chosen = [(planned, usual) for name, planned, usual in rows if tells in ("any", name)]
        planned, usual = np.array(chosen).T
        table.add_row(tells, str(len(chosen)), f"{(planned < usual).mean():.0%}", f"{(planned / usual).mean():.3f}")
    return table


def main() -> None:
    """Print both tables."""
    n_weeks = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    console = Console(width=140)
    console.print(plan_table(n_weeks))
    console.print(coverage_table(n_weeks))


if __name__ == "__main__":
    main()
