"""Pages in HTML from the templates of a package."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from colorread.words.numbers import bind_units


@cache
def templates_of(package: str) -> Environment:
    """
    Return the templates of a package.

    Parameters
    ----------
    package : str
        With a folder ``templates``.

    Returns
    -------
    jinja2.Environment
        Whatever is put into a page is escaped; `bound` keeps units with their numbers, `sentence` begins with a capital
        letter, and `svg` is for what this program drew itself.
    """
    environment = Environment(
        loader=PackageLoader(package),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["bound"] = bind_units
    environment.filters["sentence"] = lambda text: f"{text[:1].upper()}{text[1:]}"
    environment.filters["svg"] = Markup
    return environment
