"""What several photos or a film show together: looked at once, solved with a point that was moved in one picture."""

from __future__ import annotations

import io
import pickle
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from service.measuring.looking import gather_arms, look_at_arm, look_at_instruments, solve_sight
from service.measuring.outcome import ArmQuestion, InstrumentQuestion, Outcome
from service.measuring.pool import MeasuringPool
from service.measuring.work import measure_instrument_photos
from tests.service.measuring.test_sights import arrays
from tests.vision.filming import film
from tests.vision.sample_photos import photo
from tests.waiting import finished
from vision.instrument.sheet_height import IN_ITS_CASE

SAMPLES = Path(__file__).resolve().parents[3] / "sample_images"
CHILD = [f"child-5-{letter}.jpg" for letter in "abc"]
INSTRUMENT = [f"instrument-5-{letter}.jpg" for letter in "abc"]
AGE = ArmQuestion(age_years=6.0)


def files(names: Sequence[str]) -> list[bytes]:
    return [(SAMPLES / name).read_bytes() for name in names]


def filmed_instrument() -> bytes:
    """A film that holds each of three views of an instrument for half a second."""
    frames = [np.asarray(photo(Path(name).stem).rgb[:1200, :1600]) for name in INSTRUMENT for _ in range(5)]
    return film(frames)


@pytest.fixture(scope="module")
def pool() -> MeasuringPool:
    with MeasuringPool(2) as pool:
        yield pool  # type: ignore[misc]


def lengths(outcome: Outcome) -> dict[str, tuple[float, float, float]]:
    return {
        name: (each["value_mm"], each["low_mm"], each["high_mm"])
        for name, each in outcome.result.items()
        if isinstance(each, dict) and "value_mm" in each
    }


def place(view: Outcome, name: str, right_px: float) -> dict[str, tuple[float, float]]:
    """A point, moved to the right of where it was found."""
    x, y = view.result["points_px"][name]
    return {name: (x + right_px, y)}


@pytest.mark.parametrize("kind", ["arm", "film of an arm", "instrument", "film of an instrument"])
def test_solved_without_a_move_it_is_what_was_measured_and_a_move_in_any_picture_counts(
    pool: MeasuringPool, kind: str
) -> None:
    sent = {
        "arm": lambda: files(CHILD),
        "film of an arm": lambda: files(["child-4.mp4"]),
        "instrument": lambda: files(INSTRUMENT),
        "film of an instrument": lambda: [filmed_instrument()],
    }[kind]()
    is_arm = kind.endswith("arm")
    question = ArmQuestion(age_years=9.0) if is_arm else InstrumentQuestion()
    name, main = ("mid_palm", "arm_length") if is_arm else ("body_bottom", "body_length")

    async def story() -> tuple[Outcome, bytes, Outcome, list[Outcome]]:
        named = [(data, "sent") for data in sent]
        if is_arm:
            measured = await (pool.arm_together(named, question) if len(sent) > 1 else pool.arm(*named[0], question))
        else:
            measured = await pool.instrument_together(named, question)
        sight = await pool.look(sent, question)
        assert sight is not None
        moved = [
            await pool.solve(sight, question, {number: place(view, name, 12.0)}, measured.views[0].photo_jpeg)
            for number, view in enumerate(measured.views)
        ]
        return measured, sight, await pool.solve(sight, question), moved

    measured, sight, again, moved = finished(story())
    assert measured.result["usable"]
    assert len(measured.views) == len(sent)
    assert lengths(again) == lengths(measured)
    assert [each["code"] for each in again.result["problems"]] == [each["code"] for each in measured.result["problems"]]
    for part in ("photos", "left_out", "viewpoints_deg"):
        assert again.result[part] == measured.result[part]
    for shown, seen in zip(measured.views, again.views, strict=True):
        assert seen.result == {"points_px": shown.result["points_px"]}
        assert (seen.drawn_px, seen.film_s) == (shown.drawn_px, shown.film_s)
        with Image.open(io.BytesIO(shown.photo_jpeg)) as picture:
            assert picture.size == shown.size_px
        assert (shown.film_s is None) == (len(sent) > 1)
    for outcome in moved:
        assert outcome.result["usable"]
        assert outcome.result["photos"] == measured.result["photos"], "no picture is dropped for a move"
        assert abs(lengths(outcome)[main][0] - lengths(measured)[main][0]) > 0.4
        with Image.open(io.BytesIO(outcome.overlay_jpeg)) as picture:
            assert picture.size == measured.views[0].size_px
    assert len(sight) < 100_000 * max(3, measured.result["photos"])
    assert max(array.size for array in arrays(pickle.loads(sight))) < 5_000, "places, no picture"
    assert not any(array.dtype == np.uint8 and array.size > 200 for array in arrays(pickle.loads(sight)))


@cache
def seen(name: str) -> bytes:
    """What is seen of the arm in a sample, looked at once."""
    return look_at_arm((SAMPLES / name).read_bytes(), ArmQuestion())


