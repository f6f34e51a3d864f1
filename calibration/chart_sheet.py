"""The print sheet of the color chart: a PDF at true size, charts in color beside blank cards in black ink."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from calibration.card_sheet import (
    GAP_MM,
    INK,
    MARGIN_MM,
    N_COLUMNS,
    N_ROWS,
    draw_grid,
    new_sheet,
    page_size_of,
    write_cautions,
    write_steps,
)
from calibration.chart import CHART_PH, ChartPatch, chart_patches
from calibration.color_space import encode_srgb
from calibration.reference import Rect, load_card

# Baselines of the labels on the card, from its upper edge: note, title and pH above the patches, CO2 and title below.
_NOTE_MM, _PH_TITLE_MM, _PH_MM, _CO2_MM, _CO2_TITLE_MM = 18.4, 21.4, 25.0, 54.0, 56.6
_TITLE_PT, _LABEL_PT, _NOTE_PT = 6.5, 8.5, 5.5

STEPS_TITLE = "How to use a chart"
STEPS = (
    "<b>Print in color at 100&nbsp;%</b> (“actual size”, not “fit to page”) on matte white uncoated paper, best "
    "quality, without any “vivid” or “photo” setting. Let the ink dry for a day.",
    "<b>Check the size</b>: the bar on the left of a chart must be 30&nbsp;mm long.",
    "<b>Cut</b> along lines that join the cut marks. Keep the second chart in the dark: prints fade.",
    "<b>Compare by eye</b>: hold the vial beside the patches in daylight. The closest patch gives the pH above it and "
    "the CO<sub>2</sub> below it.",
    "<b>For a photo</b>, or if you cannot tell the colors apart, hold the vial in front of a blank card from the right "
    "half of this sheet.",
)
CAUTIONS = (
    "A match by eye is rough: often wrong by 0.2 in pH, a factor of 1.6 in CO<sub>2</sub>. Inks are not the dye, and "
    "printers, paper and lamps differ.",
    "A photo of this chart hardly narrows a reading. To narrow it, calibrate with the ends of the color and a known pH "
    "(<b>colorread calibrate ends --how</b>).",
    "The CO<sub>2</sub> numbers hold for the KH and temperature on the chart. Print another for another KH.",
    "Do not write on chart or card. Replace them when faded, yellowed, stained or wet.",
    "Keep the charts out of the tank: ink comes off.",
    "Watch the fish: the vial lags the water by hours.",
    "A reading does not replace an instrument or professional advice.",
)


def render_chart_sheet(
    *,
    co2_mg_l: Sequence[float],
    kh_dkh: float,
    temperature_c: float,
    paper: Literal["a4", "letter"] = "a4",
) -> bytes:
    """
    Return a sheet of two color charts and two blank cards to print.

    A chart has the markers and rows of grays of the card, so that it is found and balanced like the card, and the
    patches in its window. The file is the same, byte for byte, at each call.

    Parameters
    ----------
    co2_mg_l : sequence of float
        CO2 at the pH of each patch, `calibration.chart.CHART_PH` [mg/L].
    kh_dkh, temperature_c : float
        For which these hold, to be written on the chart [dKH, degC].
    paper : {"a4", "letter"}, default "a4"
        Paper size; the sheet lies across.

    Returns
    -------
    bytes
        The PDF file.

    Raises
    ------
    ValueError
        If `paper` is not known or the number of CO2 values is wrong.
    """
    page_size, _ = page_size_of(paper)
    if len(co2_mg_l) != len(CHART_PH):
        raise ValueError(f"The chart has {len(CHART_PH)} patches, but there are {len(co2_mg_l)} values of CO2.")
    condition = f"mg/L CO2 at KH {kh_dkh:g} dKH and {temperature_c:g} °C"
    return _render_sheet(page_size, [_co2_text(value) for value in co2_mg_l], condition)


def _co2_text(co2_mg_l: float) -> str:
    return f"{co2_mg_l:.0f}" if co2_mg_l >= 9.95 else f"{co2_mg_l:.1f}"


def _render_sheet(page_size: tuple[float, float], co2_texts: Sequence[str], condition: str) -> bytes:
    card = load_card()
    height_mm = page_size[1] / mm
    with new_sheet(page_size, "Color charts of a drop checker") as (canvas, buffer):
        side, foot = draw_grid(canvas, card, N_COLUMNS, N_ROWS, page_size)
        for row in range(N_ROWS):  # what makes a card a chart, in the left column
            top_mm = MARGIN_MM + row * (card.outline.height_mm + GAP_MM)
            canvas.saveState()
            canvas.translate(MARGIN_MM * mm, (height_mm - top_mm) * mm)
            for patch in chart_patches():
                _draw_patch(canvas, patch)
            _write_labels(canvas, card.vial_window, co2_texts, condition)
            canvas.restoreState()
        write_steps(canvas, height_mm, side, STEPS_TITLE, STEPS)
        write_cautions(canvas, height_mm, foot, CAUTIONS)
    return buffer.getvalue()


def _draw_patch(canvas: Canvas, patch: ChartPatch) -> None:
    """Draw one patch; the axes of `canvas` start at the card's top-left corner and run up."""
    encoded = encode_srgb(np.clip(patch.rgb_lin, 0.0, 1.0))
    canvas.setFillColorRGB(*encoded.tolist())
    rect = patch.rect
    canvas.rect(rect.x_mm * mm, -rect.bottom_mm * mm, rect.width_mm * mm, rect.height_mm * mm, stroke=0, fill=1)


def _write_labels(canvas: Canvas, window: Rect, co2_texts: Sequence[str], condition: str) -> None:
    """Write the numbers; the axes of `canvas` start at the card's top-left corner and run up."""
    canvas.setFillColor(INK)
    for patch, co2_text in zip(chart_patches(), co2_texts, strict=True):
        middle = (patch.rect.x_mm + patch.rect.width_mm / 2.0) * mm
        canvas.setFont("Helvetica-Bold", _LABEL_PT)
        canvas.drawCentredString(middle, -_PH_MM * mm, f"{patch.ph:.1f}")
        canvas.setFont("Helvetica", _LABEL_PT)
        canvas.drawCentredString(middle, -_CO2_MM * mm, co2_text)
    middle = (window.x_mm + window.width_mm / 2.0) * mm
    canvas.setFont("Helvetica-Bold", _TITLE_PT)
    canvas.drawCentredString(middle, -_PH_TITLE_MM * mm, "pH of the fluid")
    canvas.setFont("Helvetica", _TITLE_PT)
    canvas.drawCentredString(middle, -_CO2_TITLE_MM * mm, condition)
    canvas.setFont("Helvetica", _NOTE_PT)
    canvas.drawCentredString(middle, -_NOTE_MM * mm, "To compare by eye, roughly. For a photo, use the blank card.")
