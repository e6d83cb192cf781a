"""Plots say what their axes are, in the reader's language."""

from __future__ import annotations

import re
from datetime import date

import pytest

from calibration.quantity import Length
from service.fit.chart_table import default_chart
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
    found = texts(chart_plot(default_chart(), WORDS))
    assert {"Arm &lt;mm&gt;", "Size", *default_chart().sizes} <= set(found)
