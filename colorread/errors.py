"""The exception that says why a photo cannot be read, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """
    Why a photo was refused.

    Parameters
    ----------
    code : str
        Stable name for programs, in kebab-case, such as ``"no-card"``.
    message : str
        What was seen, one sentence for the keeper.
    next_step : str
        What to do next, one sentence for the keeper.
    """

    code: str
    message: str
    next_step: str


class Refusal(Exception):  # noqa: N818 - a refusal is a correct answer, not a program error
    """
    A photo that gives no reading.

    Parameters
    ----------
    reason : Reason
        Why.
    """

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason.message)
        self.reason = reason


def refusal(name: str, /, **details: object) -> Refusal:
    """
    Return a refusal with its words from ``refusals.toml``.

    Parameters
    ----------
    name : str
        Key in that file; the part before the slash is the code.
    **details : object
        Values for the placeholders in its texts.

    Returns
    -------
    Refusal
        Ready to raise.
    """
    texts = {field: text.format(**details) for field, text in _words()[name].items()}
    return Refusal(Reason(code=name.split("/")[0], **texts))


@cache
def _words() -> dict[str, Any]:
    import tomllib  # slow to import, and most photos are not refused
    from importlib.resources import files

    return tomllib.loads(files(__package__).joinpath("refusals.toml").read_text(encoding="utf-8"))
