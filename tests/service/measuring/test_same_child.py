"""Several photos of one child, given as what workers hand over."""

from __future__ import annotations

import json
from dataclasses import replace
from math import hypot
from typing import Any

import pytest
from click.testing import Result

from service.fit.errors import FitError
from service.measuring.outcome import ArmQuestion, Outcome
from service.measuring.same_child import check_distinct, together, without_lost_frames
from service.words.readable import measurement_text
from tests.service.cli.command import invoke
from tests.service.seeding import arm_result

OWN, SHARED = 0.8, 0.6
"""Shares of a seeded length's uncertainty: its photo's own, and that of the printed sheet, which all photos share."""


def outcome(value_mm: float, u_mm: float = 4.0, name: str = "a.jpg", **changes: Any) -> Outcome:
    return Outcome(arm_result(value_mm, u_mm) | {"photo": name} | changes, b"picture of " + name.encode())


def refused(name: str) -> Outcome:
    result = dict.fromkeys(arm_result(1.0)) | {"photo": name, "usable": False, "side": None, "points_px": {}}
    return Outcome(result | {"problems": [{"code": "elbow_bent", "message": "Bent.", "advice": "Stretch."}]})


def test_photos_that_agree_give_one_surer_length() -> None:
    joint = together([outcome(450, 4, "a.jpg"), outcome(454, 4, "b.jpg")])
    arm = joint.result["arm_length"]
    assert joint.result["usable"]
    assert joint.result["photo"] == "a.jpg + b.jpg"
    assert joint.result["photos"] == 2
    assert arm["value_mm"] == pytest.approx(452)
    assert arm["standard_uncertainty_mm"] == pytest.approx(hypot(OWN * 4 / 2**0.5, SHARED * 4), abs=0.02)
    assert joint.result["agreement"]["birge_ratio"] == pytest.approx(4 / (OWN * 4 * 2**0.5), abs=1e-3)
    assert joint.overlay_jpeg == b"picture of a.jpg"


def test_what_the_photos_share_is_not_averaged_away() -> None:
    def keyed(value_mm: float) -> Outcome:
        arm = arm_result(value_mm)["arm_length"]
        arm["budget"] = [
            {"source": "landmarks", "contribution_mm": 3.0},
            {"source": "print", "contribution_mm": 4.0, "key": "print-scale:a4-1"},
        ]
        arm |= {"low_mm": value_mm - 9.8, "high_mm": value_mm + 9.8}
        return outcome(value_mm, arm_length=arm)

    arm = together([keyed(450), keyed(452)]).result["arm_length"]
    assert arm["standard_uncertainty_mm"] == pytest.approx((9 / 2 + 16) ** 0.5, abs=0.01)
    assert [part["key"] for part in arm["budget"] if "key" in part] == ["print-scale:a4-1"]


def test_a_wide_skew_interval_counts_for_what_it_says() -> None:
    skew = arm_result(450.0, 4.0)["arm_length"] | {"low_mm": 440.0, "high_mm": 490.0}
    arm = together([outcome(450, 4), outcome(450, arm_length=skew)]).result["arm_length"]
    shared, own, wide = SHARED * 4, OWN * 4, (490 - 450) / 1.96
    joined = (own**-2 + 1 / (wide**2 - shared**2)) ** -0.5
    assert arm["standard_uncertainty_mm"] == pytest.approx(hypot(shared, joined), abs=0.02)


def test_photos_that_contradict_one_another_give_no_length() -> None:
    joint = together([outcome(450, 4), outcome(470, 4)]).result
    assert not joint["usable"]
    assert joint["arm_length"] is None
    assert joint["problems"][0]["code"] == "photos_disagree"
    assert joint["agreement"]["agree"] is False
    assert together([outcome(450, 4), outcome(458, 4)]).result["usable"]


