"""The least-squares problem of several views, held against its description written down anew, and its small parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.common_lens import spread_deg
from calibration.print_scale import UNCHECKED, PrintScale, agreed_prints, scale_from_bar
from tests.vision.arm.made_up import camera, evidence, joints, sheet_from_body
from vision.arm import priors
from vision.arm.depth import ArmDepths
from vision.arm.estimator import ArmProblem, Sighting
from vision.arm.priors import JOINTS
from vision.arm.sway import SWAY, swayed
from vision.arm.views import less_believed, mean_depths
from vision.arm.views_problem import OneView, ViewsProblem

Array = np.ndarray
UNITS = 7
"""Independent errors that the made-up cameras share."""


def problem(outward: float = 1.0, quarters: int = 0, hands: tuple[float | None, ...] = (61.0, None, 55.0)):
    """Three views of a leaning arm, each landmark as sure as no other, cameras with errors in common."""
    rng = np.random.default_rng(11)
    points = joints(5.0, outward, 2.0, priors.FLOATING.depth)
    views = []
    for number, hand_px in enumerate(hands):
        place = ((250.0 + 300.0 * (number - 1)) * outward, 40.0 * number)
        view = camera(1800.0 + 90.0 * number, place, quarters)
        lean_deg = (1.0, None, 4.0)[number]
        given = evidence(points, outward, 5.0, view, quarters, trunk_lean_deg=lean_deg, hand_px=hand_px, age_years=9.0)
        sightings = {
            name: Sighting(
                one.px + rng.normal(0, 4.0, 2), rng.normal(0, 0.2, (2, 2)) + 0.2 * np.eye(2), f"{name} point"
            )
            for name, one in given.sightings.items()
        }
        # pixels, shares of the lens, radians and millimetres
        scale = np.array([4.0, 2.0, 2.0, 3e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1e-3, 1.5, 1.5, 3.0])
        root = scale[:, None] * rng.normal(0, 1.0, (12, UNITS))
        views.append(OneView(replace(given, sightings=sightings), root))
    return ViewsProblem(views, priors.FLOATING), points


def placed(of: ViewsProblem, where: dict[int, tuple[str, ...]]) -> ViewsProblem:
    """The same with some landmarks placed by a person, by the number of the view."""
    views = []
    for number, view in enumerate(of.views):
        sightings = {
            name: replace(one, by_hand=True, cause=f"{name} by hand") if name in where.get(number, ()) else one
            for name, one in view.evidence.sightings.items()
        }
        views.append(replace(view, evidence=replace(view.evidence, sightings=sightings)))
    return ViewsProblem(views, of.stance)


def somewhere(of: ViewsProblem, points: Array, seed: int = 2) -> Array:
    """Unknowns (U,) about an arm, every one of them away from nought."""
    rng = np.random.default_rng(seed)
    size = UNITS + 15 + 3 * len(of.placed_at) + 10 * len(of.views)
    return np.concatenate([rng.normal(0, 0.7, size), (points + rng.normal(0, 6.0, (5, 3))).ravel(), [1.3]])


def joints_in_view(points: Array, unit: Array) -> Array:
    """Five joints after a floating arm's sway (8, 4, 8 mm; 3 mm; 1.2, 1.2, 0.6, 0.6 degrees), by cross products."""
    trunk, neck = unit[:3] * [8.0, 4.0, 8.0], unit[3:6] * 3.0
    arm = np.array([0.0, *np.radians(1.2) * unit[6:8]])
    fore = arm + np.array([0.0, *np.radians(0.6) * unit[8:10]])
    moved = [points[0] + trunk + neck, points[1] + trunk]
    for number, turn in ((2, arm), (3, fore), (4, fore)):
        step = points[number] - points[number - 1]
        moved.append(moved[-1] + step + np.cross(turn, step))
    return np.array(moved)


