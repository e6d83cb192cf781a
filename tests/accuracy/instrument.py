"""The instrument on scenes with known truth: errors, intervals, faults, pairs, and what naive ways would give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import numpy as np

from calibration.sheet import CHECK_BAR_MM
from tests.accuracy.scenes import Scene, messenger, scenes
from tests.accuracy.table import Reading, Row, row
from vision.instrument.measure import InstrumentMeasurement, measure_instrument
from vision.instrument.views import measure_instrument_together
from vision.photo import load_photo

TRUTHS = {
    "body_length": "body_length_mm",
    "total_length": "total_length_mm",
    "upper_bout_width": "upper_bout_mm",
    "middle_bout_width": "waist_mm",
    "lower_bout_width": "lower_bout_mm",
    "string_length": "string_length_mm",
}
TARGETS = {
    "body_length": "+-0.4 / 0.8 / 2.5 / 92-98 % / 2.5",
    "total_length": "- / 1.2 / 4 / 92-98 % / -",
}
PAIR_TARGETS = {
    "body_length": "+-0.4 / 0.4 / 1.2 / 92-98 % / 1.2",
    "total_length": "- / 0.7 / 2 / 92-98 % / -",
}
RIGHT_REASONS = {
    "instrument_cut": {"instrument_cut"},
    "sheet_cut": {"sheet_cut"},
    "motion_blur": {"photo_blurred", "sheet_blurred"},
}
"""Which problems name a scene's fault."""


@dataclass(frozen=True)
class Result:
    """A scene and what was measured in it."""

    scene: Scene
    measured: InstrumentMeasurement

    @property
    def fault(self) -> str | None:
        """The scene's fault; None in a good one."""
        quality = self.scene.truth["quality"]
        return None if quality == "ok" else str(quality)

    @property
    def on_shoulder_rest(self) -> bool:
        """Whether a shoulder rest is mounted."""
        return bool(self.scene.truth["flags"]["shoulder_rest"])

    @property
    def on_book_alone(self) -> bool:
        """Whether the only sheet lies on a book."""
        return all(sheet["on_book"] for sheet in self.scene.truth["sheets"])

    def reading(self, quantity: str) -> Reading:
        """One length beside its truth."""
        value = getattr(self.measured, quantity)
        true = float(self.scene.truth[TRUTHS[quantity]])
        codes = tuple(problem.code for problem in self.measured.problems)
        if value is None:
            return Reading(self.scene.name, true, None, problems=codes)
        return Reading(self.scene.name, true, value.value_mm, value.low_mm, value.high_mm, codes)


def rows(shared_scenes: Path) -> list[Row]:
    """Every figure of the instrument.

    Parameters
    ----------
    shared_scenes : Path
        Folder with the scenes, one sub-folder a kind.
    """
    table: list[Row] = []
    if (shared_scenes / "violin").is_dir():
        results = [
            Result(scene, measure_instrument(load_photo(scene.photo))) for scene in scenes(shared_scenes, "violin")
        ]
        table += _single(results)
    if (shared_scenes / "violin_pairs").is_dir():
        table += _pairs(list(scenes(shared_scenes, "violin_pairs")))
    return table


def _single(results: Sequence[Result]) -> list[Row]:
    usable = [result for result in results if result.fault is None]
    plain = [result for result in usable if not result.on_shoulder_rest]
    rested = [result for result in usable if result.on_shoulder_rest]
    table = []
    for quantity in TRUTHS:
        readings = [result.reading(quantity) for result in plain]
        if quantity == "string_length":  # not every photo shows nut and bridge
            readings = [reading for reading in readings if reading.value_mm is not None]
        table.append(row("instrument", "no shoulder rest", quantity, readings, TARGETS.get(quantity, "")))
    sent = [Result(r.scene, measure_instrument(load_photo(messenger(r.scene.photo)))) for r in plain]
    for quantity in ("body_length", "total_length"):
        readings = [result.reading(quantity) for result in sent]
        table.append(row("instrument", "no shoulder rest, sent by messenger", quantity, readings))
    known = [result for result in plain if not result.on_book_alone]
    table.append(row("instrument", "sheet on the table", "body_length", [r.reading("body_length") for r in known]))
    table.append(_right("shoulder rest", rested, {"shoulder_rest_mounted"}))
    for fault, reasons in RIGHT_REASONS.items():
        table.append(_right(fault, [result for result in results if result.fault == fault], reasons))
    for quantity in ("body_length", "total_length"):
        naive = [reading for result in plain if (reading := _in_the_plane(result, quantity)) is not None]
        table.append(row("instrument", "naive: everything in the sheet's plane", quantity, naive))
    return table


def _right(condition: str, results: Sequence[Result], reasons: set[str]) -> Row:
    """Photos that should be refused for one of the `reasons`, or whose interval must hold the truth."""
    names = []
    for result in results:
        reading = result.reading("body_length")
        if reading.value_mm is None:
            fine = bool(set(reading.problems) & reasons)
        else:
            fine = condition == "shoulder rest" and reading.low_mm <= reading.truth_mm <= reading.high_mm  # type: ignore[operator]
        if not fine:
            names.append(f"{reading.name} got {reading.problems or reading.value_mm}")
    share = f"{len(results) - len(names)} of {len(results)} refused for the right reason or covered"
    summed = row("instrument", condition, "body_length", [r.reading("body_length") for r in results], "all right")
    extra = {"right": len(results) - len(names), "of": len(results)}
    return Row(**{**summed.as_json(), "notes": "; ".join([share, *names]), "extra": extra})


def _pairs(views: Sequence[Scene]) -> list[Row]:
    results, checked = [], []
    for _, group in groupby(views, key=lambda scene: scene.folder.parent):
        pair = list(group)
        if len(pair) > 1:
            photos = [load_photo(view.photo) for view in pair]
            results.append(Result(pair[0], measure_instrument_together(photos)))
            checked.append(Result(pair[0], measure_instrument_together(photos, bar_mm=CHECK_BAR_MM)))
    return [
        row("instrument", condition, quantity, [r.reading(quantity) for r in found], target)
        for condition, found in (("two photos together", results), ("two photos together, bar checked", checked))
        for quantity, target in PAIR_TARGETS.items()
    ]


def _in_the_plane(result: Result, quantity: str) -> Reading | None:
    """Distance of the same pixels as if they lay in the sheet's plane."""
    measured = result.measured
    if measured.camera is None or "body_bottom" not in measured.points_px:
        return None
    top = "body_top" if quantity == "body_length" else "scroll_top"
    ends = measured.camera.to_plane(np.array([measured.points_px[top], measured.points_px["body_bottom"]]), 0.0)
    true = float(result.scene.truth[TRUTHS[quantity]])
    return Reading(result.scene.name, true, float(np.linalg.norm(ends[1] - ends[0])))