def test_refused_photos_are_left_out() -> None:
    joint = together([refused("a.jpg"), outcome(450, 4, "b.jpg")])
    assert joint.result["photo"] == "b.jpg", "of what it is measured"
    assert joint.result["arm_length"] == arm_result(450, 4)["arm_length"]
    assert joint.result["agreement"] is None
    none = together([refused("a.jpg"), refused("b.jpg")])
    assert none.result["problems"][0]["code"] == "no_photo_usable"
    assert none.overlay_jpeg is None


def test_what_is_said_of_every_photo_is_said_of_the_child() -> None:
    off, book = ({"code": code, "message": "Words.", "advice": "Do."} for code in ("hand_off_wall", "sheet_on_book"))
    photos = [outcome(450, 4, "a.jpg", problems=[book, off]), outcome(452, 4, "b.jpg", problems=[off])]
    assert together([*photos, refused("c.jpg")]).result["problems"] == [off]
    assert together([*photos, outcome(451, 4, "c.jpg", problems=[])]).result["problems"] == []
    assert [each["code"] for each in together([photos[0], outcome(500, 4, problems=[off])]).result["problems"]] == [
        "photos_disagree"
    ]


def test_what_one_photo_contradicts_is_said_of_the_child() -> None:
    told, book = ({"code": code, "message": "Words.", "advice": "Do."} for code in ("not_as_told", "sheet_on_book"))
    joint = together([outcome(450, 4, problems=[book]), outcome(452, 4, problems=[book, told])])
    assert joint.result["problems"] == [book, told]


def test_both_arms_have_no_side() -> None:
    assert together([outcome(450, side="left"), outcome(451, side="right")]).result["side"] is None
    assert together([outcome(450, side="left"), outcome(451, side="left")]).result["side"] == "left"


def measured_together(used: list[int], left_out: list[int]) -> Outcome:
    more = {"used": used, "left_out": left_out, "viewpoints_deg": 14.2, "problems": []}
    return Outcome(arm_result(452.0, 3.0) | {"photo": "a.jpg + c.jpg"} | more, b"drawn together")


def test_photos_measured_together_are_one_result() -> None:
    photos = [outcome(450, 4, "a.jpg"), outcome(454, 4, "b.jpg")]
    joint = together(photos, measured_together([0, 1], []))
    assert joint.result["arm_length"] == arm_result(452.0, 3.0)["arm_length"]
    assert joint.result["photo"] == "a.jpg + b.jpg"
    assert (joint.result["photos"], joint.result["left_out"], joint.result["agreement"]) == (2, [], None)
    assert joint.result["problems"] == []
    assert joint.photos == tuple(photos)
    assert joint.overlay_jpeg == b"drawn together"
    words = measurement_text(joint.result)
    assert "Measured from 2 pictures together, taken from places 14 degrees apart." in words
    lacking = measured_together([0, 1], [])
    lacking.result["hand_length"] = None
    filled = together(photos, lacking).result["hand_length"]
    assert filled == together(photos).result["hand_length"]
    lacking.result["usable"] = False  # as with a bent elbow that no photo shows by itself
    assert together(photos, lacking).result["hand_length"] is None


def test_a_photo_that_does_not_go_with_the_others_is_named() -> None:
    photos = [outcome(450, 4, "a.jpg"), outcome(520, 4, "b.jpg"), outcome(451, 4, "c.jpg")]
    joint = together(photos, measured_together([0, 2], [1])).result
    assert joint["usable"]
    assert joint["photo"] == "a.jpg + c.jpg"
    assert joint["left_out"] == ["b.jpg"]
    assert [problem["code"] for problem in joint["problems"]] == ["view_left_out"]
    assert "Left out: b.jpg" in measurement_text(joint)


def test_a_frame_that_was_lost_is_no_refused_photo() -> None:
    def frame(shown: Outcome) -> Outcome:
        return replace(shown, film_s=0.0)

    lost, seen = frame(refused("a b.mp4 0.0 s")), frame(outcome(450, 4, "a b.mp4 1.0 s"))
    other, photo = frame(refused("c.mp4 0.0 s")), refused("d.jpg")
    assert without_lost_frames([lost, seen, other, photo]) == [seen, other, photo]


