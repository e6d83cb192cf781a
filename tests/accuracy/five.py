"""What five views would leave open of an arm, and through which causes: nothing is photographed anew.

Each good scene's camera is led round the child, with the sheet's corners and the joints seen from there exactly where
they would be and as sure as in the scene's own photo.  So there are no errors here, only what is stated.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from calibration.adjustment import COMMON
from calibration.arrays import Array
from calibration.camera import PosedCamera, Surface
from calibration.common_lens import View, solve_common_lens
from calibration.pinhole import POSE
from calibration.quantity import Length
from calibration.sheet_in_photo import SheetInPhoto
from tests.accuracy.arm import KINDS
from tests.accuracy.scenes import scenes
from tests.accuracy.table import Row, budget
from vision.arm.estimator import ArmProblem, most_probable
from vision.arm.joints import PALM, SHOULDER
from vision.arm.lengths import arm_lengths
from vision.arm.measure import evidence_of, stances_of
from vision.arm.mixture import Mixture
from vision.arm.priors import JOINTS
from vision.arm.seen import SeenArm, see_arm
from vision.arm.views_problem import OneView, ViewsProblem
from vision.photo import load_photo

TURNS_DEG = (0.0, -14.0, -7.0, 7.0, 14.0)
"""How far the camera is led round: half a metre to either side at two metres."""


def rows(shared_scenes: Path) -> list[Row]:
    """Half-widths of five views, with their budgets in the notes.

    Parameters
    ----------
    shared_scenes : Path
        Folder with the scenes, one sub-folder a kind.
    """
    table = []
    for kind, title in KINDS.items():
        good = [scene for scene in scenes(shared_scenes, kind) if scene.truth["quality"] == "good"]
        lengths = [stated(see_arm(load_photo(scene.photo))) for scene in good]
        half_mm = float(np.mean([(length.high_mm - length.low_mm) / 2 for length in lengths]))
        table.append(
            Row(title, "five views, as stated", "arm", len(good), 0, half_width_mm=half_mm, notes=budget(lengths))
        )
    return table


def stated(seen: SeenArm) -> Length:
    """The arm with the interval that five views would give it."""
    body = replace(seen.body, camera=_of_first_sheet(seen.body.camera))
    alone = evidence_of(body)
    stances = stances_of(None, seen.depths)
    found = Mixture.of([most_probable(ArmProblem(alone, stance))[0] for stance in stances], seen.depths).best
    points = found.points_mm @ alone.body_to_sheet.T
    about = points[[SHOULDER, PALM]].mean(axis=0)
    cameras = [_turned(body.camera, about, alone.body_to_sheet[:, 1], turn) for turn in TURNS_DEG]
    shown = [View((_seen_by(camera),), camera.image_size_px, camera.lens) for camera in cameras]
    lens = solve_common_lens(shown, Surface.WALL)
    views = []
    for camera, root in zip(lens.cameras, lens.roots, strict=True):
        places = dict(zip(JOINTS, camera.project(points), strict=True))
        sightings = {name: replace(each, px=places[name]) for name, each in alone.sightings.items()}
        views.append(OneView(replace(alone, camera=camera, sightings=sightings), root))
    mixture = Mixture.of([most_probable(ViewsProblem(views, stance))[0] for stance in stances], seen.depths)
    arm = arm_lengths(mixture, body.hand, lens.cameras[0], seen.prints, np.zeros(len(stances)))["arm_length"]
    assert arm is not None
    return arm


def _of_first_sheet(camera: PosedCamera) -> PosedCamera:
    size = COMMON + POSE
    return replace(
        camera,
        sheets=camera.sheets[:1],
        parameters=camera.parameters[:size],
        covariance_root=camera.covariance_root[:size, :size],
    )


def _turned(camera: PosedCamera, about_mm: Array, up: Array, deg: float) -> PosedCamera:
    """The camera led round a point, about an upright axis, looking at it as before."""
    turn = np.asarray(cv2.Rodrigues(np.radians(deg) * up)[0], float)
    rotation = camera.rotation @ turn.T
    place = about_mm + turn @ (camera.position_mm - about_mm)
    parameters = camera.parameters.copy()
    parameters[COMMON : COMMON + 3] = cv2.Rodrigues(rotation)[0].ravel()
    parameters[COMMON + 3 : COMMON + POSE] = -rotation @ place
    return camera.with_parameters(parameters)


def _seen_by(camera: PosedCamera) -> SheetInPhoto:
    """The sheet as it would be seen there."""
    sheet = camera.sheets[0]
    return replace(sheet, corner_px=camera.project(sheet.corner_mm))
