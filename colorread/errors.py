"""The one exception by which a step says that a photo cannot be read, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Self


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """
    Why a photo was refused.

    Parameters
    ----------
    code : str
        Stable name for programs, in kebab-case, such as ``"no-card"``.
    message : str
        What was seen, one sentence for people.
    next_step : str
        What to do next, one sentence for people.
    """

    code: str
    message: str
    next_step: str


class Refusal(Exception):  # noqa: N818 - a refusal is a right answer, not an error of the program
    """
    A photo that gives no reading.

    Parameters
    ----------
    code, message, next_step : str
        As in `Reason`.
    """

    def __init__(self, code: str, message: str, next_step: str) -> None:
        super().__init__(message)
        self.reason = Reason(code=code, message=message, next_step=next_step)

    @classmethod
    def of(cls, reason: Reason) -> Self:
        """Return a refusal for a reason that was told before."""
        return cls(reason.code, reason.message, reason.next_step)


def refusal(name: str, /, **details: object) -> Refusal:
    """
    Return a refusal in the words of ``refusals.toml``.

    Parameters
    ----------
    name : str
        Its name there; up to the slash it is the code.
    **details : object
        What the words leave open.

    Returns
    -------
    Refusal
        To be raised.
    """
    words = _words()[name]
    return Refusal(name.split("/")[0], words["message"].format(**details), words["next_step"].format(**details))


@cache
def _words() -> dict[str, Any]:
    import tomllib  # slow to import, and most photos are not refused
    from importlib.resources import files

    return tomllib.loads(files(__package__).joinpath("refusals.toml").read_text(encoding="utf-8"))