def described(of: ViewsProblem, x: Array) -> tuple[Array, list[Array], float | None]:
    """All landmarks' rows (V, 10), each view's ten of sway, and the hand's row; the module's words as formulas."""
    points = x[-16:-1].reshape(5, 3)
    hands = sorted({JOINTS.index(name) for one in of.views for name in JOINTS if one.evidence.sightings[name].by_hand})
    networks = x[UNITS : UNITS + 15].reshape(5, 3)
    by_hand = dict(zip(hands, x[UNITS + 15 : UNITS + 15 + 3 * len(hands)].reshape(-1, 3), strict=True))
    sways = x[UNITS + 15 + 3 * len(hands) : -16].reshape(-1, 10)
    landmarks, sizes = [], []
    for one, unit in zip(of.views, sways, strict=True):
        seen = one.evidence
        # what a person errs by in common is apart from what the network does
        common = [by_hand[n] if seen.sightings[name].by_hand else networks[n] for n, name in enumerate(JOINTS)]
        parameters = seen.camera.parameters.copy()
        parameters[:12] += one.root @ x[:UNITS]
        view, turn = seen.camera.with_parameters(parameters), seen.body_to_sheet
        body = joints_in_view(points, unit)
        rows = []
        for number, name in enumerate(JOINTS):
            # of the variance 0.7 is common, and the place marked is 8 mm off in depth
            px = view.project((body[number] + [0.0, 0.0, 8.0 * common[number][2]]) @ turn.T)[0]
            off = seen.sightings[name].whitening @ (px - seen.sightings[name].px)
            rows.append((off + np.sqrt(0.7) * common[number][:2]) / np.sqrt(0.3))
        landmarks.append(np.concatenate(rows))
        if seen.hand_px is not None:
            two = view.project(np.array([body[4], body[4] + [0.0, 10.0, 0.0]]) @ turn.T)
            sizes.append(np.log(seen.hand_px * 10.0 / np.linalg.norm(two[1] - two[0])))
    straight = np.linalg.norm(np.diff(points[1:], axis=0), axis=1).sum()
    hand = (np.mean(sizes) - np.log(straight) - np.log(0.161)) / 0.15 if sizes else None
    return np.array(landmarks), list(sways), hand


def of_body(of: ViewsProblem, x: Array, lean_deg: float | None) -> Array:
    """The rows of the body, as one photo has them (`tests.vision.arm.test_reference`)."""
    seen = replace(of.views[0].evidence, trunk_lean_deg=lean_deg, hand_px=None)
    return ArmProblem(seen, of.stance).rows(np.concatenate([np.zeros(12), x[-16:]]))[22:]


CASES = [(1.0, 0, (61.0, None, 55.0)), (-1.0, 1, (None, 58.0, 57.0)), (1.0, 3, (None, None, None))]


@pytest.mark.parametrize(("outward", "quarters", "hands"), CASES)
def test_rows_are_those_of_the_description(outward, quarters, hands):
    of, points = problem(outward, quarters, hands)
    assert np.array_equal(of.views[0].evidence.body_to_sheet, sheet_from_body(quarters))
    x = somewhere(of, points)
    landmarks, sways, hand = described(of, x)
    # on the mean the two views that tell the trunk's lean say 2.5 degrees
    parts = [x[:-16], landmarks.ravel(), [] if hand is None else [hand], of_body(of, x, 2.5)]
    np.testing.assert_allclose(of.rows(x), np.concatenate(parts), rtol=1e-7, atol=1e-7)
    own = [(rows**2).sum() + (sway**2).sum() for rows, sway in zip(landmarks, sways, strict=True)]
    np.testing.assert_allclose(of.misfits(x), own, rtol=1e-7)
    assert of.weighed(x) == 0.0  # no landmark is believed less for being far off
    assert of.rows(x)[UNITS + 45 : UNITS + 75] == pytest.approx(landmarks.ravel(), rel=1e-7)


