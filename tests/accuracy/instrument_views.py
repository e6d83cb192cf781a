"""The instrument from sequences of five views, and from films: somebody steps round it, nothing is moved.

Folders: SCENES/sequences/violin/NUMBER/VIEW, each with photo.jpg and truth.json (`vision.training.lying`); the same
under ``sequences/card`` with a card in the frame of the sheet, and SCENES/films/violin/NUMBER with the frames of a
film.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from calibration.problems import Refused
from calibration.sheet import CHECK_BAR_MM, Paper, SheetLayout
from tests.accuracy.instrument import TRUTHS
from tests.accuracy.scenes import Scene, sequences_of
from tests.accuracy.table import Reading, Row, budget, row
from tests.vision.filming import film
from vision.clip import clip_photos
from vision.instrument.detected import DetectedInstrument, detect_instrument
from vision.instrument.measure import InstrumentMeasurement, solve_instrument
from vision.instrument.views import measure_instrument_together, solve_together
from vision.photo import load_photo

TARGETS = {"body_length": "half-width 1.0", "total_length": "half-width 1.5"}
SETS = {"violin": "", "card": ", card in the frame"}
"""Folders under ``sequences``, and what is said of them."""
RULERS = {
    "": None,
    ", bar checked": CHECK_BAR_MM,
    ", whole print checked": SheetLayout(Paper.A4, 1).print_height_mm,
}
"""What is said of the print, and what the ruler gave: the prints are of A4 and in true size."""
COUNTS = {2: "two views", 3: "three views", 5: "five views"}


@dataclass(frozen=True)
class Lying:
    """The views of one instrument, what was seen in those that were not refused, and why the others were."""

    views: tuple[Scene, ...]
    seen: tuple[DetectedInstrument, ...]
    refused: tuple[InstrumentMeasurement, ...]

    def reading(self, measured: InstrumentMeasurement, quantity: str) -> Reading:
        """One length beside its truth."""
        scene, value = self.views[0], getattr(measured, quantity)
        name = f"{scene.kind}/{scene.folder.parent.name}"
        codes = tuple(problem.code for problem in measured.problems)
        true_mm = float(scene.truth[TRUTHS[quantity]])
        if value is None:
            return Reading(name, true_mm, None, problems=codes)
        return Reading(name, true_mm, value.value_mm, value.low_mm, value.high_mm, codes)


def measured(seen: Sequence[DetectedInstrument]) -> InstrumentMeasurement:
    """Lengths of what was seen in one view or several."""
    try:
        return solve_instrument(seen[0]) if len(seen) == 1 else solve_together(seen)
    except (Refused, IndexError) as fault:
        return InstrumentMeasurement("", usable=False, problems=getattr(fault, "problems", ()))


def lying(shared_scenes: Path, kind: str, bar_mm: float | None) -> Iterator[Lying]:
    """Every sequence of a kind, looked at."""
    for views in sequences_of(shared_scenes, kind):
        seen, refused = [], []
        for scene in views:
            try:
                seen.append(detect_instrument(load_photo(scene.photo), bar_mm=bar_mm))
            except Refused as refusal:
                refused.append(InstrumentMeasurement(scene.name, usable=False, problems=refusal.problems))
        yield Lying(views, tuple(seen), tuple(refused))


def rows(shared_scenes: Path) -> list[Row]:
    """Figures of one view, two, three and five, with and without a ruler's word or a card in the frame.

    Parameters
    ----------
    shared_scenes : Path
        Folder with the scenes.
    """
    table: list[Row] = []
    for kind, said in SETS.items():
        if not (shared_scenes / "sequences" / kind).is_dir():
            continue
        for checked, bar_mm in RULERS.items():
            every = list(lying(shared_scenes, kind, bar_mm))
            table += _of_set(every, said + checked)
    return table + _of_films(shared_scenes / "films" / "violin")


def _of_films(folder: Path) -> list[Row]:
    """Figures of films, with and without a ruler's word."""
    films = [(scene, clip_photos(_filmed(scene), "film.mp4")) for scene in _filmed_scenes(folder)]
    table = []
    for checked, bar_mm in RULERS.items():
        found = [
            (Lying((scene,), (), ()), measure_instrument_together(frames, bar_mm=bar_mm)) for scene, frames in films
        ]
        for quantity, target in TARGETS.items():
            readings = [one.reading(each, quantity) for one, each in found]
            table.append(row("instrument", f"film{checked}", quantity, readings, target))
    return table


def _filmed_scenes(folder: Path) -> Iterator[Scene]:
    for file in sorted(folder.glob("*/truth.json")):
        yield Scene("film", file.parent, json.loads(file.read_text()), file.parent / "000.jpg")


def _filmed(scene: Scene) -> bytes:
    """The frames of a scene as a film, ten a second."""
    return film([np.asarray(Image.open(frame)) for frame in sorted(scene.folder.glob("*.jpg"))])


def _of_set(every: Sequence[Lying], said: str) -> list[Row]:
    table = []
    alone = [(one, each) for one in every for each in (*(measured([seen]) for seen in one.seen), *one.refused)]
    for quantity, target in TARGETS.items():
        table.append(row("instrument", f"one view{said}", quantity, [one.reading(m, quantity) for one, m in alone]))
        for count, words in COUNTS.items():
            found = [measured(one.seen[:count]) for one in every]
            readings = [one.reading(each, quantity) for one, each in zip(every, found, strict=True)]
            odd = [f"{each.name} {' '.join(each.problems)}" for each in readings if each.problems]
            causes = [budget([getattr(each, quantity) for each in found])] if count == max(COUNTS) else []
            notes = "; ".join([*causes, *odd])
            table.append(row("instrument", f"{words}{said}", quantity, readings, target if count > 2 else "", notes))
    return table
