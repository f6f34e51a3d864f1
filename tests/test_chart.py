"""The color chart to print: its colors against an outside library, its sheet as rendered, and its command."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray
from typer.testing import CliRunner

from calibration.dye import absorptivity
from calibration.print_sheets import render_chart_sheet
from calibration.reference import CHART_LOAD, CHART_PH, chart_patches
from colorread.chemistry.carbonate import co2_from_ph
from colorread.cli import app
from colorread.profiles.make import ph_by_chart
from colorread.reference.find import find_references
from tests.sheets import PX_PER_MM, page_of, rgb_of

MARGIN_MM = 8.0


@pytest.fixture(scope="module", params=["a4", "letter"])
def sheet(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sheet") / f"{request.param}.pdf"
    co2_mg_l = co2_from_ph(CHART_PH, 4.0).tolist()
    path.write_bytes(render_chart_sheet(co2_mg_l=co2_mg_l, kh_dkh=4.0, temperature_c=25.0, paper=request.param))
    return path


@pytest.fixture(scope="module")
def page_rgb(sheet: Path) -> NDArray[np.uint8]:
    with page_of(sheet.read_bytes()) as page:
        return rgb_of(page)


def test_colors_are_those_of_the_dye_in_daylight(oracle: ModuleType) -> None:
    # Beer-Lambert and the library's own observer, D65 and sRGB; over 400 to 700 nm, where the spectra are known.
    shape = oracle.SpectralShape(400, 700, 5)
    acid, base = (form / 37060.0 for form in absorptivity(shape.wavelengths))
    light = oracle.SDS_ILLUMINANTS["D65"].copy().align(shape)
    observer = oracle.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)

    def srgb(transmittance: NDArray[np.float64]) -> NDArray[np.float64]:
        spectrum = oracle.SpectralDistribution(transmittance, shape.wavelengths)
        xyz = oracle.sd_to_XYZ(spectrum, observer, light, method="Integration") / 100.0
        return np.asarray(oracle.XYZ_to_sRGB(xyz))

    for patch in chart_patches():
        blue = 1.0 / (1.0 + 10.0 ** (7.30 - patch.ph))
        expected = srgb(10.0 ** (-CHART_LOAD * (blue * base + (1.0 - blue) * acid)))
        encoded = 1.055 * patch.rgb_lin ** (1.0 / 2.4) - 0.055
        assert encoded == pytest.approx(expected, abs=0.004)


def test_the_rendered_sheet_shows_the_patches(page_rgb: NDArray[np.uint8]) -> None:
    for patch in chart_patches():
        x, y = (patch.rect.corners_mm.mean(axis=0) + MARGIN_MM) * PX_PER_MM
        expected = 255.0 * (1.055 * patch.rgb_lin ** (1.0 / 2.4) - 0.055)
        assert page_rgb[round(y), round(x)] == pytest.approx(expected, abs=1.0)


def test_a_cut_out_chart_is_found_like_the_card(page_rgb: NDArray[np.uint8]) -> None:
    cut = page_rgb[: round(86.0 * PX_PER_MM), : round(117.0 * PX_PER_MM)]
    (fit,) = find_references(np.ascontiguousarray(cut))
    assert fit.flags == ()
    assert fit.corners_px[0] == pytest.approx(np.full(2, MARGIN_MM * PX_PER_MM - 0.5), abs=1.0)
    assert fit.px_per_mm == pytest.approx(PX_PER_MM, rel=0.002)


def test_every_patch_has_its_numbers_in_black(sheet: Path) -> None:
    document = pypdfium2.PdfDocument(sheet)
    text_page = document[0].get_textpage()
    height_mm = document[0].get_height() * 25.4 / 72
    # CO2 at 4 dKH, 25 C by PHREEQC: 135 mg/L at pH 6.0, 13.5 at 7.0, 3.4 at 7.6.
    for words, places in (("pH above", (0, 5, 8)), ("CO2 below", (0, 5, 8))):
        labels = ("6.0", "7.0", "7.6") if words == "pH above" else ("135", "14", "3.4")
        for place, label in zip(places, labels, strict=True):
            rect = chart_patches()[place].rect
            top, bottom = (3.2, 0.0) if words == "pH above" else (0.0, 3.2)
            y_up = height_mm - MARGIN_MM - (rect.y_mm if top else rect.y_mm + rect.height_mm)
            left = MARGIN_MM + rect.x_mm - 0.5
            box = np.array([left, y_up - bottom, left + rect.width_mm + 1.0, y_up + top]) * 72 / 25.4
            assert text_page.get_text_bounded(*box).strip() == label
    text_page.close()
    document.close()


def test_comparing_reads_between_the_patches() -> None:
    chart = np.array([(0.0, 0.0, 0.3), (0.2, 0.0, 0.2), (0.3, 0.0, 0.0)])  # directions 0, 45 and 90 degrees
    assert ph_by_chart(chart, chart, (6.0, 6.8, 7.4)) == pytest.approx([6.0, 6.8, 7.4])
    assert ph_by_chart(np.array((0.1, 0.0, 0.1 * np.tan(np.radians(67.5)))), chart, (6.0, 6.8, 7.4)) == pytest.approx(
        6.4
    )
    # Depth of color and a gray veil change nothing.
    assert ph_by_chart(0.5 * chart + 0.1, chart, (6.0, 6.8, 7.4)) == pytest.approx([6.0, 6.8, 7.4])


def test_the_command_writes_the_chart_of_a_kh(tmp_path: Path) -> None:
    out = tmp_path / "chart.pdf"
    made = CliRunner().invoke(
        app, ["chart", "--out", str(out), "--kh", "6", "--temperature", "22", "--paper", "letter"]
    )
    assert made.exit_code == 0, made.output
    assert "rinters differ" in made.output
    co2_mg_l = co2_from_ph(CHART_PH, 6.0, temperature_c=22.0).tolist()
    assert out.read_bytes() == render_chart_sheet(co2_mg_l=co2_mg_l, kh_dkh=6.0, temperature_c=22.0, paper="letter")
    wrong = CliRunner().invoke(app, ["chart", "--out", str(tmp_path / "b.pdf"), "--kh", "-1"])
    assert wrong.exit_code == 2
    assert not (tmp_path / "b.pdf").exists()
