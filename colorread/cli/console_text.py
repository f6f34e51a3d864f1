"""Text that a console can show, whatever its encoding."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

_ASCII = str.maketrans("○▲✗─━┼╋●◀▶→−", "o!x-=++O<>>-") | {ord("°"): "", ord("±"): "+-"}


def printable(console: Console, text: str) -> str:
    """
    Return what the console can show: signs by letters where it knows no Unicode, and ``?`` for what is left.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    text : str
        Any text.

    Returns
    -------
    str
        In the encoding of the console.
    """
    if console.options.ascii_only:
        text = text.translate(_ASCII)
    return text.encode(console.encoding, "replace").decode(console.encoding)


def shown(console: Console, text: str, style: str = "") -> Text:
    """
    Return a text that the console can show as it is: its brackets are no markup.

    Parameters
    ----------
    console : rich.console.Console
        Where to.
    text : str
        Any text.
    style : str, optional
        As rich knows it.

    Returns
    -------
    rich.text.Text
        Folds where a word is too long.
    """
    return Text(printable(console, text), style=style, overflow="fold")
