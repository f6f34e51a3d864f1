from __future__ import annotations

import itertools
import re
from dataclasses import replace
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
from matplotlib.markers import CARETUP
from PIL import Image

from colorread import __version__
from colorread.log.store import LogEntry
from colorread.report.axes import PLOT_COLORS
from colorread.report.html import PICTURES_MAX, report_html
from colorread.report.plot import (
    MADE_UP,
    day_figure,
    drawn_readings,
    figure_svg,
    history_figure,
    history_svgs,
    recent_readings,
    week_figure,
    write_plot,
)
from colorread.result import Interval, Reading
from colorread.tank.results import Estimate, TankSummary
from colorread.tank.series import wall_clock
from colorread.tank.settings import Marks, Tank
from colorread.tank.tank_words import HOURS_ABOVE, forecast_rows, number_rows, plan_lines
from colorread.words.verdict import judge
from tests.fabricated import made_reading
from tests.fabricated_week import (
    CANNOT_TELL,
    HOSTILE,
    N_DAYS,
    NEXT_STEP,
    made_advice,
    made_entries,
    made_findings,
    made_month,
    made_week,
)

_VOID = {"meta", "img", "br"}
_UNKNOWN = "Fewer than four readings have a time."


def made_first_day(**changes: Any) -> TankSummary:
    """Return the summary of a tank of which too little is known."""
    nothing = dict.fromkeys(("findings", "first_at", "last_at"))
    empty: dict[str, Any] = {"now": None, "more": (), "cautions": ("Look.",), "notes": (), "fluid_advice": ""}
    few = {"tank": Tank(name="New"), "n_read": 0, "n_refused": 0, "reason": _UNKNOWN}
    return made_week(**(nothing | empty | few | changes))


class _Page(HTMLParser):
    """What a browser would see: elements with their attributes, text, and whether every element is closed."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.parts: list[str] = []
        self.feed(html)
        self.close()
        assert not self.open

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.parts).replace("\xa0", " ").split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.parts.append(data)


@pytest.fixture
def _bare_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the figures empty where they are of no matter: drawing them takes most of the time of a report."""
    for figure in ("week_figure", "history_figure", "day_figure"):
        monkeypatch.setattr(f"colorread.report.plot.{figure}", lambda *_: None)
    monkeypatch.setattr("colorread.report.plot.figure_svg", lambda _, name, __: f'<svg class="{name}"></svg>')


@pytest.fixture(scope="module")
def html() -> str:
    return report_html(made_week(), made_entries())


@pytest.fixture(scope="module")
def page(html: str) -> _Page:
    return _Page(html)


def test_a_week_is_told_with_number_level_advice_cautions_and_what_cannot_be_told(page: _Page) -> None:
    summary = made_week()
    answer, findings = summary.answer, summary.findings
    for words in (
        summary.tank.name,
        f"{answer.value} {answer.span}",
        answer.lead,
        answer.to_do,
        *summary.more,
        *plan_lines(summary.plan),
        *findings.advice.sentences,
        "more than 99 %",  # never certainty
        "−7.6 % per day −10.2 to −5.1 % per day",
        CANNOT_TELL,
        findings.source.sentence,
        summary.fluid_advice,
        NEXT_STEP,
        "above 7.55",
        "32 % lower or 46 % higher",  # a shared error of 0.1 in pH: 10^(1.645 x 0.1) = 1.4605
        "KH of the tank water 6 dKH",
        f"colorread {__version__}",
    ):
        assert words in page.text, words
    assert page.text.index(answer.value) < page.text.index(answer.to_do) < page.text.index(findings.advice.sentences[0])


@pytest.mark.usefixtures("_bare_figures")
@pytest.mark.parametrize(("peak_mg_l", "is_open"), [(20.0, False), (70.0, True)])
def test_cautions_come_once_and_are_folded_unless_there_is_something_to_do(peak_mg_l: float, *, is_open: bool) -> None:
    week = made_week()
    peak = Interval(value=peak_mg_l, low=0.8 * peak_mg_l, high=1.25 * peak_mg_l)
    now = replace(week.now, co2_mg_l=peak, verdict=judge(peak))
    page = _Page(report_html(replace(week, now=now), made_entries()))
    fold = next(details for details in page.all("details") if details.get("class") == "caution")
    assert ("open" in fold) == is_open
    assert all(page.text.count(caution) == 1 for caution in week.cautions)


