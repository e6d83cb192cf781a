"""The arm on scenes with known truth: errors, intervals, faults, and what naive ways would give."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.quantity import COVERAGE_FACTOR
from tests.accuracy.scenes import Scene, messenger, scenes
from tests.accuracy.table import Reading, Row, row
from vision.arm.build import StatedBuild
from vision.arm.measure import ArmMeasurement, measure_arm
from vision.photo import load_photo

KINDS = {"child_wall": "hand against the wall", "child": "floating arm"}
TARGETS = {"child_wall": "+-1.5 / 3 / 8 / 92-98 % / 8", "child": "+-3 / 5 / 13 / 92-98 % / 14"}
RIGHT_REASONS = {
    "elbow_bent": {"elbow_bent", "arm_forward", "arm_too_high"},
    "arm_too_low": {"arm_too_low", "no_arm_out"},
    "arm_forward": {"arm_forward", "elbow_bent"},
    "torso_turned": {"torso_turned", "arm_forward"},
}
"""Which problems name a scene's fault: a forearm bent to the camera and an arm held to it look alike, and the advice to
lay the hand against the wall cures both."""

HEAD_TURNED_DEG = 25.0
"""From which a head counts as turned; our choice."""


@dataclass(frozen=True)
class Result:
    """A scene and what was measured in it."""

    scene: Scene
    measured: ArmMeasurement

    @property
    def faults(self) -> tuple[str, ...]:
        """The scene's faults; none in a good one."""
        quality = self.scene.truth["quality"]
        return () if quality == "good" else tuple(quality)

    def reading(self, quantity: str = "arm_length", truth: str | None = None) -> Reading:
        """One length beside its truth."""
        value = getattr(self.measured, quantity)
        true = self.scene.truth["arm_length_mm"] if truth is None else self.scene.truth["measures"][truth]
        codes = tuple(problem.code for problem in self.measured.problems)
        if value is None:
            return Reading(self.scene.name, true, None, problems=codes)
        return Reading(self.scene.name, true, value.value_mm, value.low_mm, value.high_mm, codes)


FURTHER = {
    "hand_length": "hand_length_mm",
    "hand_breadth": "hand_breadth_mm",
    "neck_to_wrist": "neck_to_wrist_crease_mm",
    "neck_to_fingertip": "neck_to_middle_fingertip_mm",
    "shoulder_to_palm": "acromion_to_mid_palm_mm",
    "spine_to_palm": "c7_to_mid_palm_mm",
}


def rows(shared_scenes: Path) -> list[Row]:
    """Every figure of the arm.

    Parameters
    ----------
    shared_scenes : Path
        Folder with the scenes, one sub-folder a kind.
    """
    table: list[Row] = []
    for kind, title in KINDS.items():
        if not (shared_scenes / kind).is_dir():
            continue
        results = [Result(scene, measure_arm(load_photo(scene.photo))) for scene in scenes(shared_scenes, kind)]
        good = [result for result in results if not result.faults]
        table.append(row(title, "good", "arm", [result.reading() for result in good], TARGETS[kind]))
        table.append(_faulty(title, [result for result in results if result.faults]))
        for looks, alike in _by_looks(good):
            table.append(row(title, f"good, {looks}", "arm", [result.reading() for result in alike]))
        table.append(_naive(title, "everything in the sheet's plane", good, _in_the_plane))
        table.append(_naive(title, "from age and stature alone", good, _from_stature))
        sent = [Result(r.scene, measure_arm(load_photo(messenger(r.scene.photo)))) for r in good]
        table.append(row(title, "good, sent by messenger", "arm", [r.reading() for r in sent], "1.5 x the errors"))
        flagged = [
            Result(r.scene, measure_arm(load_photo(r.scene.photo), against_wall=kind == "child_wall")) for r in good
        ]
        table.append(row(title, "good, stance stated", "arm", [r.reading() for r in flagged], TARGETS[kind]))
        for quantity, truth in FURTHER.items():
            if any(truth not in result.scene.truth["measures"] for result in good):
                continue  # other generators of scenes know fewer lengths
            table.append(row(title, "good", quantity, [result.reading(quantity, truth) for result in good]))
    return table