def test_the_same_photo_twice_is_refused() -> None:
    check_distinct([(b"one", "a.jpg"), (b"two", "b.jpg")])
    with pytest.raises(FitError, match=r"a\.jpg and c\.jpg are the same photo"):
        check_distinct([(b"one", "a.jpg"), (b"two", "b.jpg"), (b"one", "c.jpg")])


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> Any:
    """The command line with recorded measurements: a photo holds its arm's length in mm."""

    class Pool:
        def __init__(self, _workers: int, _photo_seconds: float) -> None: ...

        def __enter__(self) -> Pool:
            return self

        def __exit__(self, *_: object) -> None: ...

        async def arm(self, data: bytes, name: str, _question: ArmQuestion) -> Outcome:
            return outcome(float(data), 4, name) if data.isdigit() else refused(name)

        async def arm_together(self, files: Any, question: ArmQuestion) -> Outcome:
            return together([await self.arm(*file, question) for file in files])

    monkeypatch.setattr("service.measuring.pool.MeasuringPool", Pool)

    def run(words: str, *contents: str) -> Result:
        for place, content in enumerate(contents):
            (tmp_path / f"{place}.jpg").write_text(content)
        return invoke([word.replace("@", f"{tmp_path}/") for word in words.split()])

    return run


def test_arm_prints_the_child_last(measured: Any) -> None:
    done = measured("arm @0.jpg @1.jpg --same --json", "450", "454")
    *photos, child = map(json.loads, done.output.splitlines())
    assert [each["photo"] for each in photos] == ["0.jpg", "1.jpg"]
    assert child["arm_length"]["value_mm"] == pytest.approx(452)
    assert done.exit_code == 0
    words = measured("arm @0.jpg @1.jpg --same", "450", "454").output
    assert "0.jpg + 1.jpg (left arm)" in words
    assert "Joined from 2 photos that agree" in words


def test_without_being_told_so_photos_are_not_joined(measured: Any) -> None:
    done = measured("arm @0.jpg @1.jpg --json", "450", "600")
    assert len(done.output.splitlines()) == 2
    assert done.exit_code == 0
    assert len(measured("arm @0.jpg --same --json", "450").output.splitlines()) == 1


def test_arms_that_disagree_are_said_to(measured: Any) -> None:
    done = measured("arm @0.jpg @1.jpg --same", "450", "500")
    assert done.exit_code == 3
    assert "differ by more than photos of one child should" in done.output


def test_a_verdict_from_several_photos_of_the_child(measured: Any) -> None:
    found = measured("fit --child @0.jpg --child @1.jpg --body-mm 278±2 --json", "490", "494")
    said = json.loads(found.output)
    assert found.exit_code == 0
    assert said["child"]["arm_length"]["value_mm"] == pytest.approx(492)
    judged = said["verdict"]["arm_length"]
    assert (judged["low_mm"], judged["high_mm"]) == pytest.approx((485.5, 498.5), abs=0.1)
    assert [each["photo"] for each in said["child_photos"]] == ["0.jpg", "1.jpg"]
    alone = json.loads(measured("fit --child @0.jpg --body-mm 278±2 --json", "490").output)
    assert "child_photos" not in alone
    apart = measured("fit --child @0.jpg --child @1.jpg --body-mm 278±2 --json", "490", "530")
    assert apart.exit_code == 3
    assert json.loads(apart.output)["verdict"] is None
    twice = measured("fit --child @0.jpg --child @0.jpg --body-mm 278±2", "490")
    assert twice.exit_code == 2
    assert "the same photo" in twice.output


def test_a_refused_photo_among_several_shows_in_the_status(measured: Any) -> None:
    found = measured("fit --child @0.jpg --child @1.jpg --body-mm 278±2 --json", "490", "bent")
    assert json.loads(found.output)["verdict"]["decision"] == "fits"
    assert found.exit_code == 3
