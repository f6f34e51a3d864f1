"""Templates, and what every page of them holds."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse

from colorread import __version__
from colorread.page.core import core_of, units_shown
from colorread.templates import templates_of


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
        )
    )
    return HTMLResponse(text, status)