def test_nothing_is_loaded_and_nothing_runs(html: str, page: _Page) -> None:
    assert not {tag for tag, _ in page.elements} & {"script", "link", "iframe", "object", "embed", "base", "form"}
    for tag, attributes in page.elements:
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in ("src", "href", "xlink:href", "srcset", "action", "poster"):
                assert (value or "").startswith(("data:image/jpeg;base64,", "#")), (tag, value)
    assert "url(" not in re.sub(r"url\(#[\w-]+\)", "", html)
    assert "@import" not in html
    policy = next(meta["content"] for meta in page.all("meta") if meta.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")


@pytest.mark.usefixtures("_bare_figures")
def test_names_cannot_break_out_and_folders_stay_private(html: str, page: _Page) -> None:
    assert "<script" not in html
    assert "<script>alert(1)<" not in html
    assert HOSTILE.replace("\u202e", "?").rpartition("/")[2] in page.text
    assert "\u202e" not in html
    assert "shots/" not in html
    with_profile = made_week(tank=replace(made_week().tank, profile="/home/keeper/me.toml"))
    assert "/home/keeper" not in report_html(with_profile, [])


def test_made_up_data_are_marked_on_page_title_and_figures(html: str, page: _Page) -> None:
    assert page.text.count(MADE_UP) == 3 + 4  # title, banner and foot; two figures in two shapes
    real = made_week(tank=replace(made_week().tank, made_up=False))
    assert "made-up" not in _Page(report_html(real, made_entries())).text.lower()


def test_photos_are_listed_newest_first_with_lazy_pictures(html: str, page: _Page) -> None:
    days = re.findall(r"[A-Z][a-z]{2}, Jun (\d, \d\d:\d\d)\s*</summary>", html)
    assert len(days) == 21
    assert days == sorted(days, reverse=True)
    assert page.text.index("time unknown") > page.text.index("Jun 2, 09:06 ")
    assert len(page.all("img")) == sum(entry.picture is not None for entry in made_entries())
    assert {image["loading"] for image in page.all("img")} == {"lazy"}


def test_only_the_newest_pictures_are_held() -> None:
    first = made_entries()[1]

    def later(hours: int) -> LogEntry:
        taken_at = first.reading.taken_at + timedelta(hours=hours)
        return replace(first, reading=replace(first.reading, photo=f"{hours}.jpg", taken_at=taken_at))

    many = [later(hours) for hours in range(PICTURES_MAX + 7)]
    page = _Page(report_html(made_first_day(), many))
    assert len(page.all("img")) == PICTURES_MAX
    assert "66.jpg" in (page.all("img")[0]["alt"] or "")
    assert re.search(rf"\b{PICTURES_MAX} pictures .* 7 are not", page.text)
    heavy = [replace(entry, picture=b"\xff\xd8" + bytes(200_000)) for entry in many]
    assert len(report_html(made_first_day(), heavy)) < 5_000_000 - 500_000  # what the figures of a week take


@pytest.mark.usefixtures("_bare_figures")
def test_photos_from_before_the_course_are_folded_and_have_a_figure_of_their_own(html: str, page: _Page) -> None:
    of_month = report_html(made_week(), made_month())
    before, older = of_month.split('<details class="older">')
    assert len(re.findall(r'<p class="record">before-', older.partition("</table>")[0])) == 63
    assert "before-" not in before.partition('id="photos"')[2]
    of_all, of_course = (
        {(drawing["class"] or "").rpartition(" ")[2] for drawing in seen.all("svg")} for seen in (_Page(of_month), page)
    )
    assert (of_all, of_course) == ({"bar", "week", "history", "day"}, {"bar", "week", "day"})
    assert 'class="older"' not in html


@pytest.mark.parametrize("week", [made_week(), made_week(findings=None)], ids=["course", "no course"])
def test_a_clock_that_ran_ahead_rules_no_figure(week: TankSummary) -> None:
    readings = [entry.reading for entry in made_entries()]
    ahead = made_reading(photo="ahead.jpg", taken_at=datetime(2045, 1, 1))
    assert recent_readings(week, [*readings, ahead]) == recent_readings(week, readings)
    assert history_svgs(week, [*readings, ahead]) == history_svgs(week, readings)


def test_plot_is_written_by_its_suffix(tmp_path: Path) -> None:
    for name in ("week.png", "week.PDF"):
        write_plot(tmp_path / name, made_week(), made_entries())
    with Image.open(tmp_path / "week.png") as image:
        assert image.width > 1500
        assert np.asarray(image.convert("L")).std() > 10
    document = pypdfium2.PdfDocument(tmp_path / "week.PDF")
    text = document[0].get_textpage().get_text_range()
    document.close()
    assert "Left tank" in text
    assert MADE_UP in text


def test_plot_refuses_other_files_and_emptiness(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"written as \.png or \.pdf, not as 'week\.gif'"):
        write_plot(tmp_path / "week.gif", made_week(), made_entries())
    with pytest.raises(ValueError, match="nothing to plot"):
        write_plot(tmp_path / "week.png", made_first_day(), made_entries()[:1])
    assert not list(tmp_path.iterdir())


def test_labels_of_near_marks_stay_apart() -> None:
    marks = Marks(plants_low_mg_l=24.0, plants_high_mg_l=25.0, fish_mg_l=25.0)
    tank = replace(made_week().tank, marks=marks)
    figure = week_figure(made_week(tank=tank), recent_readings(made_week(), [made_reading()]), "narrow")
    figure.canvas.draw()
    boxes = sorted((text.get_window_extent() for text in figure.axes[0].texts), key=lambda box: box.y0)
    assert all(below.y1 <= above.y0 + 1.0 for below, above in itertools.pairwise(boxes))


def test_a_day_shows_new_hours_of_the_gas_only_where_they_change() -> None:
    tank, advice = made_week().tank, made_advice()
    n_strips = [
        len(day_figure(tank, each, "wide").axes[1].get_yticklabels())
        for each in (advice, replace(advice, recommended=None))
    ]
    assert n_strips == [3, 2]  # the lights, the gas as it is, and as it is to be


def test_svg_has_no_color_of_its_own_and_is_the_same_each_time() -> None:
    drawn = [figure_svg(day_figure(made_week().tank, made_advice(), "wide"), "day", 'a "b"') for _ in range(2)]
    assert drawn[0] == drawn[1]
    assert not re.search(r"#[0-9a-f]{6}\b", drawn[0])
    assert set(re.findall(r"--plot-(\w+)", drawn[0])) <= set(PLOT_COLORS)
    assert 'aria-label="a &quot;b&quot;"' in drawn[0]


def test_hours_above_the_mark_and_the_share_of_the_light_never_tell_certainty() -> None:
    advice, never = made_advice(), Interval(value=0.0, low=0.0, high=0.0)
    rows = forecast_rows(replace(advice, today=replace(advice.today, hours_above_fish_mark=never)))
    assert [row.numbers[HOURS_ABOVE] for row in rows[:2]] == [("less than 0.5 h", ""), ("0.5 h", "0.0 to 3.2 h")]
    assert rows[0].numbers["Lights-on time in plants' range"] == ("31 %", "19 to 34 %")
    findings = made_findings()
    findings = replace(findings, estimates={**findings.estimates, "hours_above_fish_mark": Estimate(interval=never)})
    of_day = [row.number for row in number_rows(made_week(findings=findings)) if "limit" in row.label]
    assert [number.short() for number in of_day if number] == ["less than 0.5 h"]


def test_a_tank_without_readings_and_one_with_two_say_so() -> None:
    empty = _Page(report_html(made_first_day(), []))
    assert empty.text.count(_UNKNOWN) == 1
    assert "Look." in empty.text
    assert not empty.all("svg")
    entries = made_entries()[:3]
    last_at = max(wall_clock(entry.reading.taken_at) for entry in entries if entry.reading.taken_at)
    few = _Page(report_html(made_first_day(more=("Two readings so far.",), last_at=last_at), entries))
    assert "Two readings so far." in few.text
    assert len(few.all("svg")) == 2


def test_the_figure_of_the_days_holds_the_readings_since_the_course_began() -> None:
    entries = made_entries()
    old = [replace(entry, reading=replace(entry.reading, taken_at=datetime(2025, 3, 1, 8))) for entry in entries[1:4]]
    readings = [entry.reading for entry in (*entries, *old)]
    for week in (made_week(), made_week(findings=None)):
        assert len(recent_readings(week, readings)) == 20
    assert len(recent_readings(made_week(), readings[:1])) == 0
    axes = week_figure(made_week(), recent_readings(made_week(), readings), "wide").axes[0]
    assert axes.get_xlim() == (0.0, N_DAYS)
    assert {text.get_text() for text in axes.texts} >= {"plants 15", "plants 30", "fish 30", "forecast"}
    open_ends = [line for line in axes.lines if line.get_clip_on() is False]
    assert sorted(float(np.ravel(line.get_ydata())[0]) for line in open_ends) == [6.5, 31.0]


def test_the_figure_of_all_readings_has_a_sign_for_each() -> None:
    readings = [entry.reading for entry in made_month() if entry.reading.taken_at and entry.reading.co2_mg_l]
    axes = history_figure(made_week(), drawn_readings(made_week(), readings), "wide").axes[0]
    circles = [line for line in axes.lines if line.get_marker() == "o"]
    open_ends = [line for line in axes.lines if line.get_clip_on() is False]
    assert sorted((len(line.get_xdata()), np.ravel(line.get_ydata())[0]) for line in open_ends) == [(4, 6.5), (4, 31.0)]
    assert sum(len(line.get_xdata()) for line in circles) == len(readings) - 8
    assert np.ptp(axes.get_xlim()) == 4 * 7


def test_a_wild_interval_is_cut_with_an_arrow_head_and_does_not_flatten_the_rest() -> None:
    def reading(hour: int, high: float) -> Reading:
        co2_mg_l = Interval(value=20.0, low=15.0, high=high)
        return made_reading(co2_mg_l=co2_mg_l, taken_at=datetime(2025, 6, 3, hour))

    def heads_of(readings: list[Reading]) -> list[tuple[float, float]]:
        axes = week_figure(made_week(findings=None), recent_readings(made_week(), readings), "wide").axes[0]
        assert 30.0 < axes.get_ylim()[1] < 100.0
        drawn = [line for line in axes.lines if line.get_marker() == CARETUP]
        return [(float(x), float(y)) for line in drawn for x, y in np.asarray(line.get_xydata())]

    assert heads_of([reading(6, 25.0), reading(12, 4000.0), reading(18, 300.0)]) == [(0.5, 1.0), (0.75, 1.0)]
    assert heads_of([reading(6, 25.0), reading(12, 26.0)]) == []


@pytest.mark.parametrize("shape", ["narrow", "wide"])
@pytest.mark.parametrize("end_mg_l", [24.0, 4000.0])
def test_an_upper_end_that_lies_far_above_the_limits_stays_in_the_figure(shape: Any, end_mg_l: float) -> None:
    marks = Marks(plants_low_mg_l=5.0, plants_high_mg_l=8.0, fish_mg_l=10.0)
    week = made_week(findings=None, tank=replace(made_week().tank, marks=marks))
    co2_mg_l = Interval(value=None, low=None, high=end_mg_l)
    readings = [made_reading(limit="above", co2_mg_l=co2_mg_l, taken_at=datetime(2025, 6, day, 12)) for day in (3, 4)]
    seen = recent_readings(week, readings)
    for figure in (week_figure(week, seen, shape), history_figure(week, seen, shape)):
        figure.canvas.draw()
        axes = figure.axes[0]
        assert axes.get_ylim()[1] <= 30.0  # the limits are not flattened
        within = axes.get_window_extent()
        assert within.height > 0.3 * figure.bbox.height
        signs = [line for line in axes.lines if line.get_label().startswith("_child") and line.get_marker() != "None"]
        assert signs
        for line in signs:
            for place in line.get_transform().transform(line.get_xydata()):
                assert within.y0 <= place[1] <= within.y1 + 0.5
