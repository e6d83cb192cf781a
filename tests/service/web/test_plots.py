"""Plots say what their axes are, in the reader's language."""

from __future__ import annotations

import re
from datetime import date

import pytest

from calibration.quantity import Length
from service.fit.chart_table import default_chart
from service.web import plots
from service.web.plots import MOST_MONTHS, PlotWords, arm_plot, chart_plot

WORDS = PlotWords("title", "Arm <mm>", "Size", "Day")


def texts(drawing: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", drawing)


@pytest.mark.parametrize("days", [1, 40, 300, 2000])
def test_the_arm_over_time_names_its_axes_and_a_few_months(days: int) -> None:
    last = date.fromordinal(date(2031, 5, 12).toordinal() + days)
    drawing = arm_plot(
        [(date(2031, 5, 12), Length.stated(440, 4)), (last, Length.stated(450, 4))], (), default_chart(), WORDS, "de"
    )
    found = texts(drawing)
    assert {"Arm &lt;mm&gt;", "Size", "Day", "440"} <= set(found)
    months = [text for text in found if re.search(r"20\d\d$", text)]
    assert 1 <= len(months) <= MOST_MONTHS + 1


def test_the_chart_names_its_axis_and_every_size() -> None:
    found = texts(chart_plot(default_chart(), WORDS, "en"))
    assert {"Arm &lt;mm&gt;", "Size", *default_chart().sizes} <= set(found)


def test_numbers_in_drawings_are_those_of_the_text(monkeypatch: pytest.MonkeyPatch) -> None:
    """However a language writes them: here one with digits of its own, as its number format may have them."""

    def own_digits(value: float, language: str) -> str:
        assert language == "ar"
        return f"{value:.0f}".translate({ord("0") + each: 0x0660 + each for each in range(10)})

    monkeypatch.setattr(plots, "written_number", own_digits)
    day = date(2031, 5, 12)
    over_time = arm_plot([(day, Length.stated(440, 4))], (), default_chart(), WORDS, "ar")
    sizes = set(default_chart().sizes)
    months = {text for text in texts(over_time) if "20" in text}
    for drawing in (over_time, chart_plot(default_chart(), WORDS, "ar")):
        numbers = [text for text in texts(drawing) if text not in sizes | months]
        assert any(re.search("[\u0660-\u0669]", text) for text in numbers)
        assert not any(re.search("[0-9]", text) for text in numbers), numbers
