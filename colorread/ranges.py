"""The checks that a number lies where a formula holds."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray


def checked_range(
    name: str, value: ArrayLike, low: float, high: float, *, open_low: bool = False
) -> NDArray[np.float64]:
    """
    Return the value as float64 if all of it lies within a range.

    NaN passes, so that a missing measurement stays missing instead of stopping the others.

    Parameters
    ----------
    name : str
        What the number is, with its unit, for the message.
    value : array_like of float, shape (...)
        Number or numbers to check.
    low, high : float
        Ends of the range, both included.
    open_low : bool, default False
        Whether the lower end itself is excluded.

    Returns
    -------
    numpy.ndarray of float64, shape (...)
        The same numbers.

    Raises
    ------
    ValueError
        If a number lies outside the range.
    """
    array = np.asarray(value, dtype=np.float64)
    outside = (array < low) | (array > high) | ((array == low) & open_low)
    if np.any(outside):
        span = f"be above {low:g} and at most {high:g}" if open_low else f"lie between {low:g} and {high:g}"
        raise ValueError(f"{name} must {span}, but is {array[outside].flat[0]:g}.")
    return array


def checked_number(name: str, value: float, low: float, high: float, *, open_low: bool = False) -> float:
    """
    Return a single number that people or files stated, if it lies within a range; NaN does not.

    Parameters
    ----------
    name : str
        What the number is, with its unit, for the message.
    value : float
        Number to check.
    low, high : float
        Ends of the range, both included.
    open_low : bool, default False
        Whether the lower end itself is excluded.

    Returns
    -------
    float
        The same number.

    Raises
    ------
    ValueError
        If it is none, or lies outside the range.
    """
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a number.")
    return float(checked_range(name, value, low, high, open_low=open_low))
