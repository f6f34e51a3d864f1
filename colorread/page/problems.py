"""What became of a request that failed: one status and one sentence for each kind of error, wherever it was raised."""

from __future__ import annotations

import errno
from collections.abc import Mapping
from dataclasses import dataclass, field

from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException

from colorread.errors import Reason
from colorread.log import DiskFull, Leftovers, LogError, LogFailure

_UPLOAD_STATUS = {"not-a-photo": 415, "too-large": 413, "profile": 409}
_DISK_FULL = frozenset((errno.ENOSPC, errno.EDQUOT))
_NEXT_STEPS = {
    400: "Go back and try again.",
    403: "Reload the page and try again.",
    404: "Go back to the list of tanks.",
    408: "Move closer to the Wi-Fi router and try again.",
    413: "Choose a smaller photo, or fewer.",
    415: "Use a photo as JPEG, PNG, HEIC, TIFF or WebP.",
    503: "Wait a moment and try again.",
    507: "Free some disk space on the computer that runs the page.",
}
_PLAIN = {"Not Found": "This page does not exist.", "Method Not Allowed": "This page cannot be used that way."}


class UploadProblem(Exception):  # noqa: N818 - says what is wrong with an upload, not with the program
    """
    An upload that is no photo that could be read.

    Parameters
    ----------
    reason : Reason
        Why.
    """

    def __init__(self, reason: Reason) -> None:
        super().__init__(reason.message)
        self.reason = reason


class WorkFailed(Exception):  # noqa: N818 - reads better where it is caught
    """Work that came to no end, as it took too long or its process died; one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """
    An answer that tells what is wrong.

    Parameters
    ----------
    status : int
        Of HTTP.
    message, next_step : str
        For people.
    code : str
        For programs; may be empty.
    headers : mapping of str to str
        That go with it.
    """

    status: int
    message: str
    next_step: str = ""
    code: str = ""
    headers: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.next_step:
            object.__setattr__(self, "next_step", _NEXT_STEPS.get(self.status, ""))


def problem_of(error: Exception) -> Problem:
    """
    Return what to tell of an error.

    Parameters
    ----------
    error : Exception
        Raised in the server or in a process that works for it.

    Returns
    -------
    Problem
        In words for people.
    """
    match error:
        case UploadProblem():
            reason = error.reason
            status = _UPLOAD_STATUS.get(reason.code, 422)
            return Problem(status=status, message=reason.message, next_step=reason.next_step, code=reason.code)
        case WorkFailed():
            return Problem(status=503, message=str(error), headers={"Retry-After": "5"})
        case Leftovers():
            return Problem(status=500, message=str(error), next_step="Delete them by hand.")
        case DiskFull():
            return Problem(status=507, message=str(error), next_step="Nothing was changed.")
        case LogFailure():
            return Problem(status=503, message=str(error), next_step="Nothing was changed.")
        case LogError():
            return Problem(status=404, message=str(error))
        case OSError() if error.errno in _DISK_FULL:
            return Problem(status=507, message="The disk of the computer that runs the page is full.")
        case OSError():
            return Problem(status=500, message=f"A file could not be used: {error.strerror or 'unknown reason'}.")
        case HTTPException():
            message = _PLAIN.get(error.detail, error.detail)
            return Problem(status=error.status_code, message=message, headers=error.headers or {})
        case RequestValidationError():
            parts = [f"{'.'.join(map(str, part['loc'][1:]))}: {part['msg']}" for part in error.errors()]
            return Problem(status=422, message=f"The request is not valid ({'; '.join(parts)}).")
        case _:
            return Problem(status=500, message="Something went wrong; the terminal shows more.")


KINDS = (UploadProblem, WorkFailed, LogError, OSError, HTTPException, RequestValidationError, Exception)
"""Errors that the server has to ask `problem_of` about."""
