"""Verdicts in words."""

import json

import pytest

from calibration.quantity import Length
from service.fit.explanation import CAUTIONS, full_reasons, short_reasons, verdict_text
from service.fit.sentences import Millimetres, Month, Number, Percent, say
from service.fit.signs import InstrumentCondition, PlayingSigns
from service.fit.verdict import judge
from service.fit.verdict_json import verdict_json
from service.words.i18n import translator
from tests.service.fit.conftest import instrument

CASES = {
    "fits": (450, None),
    "stretch": (426, None),
    "measure": (434, None),
    "too large": (400, None),
    "too small": (540, None),
    "strain": (450, PlayingSigns(False, True, False, True, True)),
    "pain": (450, PlayingSigns(painless=False)),
    "good": (428, PlayingSigns(True, True, True, True, True)),
    "unexplained": (540, PlayingSigns(elbow_bent=False)),
}


def verdict_of(chart, case: str, **more):
    arm, signs = CASES[case]
    return judge(Length.stated(arm, 2.5), instrument(255, 421, 0.7, **more), chart, signs)


@pytest.mark.parametrize("case", CASES)
def test_every_verdict_has_reasons_and_cautions(chart, case):
    verdict = verdict_of(chart, case)
    text = verdict_text(verdict)
    for caution in CAUTIONS:
        assert caution.sentence.text() in text
    assert "the teacher who sees the child play decides" in text
    short, full = short_reasons(verdict), full_reasons(verdict)
    assert short[0].code == f"action_{verdict.action}"
    assert {each.code for each in short} < {each.code for each in full}
    assert len({each.code for each in full}) == len(full)
    assert "{" not in verdict_text(verdict, full=True)


@pytest.mark.parametrize("case", CASES)
def test_every_verdict_reads_in_german(chart, case):
    verdict = verdict_of(chart, case, label="1/10")
    english, german = verdict_text(verdict, full=True), verdict_text(verdict, translator("de"), "de", full=True)
    assert len(german.splitlines()) == len(english.splitlines())
    for ours, theirs in zip(english.splitlines(), german.splitlines(), strict=True):
        assert ours != theirs


def test_the_numbers_behind_a_verdict_are_said(chart):
    text = verdict_text(verdict_of(chart, "fits"), full=True)
    for words in ("450 mm", "from 432 mm to 470 mm", "Sure of “fits”: > 99%", "255 mm", "421 mm", "risk 2.5%", "40 mm"):
        assert words in text


def test_an_open_verdict_says_what_would_help_most(chart):
    verdict = judge(Length.stated(470, 4), instrument(280, 463), chart)
    text = verdict_text(verdict)
    assert "Measure once more" in text
    assert "the chance that it settles the matter is" in text
    assert verdict_json(verdict)["next_steps"][0]["settles"] > 0


@pytest.mark.parametrize("case", CASES)
def test_a_parent_reads_six_lines_at_most(chart, case):
    assert len(verdict_text(verdict_of(chart, case, label="1/4")).splitlines()) <= 6


def test_a_stretch_asks_the_five_questions_that_are_open(chart):
    assert len(verdict_json(verdict_of(chart, "stretch"))["questions"]) == 5
    partly = judge(Length.stated(426, 2), instrument(255, 421, 0.5), chart, PlayingSigns(bow_clear=True, painless=True))
    assert [each["code"] for each in verdict_json(partly)["questions"]] == ["wrist_free", "fingers_easy", "elbow_bent"]


def test_a_wrong_label_and_a_neglected_instrument_are_said(chart):
    verdict = judge(
        Length.stated(450, 3), instrument(255, 421, label="1/4"), chart, None, InstrumentCondition(False, False, False)
    )
    text = verdict_text(verdict, full=True)
    for words in ("sold as 1/4 but measures like a 1/8", "pegs", "bridge", "strings"):
        assert words in text


def test_json_is_json(chart):
    for case in CASES:
        found = json.loads(json.dumps(verdict_json(verdict_of(chart, case), translator("de"), "de")))
        assert sum(found["probabilities"].values()) == pytest.approx(1, abs=5e-4)
        assert found["arm_length"]["value_mm"] == CASES[case][0]
        assert found["cautions"]


@pytest.mark.parametrize(
    ("value", "english", "german"),
    [
        (Millimetres(1234.56, 1), "1,234.6 mm", "1.234,6 mm"),
        (Number(0.25, 2), "0.25", "0,25"),
        (Percent(0.973), "97%", "97\xa0%"),
        (Percent(0.9999), "> 99%", "> 99\xa0%"),
        (Percent(0.0), "< 1%", "< 1\xa0%"),
        (Month(2031, 5), "May 2031", "Mai 2031"),
    ],
)
def test_each_language_writes_numbers_its_own_way(value, english, german):
    assert say("{x}", x=value).text() == english
    assert say("{x}", x=value).text(language="de") == german


@pytest.mark.parametrize(("language", "written"), [("ja", "2031年5月"), ("zh", "2031年5月"), ("pl", "maj 2031")])
def test_a_month_stands_where_the_language_has_it(language, written):
    assert Month(2031, 5).text(language) == written


def test_a_label_that_the_chart_does_not_know_is_said(chart):
    def codes(label):
        return [each.code for each in full_reasons(judge(Length.stated(450, 3), instrument(255, label=label), chart))]

    assert "label_unknown" in codes("7/9")
    assert "label_unknown" not in codes("1/8")
    assert "label_unknown" not in codes(None)