PLACED = {0: ("neck", "palm"), 2: ("palm",)}


def test_points_placed_by_a_person_err_apart_from_the_others():
    of, points = problem()
    of = placed(of, PLACED)
    x = somewhere(of, points)
    landmarks, sways, hand = described(of, x)
    assert hand is not None
    np.testing.assert_allclose(
        of.rows(x), np.concatenate([x[:-16], landmarks.ravel(), [hand], of_body(of, x, 2.5)]), rtol=1e-7, atol=1e-7
    )
    own = [(rows**2).sum() + (sway**2).sum() for rows, sway in zip(landmarks, sways, strict=True)]
    np.testing.assert_allclose(of.misfits(x), own, rtol=1e-7)
    numeric = np.column_stack([(of.rows(x + h) - of.rows(x - h)) / 2e-4 for h in 1e-4 * np.eye(len(x) - 16, len(x))])
    np.testing.assert_allclose(of.jacobian(x)[:, :-16], numeric, atol=1e-5)
    causes = of.causes()
    assert len(causes) == len(of.rows(x))
    # common to the network's, common to the person's; two rows in each view where it was placed, the others' stay
    assert causes[UNITS : UNITS + 15] == [f"{name} point" for name in JOINTS for _ in range(3)]
    assert causes[UNITS + 15 : UNITS + 21] == 3 * ["neck by hand"] + 3 * ["palm by hand"]
    assert (causes.count("neck by hand"), causes.count("palm by hand")) == (3 + 2, 3 + 4)
    assert (causes.count("neck point"), causes.count("palm point")) == (3 + 4, 3 + 2)


@pytest.mark.parametrize("off", [1.0, 6.0])
def test_the_network_is_believed_as_far_as_a_person_bears_it_out(off):
    """Placed `off` deviations away in one view: within the normal core it keeps its weight, beyond it loses it."""
    of, _ = problem()
    seen = [view.evidence for view in of.views]
    neck = seen[1].sightings["neck"]
    away = np.linalg.solve(neck.whitening, [off, 0.0])
    there = replace(seen[1], sightings=seen[1].sightings | {"neck": Sighting.isotropic(neck.px + away, 2.0, "", True)})
    found = less_believed(seen, [seen[0], there, seen[2]])
    assert found[1].sightings["neck"] is there.sightings["neck"]
    # four degrees of freedom, and a core of six (chi-square, two degrees of freedom, 95 %)
    belief = 1.0 if off**2 < 6 else 10 / (4 + off**2)
    for number in (0, 2):
        after, before = found[number].sightings, seen[number].sightings
        np.testing.assert_allclose(after["neck"].whitening, belief * before["neck"].whitening)
        assert all(np.array_equal(after[name].whitening, before[name].whitening) for name in JOINTS if name != "neck")


@pytest.mark.parametrize(("outward", "quarters", "hands"), CASES)
def test_slopes_are_those_of_differences(outward, quarters, hands):
    of, points = problem(outward, quarters, hands)
    x = somewhere(of, points, 5)
    slopes = of.jacobian(x)
    assert slopes.shape == (len(of.causes()), len(x))
    steps = np.where(np.arange(len(x)) < len(x) - 16, 1e-4, 1e-3)
    numeric = np.column_stack([(of.rows(x + h) - of.rows(x - h)) / (2 * h.sum()) for h in np.diag(steps)])
    # central differences; those of the body's rows are forward ones in the code, of 0.001 mm
    off = np.abs(slopes - numeric) / (np.abs(numeric) + 1e-2 * np.abs(numeric).max(axis=0))
    assert off.max() < 1e-4, np.unravel_index(off.argmax(), off.shape)


