"""What pages are filled with: the templates of a package, and the bar below a CO2 number."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from colorread.result import Interval
from colorread.words.bar import bar_of, place_labels
from colorread.words.numbers import bind_units, co2_words
from colorread.words.verdict import USUAL_MARKS, Marks

_BAR_WIDTH, _BAR_EDGE = 320, 6
_LETTER = 7.7  # of the font of its labels: width of a digit at most


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


def bar_svg(co2_mg_l: Interval, marks: Marks = USUAL_MARKS) -> str:
    """
    Draw a bar for a page, in the ink of the text around it.

    Parameters
    ----------
    co2_mg_l : Interval
        CO2 with its interval [mg/L].
    marks : Marks
        Plants' range and fish limit.

    Returns
    -------
    str
        An SVG element.
    """
    bar = bar_of(co2_mg_l, marks)

    def x_of(share: float) -> float:
        return round(_BAR_EDGE + share * (_BAR_WIDTH - 2 * _BAR_EDGE), 1)

    labels = place_labels(bar, x_of, lambda text: _LETTER * len(text), (0.0, _BAR_WIDTH))
    words = f"CO2 {co2_words(co2_mg_l).short()} on a bar from low to high"
    template = templates_of("colorread.words").get_template("bar.svg")
    return template.render(bar=bar, x=x_of, labels=labels, words=words, width=_BAR_WIDTH, edge=_BAR_EDGE)