def gathered(names: Sequence[str]) -> bytes:
    return gather_arms([[seen(name)] for name in names])


def test_what_is_told_wrongly_of_the_hand_is_said_of_several_photos() -> None:
    """Each time it is told anew, in a review."""
    sight = gathered(CHILD)
    for touches, codes in ((None, []), (True, []), (False, ["not_as_told"])):
        found = solve_sight(sight, ArmQuestion(age_years=6.0, against_wall=touches)).result
        assert found["usable"]
        assert [each["code"] for each in found["problems"]] == codes


def test_where_nothing_was_moved_no_move_is_said_to_contradict(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is told may be why photos no longer go together: they are then joined as those of several days."""
    sight = gathered(CHILD)
    monkeypatch.setattr("vision.arm.views.solve_views", lambda *_: None)
    found = solve_sight(sight, AGE).result
    assert found["usable"]
    assert (found["photos"], found["viewpoints_deg"]) == (3, None)


def test_a_height_that_the_photos_contradict_is_said_in_a_review_too() -> None:
    sight = look_at_instruments(files(INSTRUMENT), InstrumentQuestion(sheet_height=IN_ITS_CASE))
    assert [each["code"] for each in solve_sight(sight, InstrumentQuestion()).result["problems"]] == ["stated_height"]


def test_moves_that_contradict_one_another_are_refused_and_drop_no_picture() -> None:
    sight = gathered(CHILD)
    one, other, _ = solve_sight(sight, AGE).views
    assert one is not None
    assert other is not None
    apart = solve_sight(sight, AGE, {0: place(one, "mid_palm", 35.0), 1: place(other, "mid_palm", -35.0)})
    assert not apart.result["usable"]
    assert [each["code"] for each in apart.result["problems"]] == ["moved_apart"]
    assert len([view for view in apart.views if view is not None]) == 3
    # where a point makes one photo unusable by itself, that is why, and the others are not measured without it
    x, y = other.result["points_px"]["elbow"]
    bent = solve_sight(sight, AGE, {1: {"elbow": (x, y + 70.0)}})
    alone = solve_sight(seen(CHILD[1]), AGE, {0: {"elbow": (x, y + 70.0)}})
    assert not bent.result["usable"]
    assert bent.result["problems"] == alone.result["problems"]


def test_photos_of_different_days_are_joined_with_the_moved_point_in_its_own() -> None:
    days = ["child-5-a.jpg", "child-3.jpg"]
    sight, alone = gathered(days), [seen(day) for day in days]
    assert not pickle.loads(sight).at_rest
    before, each = solve_sight(sight, AGE), [solve_sight(one, AGE) for one in alone]
    assert before.result["viewpoints_deg"] is None
    for joint, single in zip(before.views, each, strict=True):
        assert joint is not None
        assert joint.result == single.views[0].result  # type: ignore[union-attr]
    moved = place(before.views[1], "mid_palm", -12.0)  # type: ignore[arg-type]
    after = lengths(solve_sight(sight, AGE, {1: moved}))["arm_length"][0]
    grown = lengths(solve_sight(alone[1], AGE, {0: moved}))["arm_length"][0] - lengths(each[1])["arm_length"][0]
    share = (after - lengths(before)["arm_length"][0]) / grown
    assert 0.2 < share < 0.8, "one of two lengths has changed"


def test_a_photo_left_out_before_is_left_out_after_a_move_and_still_named() -> None:
    odd = "instrument-1.jpg"
    data = files([INSTRUMENT[0], odd, INSTRUMENT[1]])
    measured = measure_instrument_photos([(each, "instrument") for each in data], InstrumentQuestion())
    assert [view is not None for view in measured.views] == [True, False, True]
    sight = look_at_instruments(data, InstrumentQuestion())
    shown = measured.views[2]
    assert shown is not None
    moved = solve_sight(sight, InstrumentQuestion(), {2: place(shown, "body_bottom", 6.0)})
    for part in ("photos", "left_out"):
        assert moved.result[part] == measured.result[part]
    assert [each["code"] for each in moved.result["problems"]] == ["instrument_left_out"]
    assert [view is not None for view in moved.views] == [True, False, True]
    untouched = solve_sight(sight, InstrumentQuestion(), {1: {"body_bottom": (1.0, 1.0)}})
    assert lengths(untouched) == lengths(measured)


def test_why_nothing_is_seen_in_any_photo_is_said() -> None:
    sight = gather_arms([[seen("instrument-1.jpg")], []])
    found = solve_sight(sight, AGE)
    assert not found.result["usable"]
    assert found.result["problems"]
    assert not solve_sight(gather_arms([[]]), AGE).result["usable"]


def test_a_film_that_cannot_be_read_is_no_sight(pool: MeasuringPool) -> None:
    data = files(["child-4.mp4"])[0]

    async def story() -> bytes | None:
        return await pool.look([data[: len(data) // 3]], ArmQuestion())

    sight = finished(story())
    assert sight is not None
    assert not solve_sight(sight, AGE).result["usable"]