def _faulty(title: str, results: list[Result]) -> Row:
    """Faulty scenes: refused for the right reason, or measured with an interval that holds the truth."""
    right, names = 0, []
    for result in results:
        reading = result.reading()
        codes = set(reading.problems)
        if reading.value_mm is None:
            fine = any(codes & RIGHT_REASONS[fault] for fault in result.faults)
        else:
            fine = reading.low_mm <= reading.truth_mm <= reading.high_mm  # type: ignore[operator]
        right += fine
        if not fine:
            names.append(f"{reading.name} {result.faults} got {reading.problems or reading.value_mm}")
    share = f"{right} of {len(results)} refused for the right reason or covered"
    summed = row(title, "with a fault", "arm", [result.reading() for result in results], ">= 95 % right")
    return Row(
        **{**summed.as_json(), "notes": "; ".join([share, *names]), "extra": {"right": right, "of": len(results)}}
    )


def _by_looks(good: list[Result]) -> list[tuple[str, list[Result]]]:
    """The scenes by what is about the neck, where their truth tells it."""
    told = [result for result in good if "worn" in result.scene.truth]
    groups: list[tuple[str, Callable[[Result], bool]]] = [
        ("collar", _collared),
        ("hair over the neck", _haired),
        ("neck free of both", lambda result: not _collared(result) and not _haired(result)),
        ("head turned", lambda result: abs(result.scene.truth["pose"]["head_deg"][0]) > HEAD_TURNED_DEG),
    ]
    return [(looks, alike) for looks, has in groups if (alike := [result for result in told if has(result)])]


def _collared(result: Result) -> bool:
    return result.scene.truth["worn"]["collar"] is not None


def _haired(result: Result) -> bool:
    return bool(result.scene.truth["worn"]["over_neck"])


def _naive(title: str, how: str, good: list[Result], way: Callable[[Result], Reading | None]) -> Row:
    readings = [reading for reading in map(way, good) if reading is not None]
    return row(title, f"naive: {how}", "arm", readings)


def _in_the_plane(result: Result) -> Reading | None:
    """Distance of neck and palm as if both lay on the wall."""
    measured = result.measured
    if measured.camera is None or "side_neck" not in measured.points_px:
        return None
    points = np.array([measured.points_px["side_neck"], measured.points_px["mid_palm"]])
    ends = measured.camera.to_plane(points, 0.0)
    return Reading(result.scene.name, result.scene.truth["arm_length_mm"], float(np.linalg.norm(ends[1] - ends[0])))


def _from_stature(result: Result) -> Reading | None:
    """The regression on age and stature, without looking at the photo."""
    body = result.scene.truth["body"]
    expected = StatedBuild(body["age_years"], body["stature_mm"]).expected_arm()
    assert expected is not None
    value = expected.usual_mm
    reach = COVERAGE_FACTOR * expected.log_deviation * value
    return Reading(result.scene.name, result.scene.truth["arm_length_mm"], value, value - reach, value + reach)


def criterion(table: list[Row]) -> list[str]:
    """ISO 20685-1: the 95 % confidence interval of the mean error lies within +-5 mm (segment lengths)."""
    lines = []
    for one in table:
        if one.condition != "good" or one.quantity != "arm" or one.bias_mm is None:
            continue
        reach = one.extra.get("bias_95_mm") or 0.0
        low, high = one.bias_mm - reach, one.bias_mm + reach
        verdict = "met" if max(abs(low), abs(high)) <= 5.0 else "not met"
        lines.append(
            f"ISO 20685-1, {one.kind}: mean error within {low:+.1f} .. {high:+.1f} mm, +-5 mm allowed: {verdict}"
        )
    return lines
