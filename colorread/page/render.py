"""Templates, and what every page of them holds."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse

from colorread import __version__
from colorread.page.core import core_of, units_shown
from colorread.words import templates_of

_SAID = {
    "saved": "Saved.",
    "kept": "Saved.",
    "known": "This photo was already in the log.",
    "photo-kept": "The photo is saved too.",
    "discarded": "Discarded.",
    "deleted": "Reading deleted.",
    "damaged-deleted": "Damaged readings deleted.",
    "renamed": "Renamed.",
    "removed": "Tank removed.",
    "noted": "Noted.",
    "note-deleted": "Note deleted.",
}
"""What a page says of what was done before, by the word in its address."""


def page(request: Request, template: str, *, status: int = 200, **values: Any) -> HTMLResponse:
    """
    Return a page.

    Parameters
    ----------
    request : Request
        Who asks.
    template : str
        File name of the template.
    status : int, default 200
        Of the answer.
    **values : object
        For the template; `units` only where they are others than the browser shows.

    Returns
    -------
    HTMLResponse
        The page; it loads nothing but the style and the script of this server.
    """
    session: str = getattr(request.state, "session", "")
    text = (
        templates_of("colorread.page")
        .get_template(template)
        .render(
            {"units": units_shown(request)} | values,
            csrf=core_of(request).access.form_token(session),
            version=__version__,
            path=request.url.path,
            said=_SAID.get(request.query_params.get("said", ""), ""),
        )
    )
    return HTMLResponse(text, status)


def refusal_page(status: int, message: str, next_step: str, *, asks_code: bool) -> HTMLResponse:
    """
    Return a page that needs nothing else of this server, for whom it serves nothing else.

    Parameters
    ----------
    status : int
        Of the answer.
    message, next_step : str
        What is wrong, and what to do.
    asks_code : bool
        Whether a device can be paired here.

    Returns
    -------
    HTMLResponse
        The page.
    """
    template = templates_of("colorread.page").get_template("refusal.html")
    return HTMLResponse(template.render(message=message, next_step=next_step, asks_code=asks_code), status)
