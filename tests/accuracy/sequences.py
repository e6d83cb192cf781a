"""The arm from sequences of five views: a parent steps aside, the child sways.

Folders: SCENES/sequences/KIND/NUMBER/VIEW, each view as a scene of its own or, where the sheet is printed in it
already, with photo.jpg (`vision.training.figures.sequences`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calibration.problems import Refused
from calibration.quantity import Length
from tests.accuracy.arm import KINDS
from tests.accuracy.scenes import Scene, sequences_of
from tests.accuracy.table import Reading, Row, budget, row
from vision.arm.depth import ArmDepths
from vision.arm.measure import solve_arm
from vision.arm.seen import SeenArm, see_arm
from vision.arm.views import ArmViews, solve_views
from vision.photo import load_photo

TARGETS = {"child_wall": "median 1.5 / 95th 4 / 92-98 % / 5", "child": "median 2 / 95th 5 / 92-98 % / 6"}
THREE = 3


@dataclass(frozen=True)
class Sequence5:
    """The views of one child and what was seen in them; a view that shows nothing is missing."""

    views: tuple[Scene, ...]
    seen: tuple[SeenArm, ...]

    @property
    def name(self) -> str:
        """Kind and number."""
        return f"{self.views[0].kind}/{self.views[0].folder.parent.name}"

    def reading(self, arm: Length | None, problems: Sequence[str] = ()) -> Reading:
        """A length beside its truth."""
        true_mm = self.views[0].truth["arm_length_mm"]
        if arm is None:
            return Reading(self.name, true_mm, None, problems=tuple(problems))
        return Reading(self.name, true_mm, arm.value_mm, arm.low_mm, arm.high_mm, tuple(problems))

    def together(self, found: ArmViews | None) -> Reading:
        """What several views gave."""
        if found is None:
            return self.reading(None, ["not together"])
        left = [f"left out {number}" for number in found.left_out]
        return self.reading(found.measurement.arm_length, left)


def sequences(shared_scenes: Path, kind: str) -> list[Sequence5]:
    """Every sequence of a kind, looked at."""
    found = []
    for photos in sequences_of(shared_scenes, kind):
        seen = []
        for scene in photos:
            try:
                seen.append(see_arm(load_photo(scene.photo)))
            except Refused as refusal:
                print(scene.folder, *(problem.code for problem in refusal.problems))
        found.append(Sequence5(photos, tuple(seen)))
    return found


def rows(shared_scenes: Path) -> list[Row]:
    """Figures of sequences: one view, three, five, and five without the word of the depth network.

    Parameters
    ----------
    shared_scenes : Path
        Folder with the scenes.
    """
    table: list[Row] = []
    for kind, title in KINDS.items():
        if not (shared_scenes / "sequences" / kind).is_dir():
            continue
        every = sequences(shared_scenes, kind)
        alone = [_alone(one, seen) for one in every for seen in one.seen]
        table.append(row(title, "one view", "arm", alone))
        table.append(row(title, "three views", "arm", [one.together(solve_views(one.seen[:THREE])) for one in every]))
        solved = [solve_views(one.seen) for one in every]
        five = [one.together(found) for one, found in zip(every, solved, strict=True)]
        odd = [f"{reading.name} {' '.join(reading.problems)}" for reading in five if reading.problems]
        notes = "; ".join([budget([found.measurement.arm_length for found in solved if found is not None]), *odd])
        table.append(row(title, "five views", "arm", five, TARGETS[kind], notes))
        told = [
            one.together(solve_views(one.seen, against_wall=one.views[0].truth["protocol"] == "wall")) for one in every
        ]
        table.append(row(title, "five views, stance stated", "arm", told))
        unlearned = [one.together(solve_views([_without_network(seen) for seen in one.seen])) for one in every]
        table.append(row(title, "five views, no depth network", "arm", unlearned, "1.2 x the errors"))
    return table


def _alone(one: Sequence5, seen: SeenArm) -> Reading:
    measured = solve_arm(seen)
    return one.reading(measured.arm_length, [problem.code for problem in measured.problems])


def _without_network(seen: SeenArm) -> SeenArm:
    return replace(seen, depths=ArmDepths.usual())
