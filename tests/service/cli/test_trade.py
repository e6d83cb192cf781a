"""The cases of the trade on the command line; charts, tapes, lists and losses that were met there."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.service.cli.command import invoke
from tests.service.trade import ASKED_BACK, CASES, Case


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


@pytest.mark.parametrize(("factor", "unit"), [(10.0, "cm"), (25.4, "in")])
def test_a_chart_in_another_unit_is_asked_back_and_never_taken(tmp_path: Path, factor: float, unit: str) -> None:
    rows = ((400, 440, 240, 400), (440, 480, 260, 430))
    head = "size,arm_from,arm_to,body_length,total_length\n"
    lines = "\n".join(f"S{n}x,{','.join(f'{mm / factor:.2f}' for mm in row)}" for n, row in enumerate(rows))
    path = tmp_path / "mine.csv"
    path.write_text(head + lines)
    done = invoke(["order", "--arm-mm", "450±5", "--chart", str(path)])
    assert done.exit_code == 2
    assert f"Are its numbers in {unit}?" in done.output
    path.write_text(
        head.replace("_length", f"_length_{unit}").replace("m,", f"m_{unit},", 1).replace("to,", f"to_{unit},", 1)
        + lines
    )
    assert invoke(["order", "--arm-mm", "450±5", "--chart", str(path)]).exit_code == 0


@pytest.mark.parametrize(
    ("reading", "slip"), [("445±4", "hook"), ("465±4", "hook"), ("546±4", "swapped"), ("383±4", "shoulder")]
)
def test_a_slip_of_the_tape_is_named_and_not_averaged_in(reading: str, slip: str) -> None:
    words = ["tape", reading, "--arm-mm", "455±4", "--shoulder-mm", "384±4", "--json"]
    done = invoke(words)
    found = json.loads(done.output)
    assert any(slip in each["code"] for each in found["slips"])
    if found["outcome"] == "inconsistent":
        assert done.exit_code == 3
        assert found["combined"] is None


def test_growth_follows_the_child_s_own_rate() -> None:
    """Forty millimetres in a year and four are no longer foretold alike; both rates are told to be odd."""
    fast, slow = (
        json.loads(invoke(["growth", "--at", f"6={first}±6", "--at", f"7={last}±6", "--json"]).output)
        for first, last in ((400, 440), (430, 434))
    )
    assert fast["rate_mm_per_year"] > slow["rate_mm_per_year"] + 5
    assert fast["unexplained_mm_per_year"] is not None


def test_a_likely_mistake_and_already_too_small_are_not_said_together() -> None:
    ages = ["--at", "6=438±8", "--at", "6.5=449±8", "--at", "7=560±8"]
    said = invoke(["growth", *ages, "--body-mm", "255±2"]).output
    assert "likely a mistake" in said
    assert "too small" not in said
