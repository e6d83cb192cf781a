"""Are verdicts as sure as they say?  A shorter run of `python -m tests.fit_calibration`."""

import numpy as np
import pytest

from service.fit.decision import DECISIONS, decide
from tests.fit_calibration import (
    LEAST_RIGHT,
    MOST_FALSE_FITS,
    assess_simulated,
    global_prediction,
    main,
    one_by_one,
    report,
    simulate,
)


@pytest.mark.parametrize("seed", [2, 3])
def test_verdicts_are_as_sure_as_they_say(chart, seed):
    found = report(simulate(20_000, seed), chart)
    assert found.right >= LEAST_RIGHT
    assert found.too_large_called_fits <= MOST_FALSE_FITS
    assert found.too_large_called_playable <= MOST_FALSE_FITS
    assert found.decided > 0.5
    for count, share in found.right_by_decision.values():
        assert count == 0 or share >= LEAST_RIGHT - 2 * np.sqrt(0.05 * 0.95 / count)
    for stated, count, share in found.reliability:
        assert share == pytest.approx(stated, abs=0.03 + 2 / np.sqrt(count))


@pytest.mark.parametrize("factor", [0.5, 2.0, 5.0])
def test_a_wider_uncertainty_decides_less_but_not_worse(chart, factor):
    usual, other = report(simulate(20_000, 2), chart), report(simulate(20_000, 2, factor), chart)
    assert (other.decided < usual.decided) is (factor > 1)
    assert other.right >= LEAST_RIGHT


def test_knowing_that_the_scale_is_common_decides_more(chart):
    drawn = simulate(20_000, 2)
    assert report(drawn, chart).decided > report(drawn, chart, known_to_be_common=False).decided


def test_the_simulation_judges_as_the_public_function_does(chart):
    drawn = simulate(300, 4)
    found = assess_simulated(drawn, chart)
    codes = decide(found.classes)
    assert [DECISIONS[code] for code in codes] == [one_by_one(drawn, place, chart) for place in range(300)]


def test_global_risks_predict_what_the_simulation_finds():
    """JCGM 106:2012, 9.5, for one size and a population of margins, against drawing it."""
    predicted, drawn = global_prediction(seed=6)
    assert predicted.consumer == pytest.approx(drawn.consumer, abs=8e-4)
    assert predicted.producer == pytest.approx(drawn.producer, abs=4e-3)


def test_the_command_prints_its_figures(capsys):
    assert main(["--children", "4000"]) == 0
    printed = capsys.readouterr().out
    for words in ("not decided", "decided and right", "too large, called fits", "global"):
        assert words in printed
