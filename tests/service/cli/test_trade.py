"""The cases of the trade on the command line; their charts, tapes and growth."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.cli.options import REFUSED_STATUS
from service.fit.chart_table import IN_UNITS
from tests.service.cli.command import invoke
from tests.service.trade import (
    ASKED_BACK,
    CASES,
    CHART_UNITS,
    GROWTHS,
    TAPE_ARM,
    TAPE_SHOULDER,
    TAPES,
    Case,
    GrowthCase,
    TapeCase,
    chart_table,
)


def fit(case: Case, *more: str) -> tuple[int, str]:
    typed = {"--arm-mm": case.arm, "--body-mm": case.body, "--total-mm": case.total, "--label": case.label}
    words = [word for option, text in typed.items() if text for word in (option, text)]
    signs = [w for name, good in case.signs.items() for w in (f"--{name.replace('_', '-')}", "yes" if good else "no")]
    done = invoke(["fit", *words, *signs, *more])
    return done.exit_code, " ".join(done.output.split())


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_is_said(case: Case) -> None:
    code, short = fit(case)
    assert code == 0
    full = fit(case, "--why")[1]
    assert all(phrase in short for phrase in case.said)
    assert not [phrase for phrase in case.unsaid if phrase in short or phrase in full]


@pytest.mark.parametrize("case", ASKED_BACK, ids=lambda case: case.name)
def test_what_is_asked_back(case: Case) -> None:
    code, said = fit(case)
    assert code == 2
    assert all(phrase in said for phrase in case.said)


@pytest.mark.parametrize("unit", CHART_UNITS)
def test_a_chart_in_another_unit_is_asked_back_and_never_taken(tmp_path: Path, unit: str) -> None:
    path = tmp_path / "mine.csv"
    path.write_text(chart_table(unit, stated=False))
    done = invoke(["order", "--arm-mm", "450±5", "--chart", str(path)])
    assert done.exit_code == 2
    assert f"Are its numbers {IN_UNITS[unit].text()}?" in done.output
    path.write_text(chart_table(unit, stated=True))
    assert invoke(["order", "--arm-mm", "450±5", "--chart", str(path)]).exit_code == 0


@pytest.mark.parametrize("case", TAPES, ids=lambda case: case.reading)
def test_a_slip_of_the_tape_is_named_and_not_averaged_in(case: TapeCase) -> None:
    done = invoke(["tape", case.reading, "--arm-mm", TAPE_ARM, "--shoulder-mm", TAPE_SHOULDER])
    assert done.exit_code == (REFUSED_STATUS if "do not agree" in case.said else 0)
    assert all(phrase in done.output for phrase in case.said)
    assert not [phrase for phrase in case.unsaid if phrase in done.output]


@pytest.mark.parametrize("case", GROWTHS, ids=lambda case: case.name)
def test_what_is_said_of_growth(case: GrowthCase) -> None:
    readings = [word for age, arm in case.readings for word in ("--at", f"{age:g}={arm}")]
    done = invoke(["growth", *readings, "--body-mm", case.body])
    contradicted = any("mistake" in phrase for phrase in case.said)
    assert done.exit_code == (REFUSED_STATUS if contradicted else 0)
    assert all(phrase in done.output for phrase in case.said)
    assert not [phrase for phrase in case.unsaid if phrase in done.output]


def test_growth_follows_the_child_s_own_rate() -> None:
    """Forty millimetres in a year and four are no longer foretold alike."""
    fast, slow = (
        json.loads(invoke(["growth", "--at", f"6={first}±6", "--at", f"7={last}±6", "--json"]).output)
        for first, last in ((400, 440), (430, 434))
    )
    assert fast["rate_mm_per_year"] > slow["rate_mm_per_year"] + 5
