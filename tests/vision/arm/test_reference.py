"""The solver held against its description, written down anew: another optimiser, other derivatives, plain formulas."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from calibration import anthropometry
from tests.vision.arm.made_up import evidence, sheet_from_body, solve, usual_joints
from vision.arm import priors as priors
from vision.arm.build import NOTHING_STATED
from vision.arm.estimator import Evidence
from vision.arm.priors import JOINTS, Stance

CAMERA = 12
"""Unknowns of the camera: lens, print and one pose."""


def rows(x: np.ndarray, seen: Evidence, stance: Stance) -> dict[str, np.ndarray]:
    """Everything that is known, each divided by its standard deviation, by cause; the module's words as formulas."""
    covariance = seen.camera.covariance
    view = seen.camera.with_parameters(seen.camera.parameters + np.linalg.cholesky(covariance) @ x[:CAMERA])
    neck, shoulder, elbow, wrist, palm = points = x[CAMERA:-1].reshape(5, 3)
    lean_deg = x[-1]
    upper, fore, hand = (np.sqrt(((b - a) ** 2).sum()) for a, b in ((shoulder, elbow), (elbow, wrist), (wrist, palm)))
    straight = upper + fore + hand
    px = view.project(points @ seen.body_to_sheet.T)
    known = {"focal length": x[:1], "sheet corners and lens": x[1:CAMERA]}
    for name, at in zip(JOINTS, px, strict=True):
        known[seen.sightings[name].cause] = seen.sightings[name].whitening @ (at - seen.sightings[name].px)
    depth = np.linalg.solve(np.linalg.cholesky(stance.depth_covariance), points[:, 2] / straight - stance.depth)
    known["depth of the neck"], known["depth of the arm and palm"] = depth[:1], depth[1:]
    inwards, up = neck_from_shoulder(neck, shoulder, seen.outward, lean_deg)
    (usual_in, spread_in), (usual_up, spread_up) = priors.NECK_OFFSET
    known["arm proportions"] = np.array(
        [
            (np.log(upper) - np.log(fore) - priors.UPPER_TO_FOREARM[0]) / priors.UPPER_TO_FOREARM[1],
            (np.log(hand) - np.log(fore) - priors.PALM_TO_FOREARM[0]) / priors.PALM_TO_FOREARM[1],
            (inwards / straight - usual_in) / spread_in,
            (up / straight - usual_up) / spread_up,
            (np.log(straight) - np.log(priors.STRAIGHT_ARM_MM[0])) / priors.STRAIGHT_ARM_MM[1],
        ]
    )
    if seen.hand_px is not None:
        away_mm = (view.rotation @ (seen.body_to_sheet @ palm) + view.translation_mm)[2]
        hand_mm = seen.hand_px * away_mm / view.focal_px  # the camera looks straight at the wall
        known["hand size"] = np.atleast_1d((np.log(hand_mm / straight) - priors.HAND_SIZE[0]) / priors.HAND_SIZE[1])
    if seen.build != NOTHING_STATED:
        share = anthropometry.arm_share(seen.build.age_years or 8.0)
        height = seen.build.stature_mm or anthropometry.median_height_mm(seen.build.age_years)
        spread = anthropometry.SHARE_CV
        if seen.build.stature_mm is None:
            spread = np.sqrt(spread**2 + anthropometry.height_cv(seen.build.age_years) ** 2)
        arm = as_defined(points, seen.outward, lean_deg)
        known["age and stature as stated"] = np.atleast_1d(np.log(arm / (share * height)) / spread)
    leans = [lean_deg / priors.TORSO_ROLL_DEG]
    if seen.trunk_lean_deg is not None:
        leans.append((lean_deg - seen.trunk_lean_deg) / priors.TRUNK_AXIS[1])
    known["trunk lean"] = np.array(leans)
    return known


def neck_from_shoulder(neck, shoulder, outward, lean_deg) -> tuple[float, float]:
    """Inwards of and above the shoulder along the axes of a trunk that leans away from the arm by `lean_deg`."""
    angle = np.radians(lean_deg)
    across, rise = (neck - shoulder)[:2] * [-outward, 1.0]
    return across * np.cos(angle) - rise * np.sin(angle), across * np.sin(angle) + rise * np.cos(angle)


def as_defined(points, outward, lean_deg, straight=None) -> float:
    """The arm length by Pythagoras: from the neck point to the end of the arm held straight out."""
    whole = sum(np.linalg.norm(points[i + 1] - points[i]) for i in (1, 2, 3))
    inwards, up = neck_from_shoulder(points[0], points[1], outward, lean_deg)
    reach = np.sqrt((inwards + (whole if straight is None else straight)) ** 2 + up**2)
    return reach + (priors.DEFINITION_OFFSET * whole if straight is None else 0.0)


def lengths(x: np.ndarray, outward: float) -> np.ndarray:
    points, lean_deg = x[CAMERA:-1].reshape(5, 3), x[-1]
    steps = np.linalg.norm(np.diff(points[1:], axis=0), axis=1)
    to_wrist = as_defined(points, outward, lean_deg, steps[0] + steps[1])
    return np.array([as_defined(points, outward, lean_deg), to_wrist, steps.sum()])


NAMES = ("arm_length", "neck_to_wrist", "shoulder_to_palm")


def slopes(of, x: np.ndarray) -> np.ndarray:
    """Derivatives by central differences, one column an unknown."""
    steps = np.concatenate([np.full(CAMERA, 1e-4), np.full(15, 1e-3), [1e-3]])
    return np.stack([(of(x + h) - of(x - h)) / (2 * h.sum()) for h in np.diag(steps)], axis=-1)


