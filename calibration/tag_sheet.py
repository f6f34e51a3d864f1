"""The print sheet of the tag: a PDF at true size, in black ink only, with cut marks, a drawing and instructions."""

from __future__ import annotations

from typing import Literal

from calibration.card_sheet import TEXT_GAP_MM, draw_grid, new_sheet, page_size_of, write_cautions, write_text
from calibration.reference import load_tag
from calibration.sheet_drawing import TAG_FIELD, draw_tag_in_use, drawing_height_mm

N_COLUMNS, N_ROWS = 3, 2

STEPS_TITLE = "How to hang a tag"
STEPS = (
    "<b>Print at 100&nbsp;%</b> in black ink on matte white paper, check with a ruler that the bar is 20&nbsp;mm long, "
    "cut along lines that join the cut marks, and laminate the tag or seal it in clear film.",
    "<b>Hang it</b> by its hole and a thread, or under the suction cup of the vial, so that the vial hangs 1 to "
    "12&nbsp;mm in front of the blank window, at mid-depth, free of bubbles from the diffuser.",
    "<b>Wait two hours</b> after filling the vial before the first photo, and wipe the tag every week.",
)
CAUTIONS = (
    "Punch the hole first; pierce the film within it, so that no water gets to the paper.",
    "Matte film is best: glossy film reflects lamps. Bare paper soaks, and bare ink runs.",
    "Print again rather than copy; replace a tag that is yellowed, creased or wet inside.",
    "No flash, portrait mode or filters: the measurement is in the colors.",
    "Watch the fish: the vial is hours behind the water.",
    "A reading replaces neither an instrument nor professional or veterinary advice.",
)


def render_tag_sheet(*, paper: Literal["a4", "letter"] = "a4") -> bytes:
    """
    Return a sheet of tags to print.

    The tags have their true size if printed at 100 %. As on the sheet of cards, a printer needs its black ink only. The
    file is the same, byte for byte, at each call.

    Parameters
    ----------
    paper : {"a4", "letter"}, default "a4"
        Paper size; the sheet lies across.

    Returns
    -------
    bytes
        The PDF file.

    Raises
    ------
    ValueError
        If `paper` is not known.
    """
    page_size, height_mm = page_size_of(paper)
    with new_sheet(page_size, "Tags for reading a drop checker in the tank from a photo") as (canvas, buffer):
        side, foot = draw_grid(canvas, load_tag(), N_COLUMNS, N_ROWS, page_size)
        draw_tag_in_use(canvas, height_mm, side)
        below = side.grown(0.0, -drawing_height_mm(TAG_FIELD, side.width_mm) - TEXT_GAP_MM, 0.0, 0.0)
        write_text(canvas, height_mm, below, STEPS_TITLE, STEPS, numbered=True)
        write_cautions(canvas, height_mm, foot, CAUTIONS)
    return buffer.getvalue()
