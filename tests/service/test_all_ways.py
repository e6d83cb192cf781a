"""Some made-up cases, asked in every way there is; ``python -m tests.service.all_ways 4000`` asks more."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.fit.decision import Action
from service.fit.lengths import parse_length
from service.fit.order import order
from tests.service.all_ways import CHART, Case, asked, contradictions, hunt

CASES = 60

MET = {
    "a class was told to order what the shelf had to be taken": Case(
        "449.7±30", 8.5, [{"name": "A", "body_length": "237.2±2", "total_length": "401.0±3"}], None, None, 0.0
    ),
    "growth named the size after the one that the verdict named": Case(
        "463.1±0.5",
        7.1,
        [{"name": "A", "body_length": "245.3±0.5", "total_length": "410.2±0.75"}],
        None,
        "strained=40",
        0.0,
    ),
    "what is gained by rounding alone was asked for": Case(
        "392.6±4",
        5.27,
        [
            {"body_length": "218.0±4", "total_length": "360.1±6", "name": "0", "whole": False, "pegs_hold": True},
            {"body_length": "206.6±2", "total_length": "347.9±3", "name": "1"},
            {
                "body_length": "231.5±2",
                "total_length": "387.6±3",
                "name": "2",
                "label": "1/8",
                "pegs_hold": True,
                "whole": False,
            },
            {
                "body_length": "200.9±2",
                "total_length": "338.6±3",
                "name": "3",
                "label": "1/32",
                "pegs_hold": True,
                "whole": False,
            },
            {"body_length": "224.1±0.5", "total_length": "368.3±0.75", "name": "4", "pegs_hold": False},
            {"body_length": "218.8±0.5", "total_length": "366.6±0.75", "name": "5"},
        ],
        {
            "body_length": "230.2±0.5",
            "total_length": "385.0±0.75",
            "fingers_easy": True,
            "bow_clear": True,
            "elbow_bent": True,
            "painless": True,
            "wrist_free": True,
        },
        "exchange=1,waiting=0",
        0.0,
    ),
}
"""Contradictions as they were met."""


@pytest.mark.parametrize("seed", ["arms", "shelves", "losses"])
def test_no_way_of_asking_contradicts_another(seed: str) -> None:
    found = [(number, case, said) for number, case, said in hunt(CASES, seed, 12) if said]
    assert found == []


@pytest.mark.parametrize("case", MET.values(), ids=MET)
def test_what_was_met_is_met_no_more(case: Case) -> None:
    assert contradictions(asked(case)) == []


def test_contradictions_are_noticed() -> None:
    """Else the tests above prove nothing: an order for another arm, a verdict turned round, a ranking reversed."""
    case = Case(
        "450±4",
        6.5,
        [
            {"name": "A", "body_length": "255±2", "total_length": "421±3"},
            {"name": "B", "body_length": "335±2", "total_length": "553±3"},
        ],
        None,
        None,
        0.0,
    )
    whole = asked(case)
    assert contradictions(whole) == []
    other = replace(asked(case), wanted=order(parse_length("600±4", "arm"), CHART))
    assert contradictions(other)
    turned = asked(case)
    turned.verdicts[0] = replace(turned.verdicts[0], action=Action.LARGER)
    assert contradictions(turned)
    assert contradictions(replace(asked(case), ranked=tuple(reversed(whole.ranked))))