def test_every_row_has_its_cause():
    of, points = problem()
    own = [f"{name} point" for _ in range(3) for name in JOINTS for _ in range(2)]
    assert of.causes() == [
        "focal length",
        *(UNITS - 1) * ["sheet corners and lens"],
        *[f"{name} point" for name in JOINTS for _ in range(3)],
        *30 * ["sway between the photos"],
        *own,
        "hand size",
        "depth of the neck",
        *4 * ["depth of the arm and palm"],
        *5 * ["arm proportions"],
        "age and stature as stated",
        "trunk lean",
        "trunk lean",
    ]
    assert len(of.rows(somewhere(of, points))) == len(of.causes())
    unseen, _ = problem(hands=(None, None, None))
    assert "hand size" not in unseen.causes()
    first = replace(of.views[0], evidence=replace(of.views[0].evidence, trunk_lean_deg=None))
    no_lean = ViewsProblem([first, of.views[1]], priors.FLOATING)
    assert no_lean.causes().count("trunk lean") == 1


def test_it_starts_where_the_views_see_each_point_on_the_mean():
    """At the stance's usual depths of an arm that is told three times from what is seen of it."""
    of, _ = problem(-1.0, 1)
    straight, turn = 415.0, of.views[0].evidence.body_to_sheet
    for _ in range(3):
        each = []
        for one in of.views:
            px = np.array([one.evidence.sightings[name].px for name in JOINTS])
            each.append(one.evidence.camera.to_plane(px, straight * priors.FLOATING.depth) @ turn)
        points = sum(each) / 3
        straight = np.linalg.norm(np.diff(points[1:], axis=0), axis=1).sum()
    start = of.start()
    assert len(start) == UNITS + 15 + 30 + 16
    np.testing.assert_allclose(start[-16:-1].reshape(5, 3), points, atol=1e-9)
    assert not start[:-16].any()
    assert start[-1] == 0.0


def test_joints_sway_as_described_and_slopes_are_those_of_differences():
    points = joints(-3.0, depth=priors.FLOATING.depth) + np.array([-150.0, -260.0, 0.0])
    unit = np.random.default_rng(1).normal(size=10)
    sway = SWAY["floating"].deviations * unit
    moved, by_points, by_sway = swayed(points, sway)
    np.testing.assert_allclose(moved, joints_in_view(points, unit), atol=1e-9)
    # lengths stay, but for the square of small turns
    before, after = (np.linalg.norm(np.diff(each[1:], axis=0), axis=1) for each in (points, moved))
    np.testing.assert_allclose(after, before, rtol=2e-3)
    # it is linear in either: differences of any size are the slopes
    for column, step in enumerate(np.eye(15)):
        other = swayed(points + step.reshape(5, 3), sway)[0] - moved
        np.testing.assert_allclose(by_points.reshape(5, 3, 15)[:, :, column], other, atol=1e-9)
    for column, step in enumerate(np.eye(10)):
        np.testing.assert_allclose(by_sway[:, :, column], swayed(points, sway + step)[0] - moved, atol=1e-9)


@pytest.mark.parametrize(
    ("stance", "from_wall_mm"),
    # 3 mm at a shoulder whose hand touches the wall, 8 mm at one before it; at the palm turns of the arm are added
    [("wall", (3.0, 4.78)), ("floating", (8.0, 12.81)), ("reaching", (8.0, 12.81))],
)
def test_joints_sway_by_what_is_stated(stance, from_wall_mm):
    """An arm of 450 mm: 9 mm at the shoulder and 14 at the palm along the wall, less from it where the hand touches it.

    By hand for upper arm 250, forearm 140 and palm 60 mm: 1.2 degrees of 450 mm and 0.6 of 200 are 9.42 and 2.09 mm.
    """
    x = np.array([-80.0, 0.0, 250.0, 390.0, 450.0])
    points = np.column_stack([x, [77.0, 0.0, 0.0, 0.0, 0.0], np.zeros(5)])
    by_unit = swayed(points, np.zeros(10))[2] * SWAY[stance].deviations
    spread = np.sqrt((by_unit**2).sum(axis=2))
    assert spread[1] == pytest.approx([8.0, 4.0, from_wall_mm[0]])
    assert spread[0] == pytest.approx(np.hypot(spread[1], 3.0))
    up = np.sqrt(4.0**2 + np.radians(1.2) ** 2 * x[2:] ** 2 + np.radians(0.6) ** 2 * (x[2:] - 250.0) ** 2)
    assert spread[2:, 0] == pytest.approx([8.0, 8.0, 8.0])
    assert spread[2:, 1] == pytest.approx(up)
    assert np.hypot(*spread[4, :2]) == pytest.approx(13.2, abs=0.1)
    forwards, bend = np.radians((0.4, 0.3) if stance == "wall" else (1.2, 0.6))
    assert spread[4, 2] == pytest.approx(np.sqrt(from_wall_mm[0] ** 2 + (forwards * 450) ** 2 + (bend * 200) ** 2))


