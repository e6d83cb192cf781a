"""Blank paper as the only reference, on scenes with known truth: the sheets in the given pictures are blank A4.

Their size is exact there, where real paper is cut to +-2 mm.  So each scene's truth is stretched by a size drawn within
the tolerance (the mean of both sides; their proportion stays as it is drawn in the picture), as if the paper had been
cut so and everything in the picture with it.  That is done `CUTS` times a scene: with one cut each, sixteen scenes say
of the paper's size, which is the largest cause, no more than sixteen throws of a die.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.blank import Blank
from calibration.blank_sheet import find_blank
from calibration.camera import Surface
from calibration.problems import Refused
from tests.accuracy.arm import KINDS
from tests.accuracy.arm import Result as ArmResult
from tests.accuracy.instrument import Result as InstrumentResult
from tests.accuracy.scenes import Scene, scenes
from tests.accuracy.table import Reading, Row, row
from vision.arm.measure import measure_arm
from vision.instrument.measure import measure_instrument
from vision.photo import load_photo

CUTS = 200
"""Sizes drawn for each scene's paper; our choice."""
ARM_TARGET, BODY_TARGET = "- / 4 / 10 / 92-98 % / -", "- / 1.5 / 4 / 92-98 % / -"


def rows(shared_scenes: Path) -> list[Row]:
    """Every figure with blank paper.

    Parameters
    ----------
    shared_scenes : Path
        Folder with the scenes, one sub-folder a kind.
    """
    table, silent, tried = [], 0, 0
    for kind, title in KINDS.items():
        readings = []
        for scene in _blank(shared_scenes, kind):
            arm = ArmResult(scene, measure_arm(load_photo(scene.photo), reference=Blank.A4))
            if not arm.faults:
                readings.append((arm.reading(), scene))
                silent += _passes_for_letter(scene, Surface.WALL)
                tried += 1
        table.append(_row(title, "arm", readings, ARM_TARGET))
    bodies = []
    for scene in _blank(shared_scenes, "violin"):
        instrument = InstrumentResult(scene, measure_instrument(load_photo(scene.photo), reference=Blank.A4))
        if instrument.fault is None and not instrument.on_shoulder_rest:
            bodies.append(instrument)
            silent += _passes_for_letter(scene, Surface.TABLE)
            tried += 1
    for quantity, target in (("body_length", BODY_TARGET), ("total_length", "")):
        table.append(_row("instrument", quantity, [(each.reading(quantity), each.scene) for each in bodies], target))
    wrong = row("blank paper", "A4 called Letter", "remark", [])
    note = f"{silent} of {tried} taken for Letter without a word"
    table.append(Row(**{**wrong.as_json(), "notes": note, "extra": {"silent": silent, "of": tried}}))
    return table


def _blank(shared_scenes: Path, kind: str) -> Iterator[Scene]:
    """The scenes with their sheets left blank."""
    for scene in scenes(shared_scenes, kind):
        yield replace(scene, photo=scene.folder / "white.jpg")


def _row(title: str, quantity: str, readings: Sequence[tuple[Reading, Scene]], target: str) -> Row:
    """Figures over all cuts; scenes are counted once."""
    alone = row(title, "blank paper", quantity, [reading for reading, _ in readings], target)
    cut = [each for reading, scene in readings for each in _cut(reading, scene)]
    over_all = row(title, "blank paper", quantity, cut, target)
    counted = {name: getattr(alone, name) for name in ("n", "refused", "notes", "extra")}
    return Row(**{**over_all.as_json(), **counted, "extra": alone.extra | {"cuts": CUTS}})


def _cut(reading: Reading, scene: Scene) -> Iterator[Reading]:
    """The reading beside what would be true if the paper had been cut otherwise, several times."""
    generator = np.random.default_rng([sum(scene.kind.encode()), int(scene.folder.name)])
    sides_mm = np.array(Blank.A4.size_mm)
    for sides in generator.uniform(-1, 1, (CUTS, 2)):
        stretch = 1 + float((sides * Blank.A4.tolerance_mm / sides_mm).mean())
        yield replace(reading, truth_mm=reading.truth_mm * stretch)


def _passes_for_letter(scene: Scene, surface: Surface) -> bool:
    photo = load_photo(scene.photo)
    try:
        return not find_blank(photo.rgb, Blank.LETTER, photo.lens, surface).remarks
    except Refused:
        return False