def reference(seen: Evidence, stance: Stance, start: np.ndarray):
    """Most probable unknowns, log evidence, lengths, and each cause's standard deviation in them."""

    def stacked(x):
        return np.concatenate(list(rows(x, seen, stance).values()))

    unit = np.concatenate([np.ones(CAMERA), np.full(15, 10.0), [1.0]])
    best = minimize(
        lambda u: 0.5 * (stacked(u * unit) ** 2).sum(),
        start / unit,
        jac=lambda u: stacked(u * unit) @ slopes(stacked, u * unit) * unit,
        method="BFGS",
        options={"gtol": 1e-5},
    )
    x = best.x * unit
    information = slopes(stacked, x).T @ slopes(stacked, x)
    log_evidence = (
        -best.fun - 0.5 * np.linalg.slogdet(information)[1] - 0.5 * np.linalg.slogdet(stance.depth_covariance)[1]
    )
    reply = slopes(lambda at: lengths(at, seen.outward), x) @ np.linalg.inv(information)
    budget = {
        cause: np.linalg.norm(reply @ slopes(lambda at, cause=cause: rows(at, seen, stance)[cause], x).T, axis=1)
        for cause in rows(x, seen, stance)
    }
    return x, log_evidence, lengths(x, seen.outward), budget


FAMILY = {"age_years": 8.5, "stature_mm": 1290.0}
CASES = {
    "plain": {},
    "hand": {"hand_px": 62.0},
    "lean": {"trunk_lean_deg": 1.7},
    "age": {"age_years": 6.5},
    "stature": {"stature_mm": 1250.0},
    "everything": {"hand_px": 60.0, "trunk_lean_deg": -1.2, **FAMILY},
}


def noisy(outward: float, quarters: int, stance: Stance, **more) -> tuple[Evidence, np.ndarray]:
    """An arm whose landmarks are off by some px, and what the solver may start from."""
    points = usual_joints(outward, stance.depth)
    seen = evidence(points, outward, deviation_px=5.0, quarters=quarters, **more)
    generator = np.random.default_rng(3)
    for name, sighting in seen.sightings.items():
        sighting.px[:] += generator.normal(0.0, 5.0, 2)
        if name == "elbow":
            sighting.whitening[:] = [[0.15, 0.05], [-0.1, 0.3]]
    return seen, np.concatenate([np.zeros(CAMERA), points.ravel(), [0.0]])


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
@pytest.mark.parametrize(
    ("stance", "outward", "quarters"),
    [(priors.WALL, 1.0, 0), (priors.FLOATING, -1.0, 1), (priors.REACHING, 1.0, 3)],
    ids=lambda value: getattr(value, "name", None),
)
def test_solution_is_that_of_the_description(stance, outward, quarters, case):
    seen, start = noisy(outward, quarters, stance, **case)
    assert np.array_equal(seen.body_to_sheet, sheet_from_body(quarters))
    found = solve(seen, stance)
    x, _, values, budget = reference(seen, stance, start)
    # both stop when steps are small: 0.02 mm is a two-hundredth of the standard uncertainty
    assert found.points_mm == pytest.approx(x[CAMERA:-1].reshape(5, 3), abs=0.05)
    for name, value, row in zip(NAMES, values, range(3), strict=True):
        got, causes = found.lengths[name]
        assert got == pytest.approx(value, abs=0.02)
        assert causes == {cause: pytest.approx(parts[row], rel=0.01, abs=2e-3) for cause, parts in budget.items()}


@pytest.mark.parametrize("case", ["plain", "everything"])
def test_evidence_between_stances_is_that_of_the_description(case):
    seen, start = noisy(1.0, 0, priors.FLOATING, **CASES[case])
    found = [solve(seen, stance).log_evidence for stance in priors.STANCES]
    expected = [reference(seen, stance, start)[1] for stance in priors.STANCES]
    assert np.subtract(found, found[0]) == pytest.approx(np.subtract(expected, expected[0]), abs=0.01)


def test_further_sheets_have_done_their_part_once_the_camera_is_solved():
    seen, _ = noisy(1.0, 0, priors.WALL)
    one = seen.camera
    root = np.eye(18)
    root[:12, :12] = one.covariance_root
    two = replace(
        one,
        sheets=one.sheets * 2,
        parameters=np.concatenate([one.parameters, one.parameters[6:] + np.array([0, 0, 0, 300.0, 0, 0])]),
        covariance_root=root,
    )
    alone, beside = (solve(replace(seen, camera=camera), priors.WALL) for camera in (one, two))
    assert beside.points_mm == pytest.approx(alone.points_mm)
    assert beside.lengths["arm_length"][1] == pytest.approx(alone.lengths["arm_length"][1])


def widened(stance: Stance, factor: float) -> Stance:
    return Stance(
        stance.name, stance.depth, factor**2 * stance.depth_covariance, stance.step, factor * stance.step_deviation
    )


def test_what_the_photo_does_not_tell_cannot_speak_for_a_stance():
    """Occam: of two stances with the same means, width alone decides nothing where the photo does not tell the depth.

    The wide one fits no better, and spends as much on what is not seen as it gains (MacKay 2003, ch. 28).
    """
    narrow, wide = (
        solve(evidence(usual_joints(1.0, priors.WALL.depth), deviation_px=50.0), stance).log_evidence
        for stance in (priors.WALL, widened(priors.WALL, 3.0))
    )
    # five depths, three times as wide: without either of the two determinants this would be 5 log 3 = 5.5
    assert narrow - wide == pytest.approx(0.0, abs=0.7)