def test_the_angle_between_lines_of_sight():
    places = [np.array([0.0, 0.0, 1000.0]), np.array([1000.0, 0.0, 1000.0]), np.array([500.0, 0.0, 1000.0])]
    assert spread_deg(places, np.zeros(3)) == pytest.approx(45.0)
    # seen from a point aside: (-300, -400, 1200) and (700, -400, 1200) of lengths 1300 and 1446
    expected = np.degrees(
        np.arccos((-300 * 700 + 400**2 + (1200) ** 2) / (1300.0 * np.sqrt(700**2 + 400**2 + 1200**2)))
    )
    assert spread_deg(places[:2], np.array([300.0, 400.0, -200.0])) == pytest.approx(expected)
    assert spread_deg(places[:1] * 2, np.zeros(3)) == pytest.approx(0.0, abs=1e-5)


def test_the_network_s_word_counts_once():
    one = ArmDepths(np.array([0.7, 0.2, 0.1]), np.ones((3, 5)), 0.5 * np.ones((3, 5, 5)), 1.0, 2.0)
    other = replace(one, stance=np.array([0.1, 0.2, 0.7]), steps=3 * np.ones((3, 5)), bend_deg=3.0, forward_deg=9.0)
    both = mean_depths([one, other])
    np.testing.assert_allclose(both.stance, np.sqrt([0.07, 0.04, 0.07]) / np.sqrt([0.07, 0.04, 0.07]).sum())
    np.testing.assert_allclose(both.steps, 2.0)
    np.testing.assert_allclose(both.covariance, 0.5)
    np.testing.assert_allclose(mean_depths([one, one, one]).covariance, one.covariance)
    # angles are the middle ones, and each its own
    third = mean_depths([one, other, replace(one, bend_deg=30.0, forward_deg=1.5)])
    assert (third.bend_deg, third.forward_deg) == (3.0, 2.0)
    likely = replace(one, stance=np.array([0.9, 0.05, 0.05]))
    np.testing.assert_allclose(mean_depths([likely, likely]).stance, likely.stance)


def test_a_ruler_decides_the_print():
    bar, paper = scale_from_bar(145.0), UNCHECKED
    assert agreed_prints([{"a": paper}, {"a": bar}, {"a": paper, "b": paper}]) == {"a": bar, "b": paper}


def test_doubt_comes_before_true_size_and_the_surer_word_before_the_other():
    sure, less = PrintScale(1.0, 0.002), PrintScale(1.0, 0.004)
    doubted = PrintScale(0.97, 0.02, suspected=True)
    for order in ([sure, less, doubted], [doubted, less, sure]):
        assert agreed_prints([{"a": each} for each in order]) == {"a": doubted}
    assert agreed_prints([{"a": less}, {"a": sure}]) == agreed_prints([{"a": sure}, {"a": less}]) == {"a": sure}
    first, second = PrintScale(1.0, 0.004), PrintScale(0.99, 0.004)
    assert agreed_prints([{"a": first}, {"a": second}]) == {"a": first}
