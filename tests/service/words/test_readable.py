"""What a measurement is called in a terminal."""

import re

import pytest

from service.fit.lengths import parse_length
from service.words.i18n import translator
from service.words.readable import measurement_text
from vision.problems import ARM_TOO_HIGH, ARM_TOO_LOW, ELBOW_BENT, HAND_HIDDEN


def refused(problem, usable=False):
    said = {"code": problem.code, "message": problem.message, "advice": problem.advice}
    return {"photo": "child.jpg", "usable": usable, "side": "left", "problems": [said]}


@pytest.mark.parametrize("problem", [ARM_TOO_LOW, ELBOW_BENT], ids=lambda each: each.code)
@pytest.mark.parametrize(("language", "teacher"), [("en", "Tell the teacher"), ("de", "Lehrkraft")])
def test_a_child_who_cannot_raise_the_arm_gets_a_way_out(problem, language, teacher):
    way_out = measurement_text(refused(problem), translator(language), language).splitlines()[-1]
    assert teacher in way_out
    # what is said to be typed is read as an arm's length
    (typed,) = re.findall(r"\d+(?:\+\d+){3}", way_out)
    assert parse_length(typed, "arm").value_mm == pytest.approx(0.915 * 520)


@pytest.mark.parametrize("problem", [ARM_TOO_HIGH, HAND_HIDDEN], ids=lambda each: each.code)
def test_others_are_told_to_take_the_photo_again_only(problem):
    assert measurement_text(refused(problem)).splitlines()[1:] == [f"  {problem.message} {problem.advice}"]
