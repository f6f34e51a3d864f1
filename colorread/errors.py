"""The one exception by which a step says that a photo cannot be read, and what to do next."""

from __future__ import annotations


class Refusal(Exception):  # noqa: N818 - a refusal is a right answer, not an error of the program
    """
    A photo that gives no reading.

    Parameters
    ----------
    code : str
        Stable identifier for programs, in kebab-case, such as ``"no-card"``.
    message : str
        What was seen, one sentence for people.
    next_step : str
        What to do next, one sentence for people.
    """

    def __init__(self, code: str, message: str, next_step: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.next_step = next_step
