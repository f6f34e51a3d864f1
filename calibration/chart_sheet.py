"""The print sheet of the color chart: a PDF at true size, the patches in color, everything else in black ink."""

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
    TEXT_GAP_MM,
    draw_cut_marks,
    draw_reference,
    new_sheet,
    page_size_of,
    write_text,
)
from calibration.chart import CHART_PH, ChartPatch, chart_patches
from calibration.color_space import encode_srgb
from calibration.reference import Rect, load_card

_N_CHARTS = 2
# Baselines of the labels on the card, from its upper edge: note, title and pH above the patches, CO2 and title below.
_NOTE_MM, _PH_TITLE_MM, _PH_MM, _CO2_MM, _CO2_TITLE_MM = 18.4, 21.4, 25.0, 54.0, 56.6
_TITLE_PT, _LABEL_PT, _NOTE_PT = 6.5, 8.5, 5.5

STEPS_TITLE = "How to use a chart"
STEPS = (
    "<b>Print in color at 100&nbsp;%</b> (“actual size”, not “fit to page”) on matte white uncoated paper, best "
    "quality, without any “vivid” or “photo” setting. Let the ink dry for a day.",
    "<b>Check the size</b>: the bar on the left of a chart must be 30&nbsp;mm long.",
    "<b>Cut</b> along lines that join the cut marks. Keep the second chart in the dark: prints fade.",
    "<b>Compare by eye</b>: hold the vial beside the patches in daylight and read the numbers of the closest patch, pH "
    "above and CO<sub>2</sub> below. Much CO<sub>2</sub> is left. If colors are hard to tell apart, use a photo.",
    "<b>For the program</b> this chart hardly narrows a reading. To try it, photograph the chart alone with the "
    "phone and light of your readings, then run <b>colorread calibrate chart PHOTO --out me.toml</b>.",
)
CAUTIONS_TITLE = "Keep in mind"
CAUTIONS = (
    "<b>Printers differ.</b> Inks are not the dye, and each printer, paper and lamp shows other colors. A match by eye "
    "is easily wrong by 0.2 in pH, a factor of 1.6 in CO<sub>2</sub>.",
    "To narrow readings, calibrate with the ends of the color and a fluid of known pH instead.",
    "Read vials in front of the blank card, not in front of this chart.",
    "The CO<sub>2</sub> numbers hold for the KH and temperature on the chart. Print another for another KH.",
    "Do not write on a chart. Replace it when it is faded, yellowed, stained or was wet. Keep it out of the tank: ink "
    "comes off.",
    "No mirrored or retouched photos, no portrait mode, no filters, no flash.",
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
    Return a sheet of color charts to print.

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
    width_mm, height_mm = page_size[0] / mm, page_size[1] / mm
    with new_sheet(page_size, "Color charts of a drop checker") as (canvas, buffer):
        for row in range(_N_CHARTS):
            top_mm = MARGIN_MM + row * (card.outline.height_mm + GAP_MM)
            canvas.saveState()
            # From here on x to the right and y down in mm from the card's top-left corner, as in the geometry.
            canvas.transform(mm, 0, 0, -mm, MARGIN_MM * mm, (height_mm - top_mm) * mm)
            draw_reference(canvas, card)
            draw_cut_marks(canvas, card.outline)
            for patch in chart_patches():
                _draw_patch(canvas, patch)
            canvas.restoreState()
            canvas.saveState()
            canvas.translate(MARGIN_MM * mm, (height_mm - top_mm) * mm)
            _write_labels(canvas, card.vial_window, co2_texts, condition)
            canvas.restoreState()
        left_mm = MARGIN_MM + card.outline.width_mm + 1.5 * TEXT_GAP_MM
        column_mm = (width_mm - left_mm - MARGIN_MM - TEXT_GAP_MM) / 2.0
        for place, (title, lines, numbered) in enumerate(
            ((STEPS_TITLE, STEPS, True), (CAUTIONS_TITLE, CAUTIONS, False)),
        ):
            column = Rect(
                x_mm=left_mm + place * (column_mm + TEXT_GAP_MM),
                y_mm=MARGIN_MM,
                width_mm=column_mm,
                height_mm=height_mm - 2.0 * MARGIN_MM,
            )
            write_text(canvas, height_mm, column, title, lines, numbered=numbered)
    return buffer.getvalue()


def _draw_patch(canvas: Canvas, patch: ChartPatch) -> None:
    encoded = encode_srgb(np.clip(patch.rgb_lin, 0.0, 1.0))
    canvas.setFillColorRGB(*encoded.tolist())
    canvas.rect(patch.rect.x_mm, patch.rect.y_mm, patch.rect.width_mm, patch.rect.height_mm, stroke=0, fill=1)


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
    canvas.drawCentredString(
        middle, -_NOTE_MM * mm, "Printers differ: a match by eye is rough. Read vials before the blank card, not here."
    )
