"""The instrument's fit held against its description, written down anew: where it stops, and how sure it then is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.instrument.made_up import camera, instrument, view_of
from vision.instrument.evidence import Edges, Setting, Tip, View, shared_errors
from vision.instrument.fit import Fit, fit, settle
from vision.instrument.model import (
    BODY_UNKNOWNS,
    DEPTH,
    LENGTH,
    LOW,
    NECK,
    ROLL,
    SCROLL,
    SHAPE,
    TOTAL,
    WIDTH,
    outward_normals,
    pose_of,
)
from vision.instrument.resting import resting_covariance_mm2
from vision.instrument.rounding import seen_of_edge, seen_of_end
from vision.instrument.shape import MODES, outline_prior

ROBUST = 4.0
SETTING = Setting(table_mm=-3.0, table_spread_mm=1.5, heights_factor=1.7, edge_shift_mm=0.2)


def shift_of(view_number: int, setting) -> int:
    """Column of a photo's edge shift; the one that all share, if any, comes before."""
    return BODY_UNKNOWNS + bool(setting.shared_shift) + view_number


def errors_of(view_number: int, views, setting, roots) -> list[int]:
    """Columns of the errors that a photo's camera depends on; they follow the shifts."""
    start = shift_of(len(views), setting)
    if roots is not None:
        return list(range(start, start + roots[0].shape[1]))
    start += sum(len(view.camera.parameters) for view in views[:view_number])
    return list(range(start, start + len(views[view_number].camera.parameters)))


def seen_by(x, number, views, setting, roots):
    """Camera and pose of a photo at the unknowns `x`."""
    camera_before = views[number].camera
    root = camera_before.covariance_root if roots is None else roots[number]
    errors = x[errors_of(number, views, setting, roots)]
    shift = x[shift_of(number, setting)] + (x[BODY_UNKNOWNS] if setting.shared_shift else 0.0)
    now = camera_before.with_parameters(camera_before.parameters + root @ errors)
    return now, pose_of(x[:BODY_UNKNOWNS], setting.table_mm, shift)


def edge_residuals(x, views, setting, roots=None) -> np.ndarray:
    """How far each edge lies off the model along its normal, in standard uncertainties."""
    off = []
    flat = outward_normals(x[LENGTH] * outline_prior().closed(x[SHAPE], x[WIDTH]))
    for number, view in enumerate(views):
        camera_now, pose = seen_by(x, number, views, setting, roots)
        outward = flat[:, :1] * pose.across + flat[:, 1:] * pose.along
        for back, node, point, normal, sigma in zip(
            view.edges.back,
            view.edges.node,
            view.edges.point_px,
            view.edges.normal_px,
            view.edges.sigma_px,
            strict=True,
        ):
            line = (pose.back if back else pose.top)[[node]]
            seen = line + seen_of_edge(line, outward[[node]], pose.up, camera_now.position_mm, x[LENGTH])
            off.append((camera_now.project(seen)[0] - point) @ normal / sigma)
    return np.array(off)


def tip_residuals(x, views, setting, roots=None) -> np.ndarray:
    off = []
    for number, view in enumerate(views):
        camera_now, pose = seen_by(x, number, views, setting, roots)
        for tip in view.tips:
            end = getattr(pose, tip.what)
            end = end + seen_of_end(tip.what, end, pose, camera_now.position_mm, x[LENGTH])
            place = camera_now.project(end[None])[0]
            off.append((place - tip.point_px) @ tip.direction_px / tip.sigma_px)
    return np.array(off)


def believed(length_mm, views, setting, roots=None) -> dict[str, tuple[list[int], np.ndarray, np.ndarray]]:
    """What is known beforehand: columns, means and covariance, by the words of the budget."""
    heights = setting.heights_factor**2 * resting_covariance_mm2(length_mm) + setting.table_spread_mm**2
    known = {
        "height above the table": ([LOW, NECK, SCROLL], np.zeros(3), heights),
        # widths differ by 3.5 % about the outline's proportions; modes have unit variance
        "shape of the hidden outline": (
            [WIDTH, *range(SHAPE.start, SHAPE.stop)],
            np.array([1.0] + [0.0] * MODES),
            np.diag([0.035**2] + [1.0] * MODES),
        ),
        "sideways tilt": ([ROLL], np.zeros(1), np.array([[np.radians(0.5) ** 2]])),
        "height of the ribs": ([DEPTH], np.zeros(1), np.array([[1.2**2]])),
        "usual proportion": ([TOTAL], np.array([1.67 * length_mm]), np.array([[(0.12 * length_mm) ** 2]])),
    }
    common = setting.shared_shift
    if common:
        known["light along the edge"] = ([BODY_UNKNOWNS], np.zeros(1), np.array([[common * setting.edge_shift_mm**2]]))
    for number in range(len(views)):
        suffix = "" if number == 0 else f", photo {number + 1}"
        own = f", photo {number + 1}" if common else suffix
        variance = np.array([[(1 - common) * setting.edge_shift_mm**2]])
        known[f"light along the edge{own}"] = ([shift_of(number, setting)], np.zeros(1), variance)
        columns = errors_of(number, views, setting, roots)
        if columns and (roots is None or number == 0):
            known[f"camera and sheet{suffix}"] = (columns, np.zeros(len(columns)), np.eye(len(columns)))
    return known


def derivatives(of, x, columns) -> np.ndarray:
    """Central differences, one column an unknown."""
    out = np.zeros((len(of(x)), len(x)))
    for column in columns:
        step = np.zeros(len(x))
        step[column] = 1e-5 if x[column] == 0 or abs(x[column]) < 2 else 1e-3
        out[:, column] = (of(x + step) - of(x - step)) / (2 * step[column])
    return out


def settled(views, setting, roots=None) -> Fit:
    """Fitted from where the fit stopped before, because it stops when the ends move by less than 0.01 mm."""
    found = fit(instrument(), views, setting, robust=ROBUST, rounds=40, roots=roots)
    for _ in range(3):
        found = fit(found.unknowns[:BODY_UNKNOWNS], views, setting, robust=ROBUST, rounds=40, roots=roots)
    return found


def check(found: Fit, views, setting, robust=ROBUST, left=0.02, roots=None) -> None:
    """The gradient vanishes where the fit stopped, and covariance and shares are those of the normal equations."""
    x = found.unknowns
    every = range(len(x))
    edges, tips = edge_residuals(x, views, setting, roots), tip_residuals(x, views, setting, roots)
    edge_slopes = derivatives(lambda at: edge_residuals(at, views, setting, roots), x, every)
    tip_slopes = derivatives(lambda at: tip_residuals(at, views, setting, roots), x, every)
    # Geman and McClure: half the sum of r^2 / (1 + r^2 / c^2), whose slope is r / (1 + r^2 / c^2)^2
    pull = edges / (1 + (edges / robust) ** 2) ** 2 @ edge_slopes + tips @ tip_slopes
    known = believed(x[LENGTH], views, setting, roots)
    information = np.zeros((len(x), len(x)))
    for columns, mean, covariance in known.values():
        inverse = np.linalg.inv(covariance)
        pull[columns] += inverse @ (x[columns] - mean)
        information[np.ix_(columns, columns)] += inverse
    weight = np.concatenate(found.weight)
    assert weight == pytest.approx(1 / (1 + (edges / robust) ** 2) ** 2, abs=0.02)
    seen = edge_slopes.T @ (weight[:, None] * edge_slopes) + tip_slopes.T @ tip_slopes
    fixed = [column for name, (columns, *_) in known.items() if name.startswith("camera") for column in columns]
    fixed = fixed if len(views) == 1 else []
    free = [column for column in every if column not in fixed]
    inner = np.zeros((len(x), len(x)))
    inner[np.ix_(free, free)] = np.linalg.inv((seen + information)[np.ix_(free, free)])
    # the step that is left, in standard deviations
    assert np.sqrt(pull[free] @ inner[np.ix_(free, free)] @ pull[free]) < left
    parts = {
        "where the edge is seen": inner @ (edge_slopes.T * weight) @ edge_slopes @ inner,
        "where the ends are seen": inner @ tip_slopes.T @ tip_slopes @ inner,
    }
    for name, (columns, _, covariance) in known.items():
        if set(columns) & set(fixed):
            # a known camera acts through how the fit follows it, and on its own unknowns directly
            follows = -inner @ seen[:, columns]
            follows[columns] += np.eye(len(columns))
            parts[name] = follows @ covariance @ follows.T
        else:
            parts[name] = inner[:, columns] @ np.linalg.inv(covariance) @ inner[columns]
    assert found.shares.keys() == parts.keys()
    spread = np.sqrt(np.diag(sum(parts.values())))
    for name, part in parts.items():
        share = found.shares[name] @ found.shares[name].T
        # the fit leaves out how the rounding of edges and scroll turns with the pose
        assert share / np.outer(spread, spread) == pytest.approx(part / np.outer(spread, spread), abs=2.5e-2), name
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(spread, rel=4e-3)


def thinned(view: View) -> View:
    """Every sixth edge, with uncertainties of their own, and the lower end set by hand."""
    keep = np.zeros(len(view.edges.node), dtype=bool)
    keep[::6] = True
    edges = view.edges.where(keep)
    sigma = edges.sigma_px * (1.0 + 0.5 * np.sin(np.arange(len(edges.node))))
    tip = Tip("body_bottom", view.tips[0].point_px + np.array([0.0, 400.0]), np.array([0.0, 1.0]), 300.0)
    return View(view.camera, Edges(edges.back, edges.node, edges.point_px, edges.normal_px, sigma), (*view.tips, tip))


TRUTH = instrument(LOW=1.0, NECK=-1.0, DEPTH=0.8, ROLL=0.004)


def views_of(*tilts, fixed=False) -> list[View]:
    rng = np.random.default_rng(4)
    return [thinned(view_of(TRUTH, camera(tilt, (1090.0, 810.0)), rng, 2.0, SETTING.table_mm, fixed)) for tilt in tilts]


@pytest.mark.parametrize("fixed", [True, False], ids=["nothing to set", "known camera"])
def test_one_photo(fixed):
    views = views_of((4.0, 7.0), fixed=fixed)
    found = settled(views, SETTING)
    check(found, views, SETTING)
    first = fit(instrument(), views, SETTING, robust=ROBUST)
    assert first.unknowns[[LENGTH, TOTAL]] == pytest.approx(found.unknowns[[LENGTH, TOTAL]], abs=0.02)
    # settled is what is less than a tenth of a millimetre away, and the same when settled on from there
    near, _ = settle(instrument(), views, SETTING, robust=ROBUST)
    assert near[[LENGTH, TOTAL]] == pytest.approx(first.unknowns[[LENGTH, TOTAL]], abs=0.1)
    again, weight = settle(near, views, SETTING)
    assert again == pytest.approx(first.unknowns[:BODY_UNKNOWNS], abs=0.05)
    assert weight == pytest.approx(first.weight[0], abs=0.05)


def test_two_photos_whose_cameras_are_unknowns_like_the_rest():
    views = views_of((0.0, 2.0), (11.0, -8.0))
    found = settled(views, SETTING)
    check(found, views, SETTING, left=0.06)  # cameras start anew each time
    for number, view in enumerate(found.views):
        before = views[number].camera
        errors = found.unknowns[errors_of(number, views, SETTING, None)]
        assert view.camera.parameters == pytest.approx(before.parameters + before.covariance_root @ errors)
        assert len(found.weight[number]) == len(view.edges.node)


def test_what_several_photos_have_in_common_is_common():
    """Cameras that err by the same things, and edges that all photos move alike by a part."""
    views = views_of((0.0, 2.0), (11.0, -8.0), (-9.0, 5.0))
    rng = np.random.default_rng(5)
    first = views[0].camera.covariance_root
    roots = [np.hstack([0.7 * first, 0.5 * first @ rng.normal(size=(3, 4))]) for _ in views]
    setting = replace(SETTING, shared_shift=0.4)
    found = settled(views, setting, roots)
    check(found, views, setting, left=0.06, roots=roots)
    shares = {name: np.linalg.norm(share[LENGTH]) for name, share in found.shares.items()}
    alone = settled(views, SETTING)
    own = [
        np.linalg.norm(alone.shares[f"light along the edge{each}"][LENGTH]) for each in ("", ", photo 2", ", photo 3")
    ]
    # alike in all three: two fifths of the variance that one photo would have, which does not shrink
    whole = SETTING.edge_shift_mm
    assert shares["light along the edge"] > 0.9 * np.sqrt(0.4) / np.sqrt(1 / 3) * np.linalg.norm(own) > 0.1 * whole


def test_a_place_that_several_photos_show_is_no_surer_than_what_they_share():
    (view,) = views_of((4.0, 7.0))
    half = view.edges.where(np.arange(len(view.edges.node)) % 2 == 0)
    both, one = shared_errors([view, replace(view, edges=half)], 0.3)
    seen_twice = np.isin(view.edges.node + 1000 * view.edges.back, half.node + 1000 * half.back)
    expected = view.edges.sigma_px * np.sqrt(np.where(seen_twice, 1.3, 1.0))
    assert both.edges.sigma_px == pytest.approx(expected)
    assert one.edges.sigma_px == pytest.approx(half.sigma_px * np.sqrt(1.3))
    assert shared_errors([view], 0.3)[0].edges.sigma_px == pytest.approx(view.edges.sigma_px)


def test_a_known_cameras_doubt_is_what_other_cameras_would_have_given():
    """Fitted anew with the camera one deviation off, each unknown in turn: so far do the lengths move."""
    (view,) = views_of((4.0, 7.0))
    found = fit(instrument(), [view], SETTING, rounds=40)
    share = found.shares["camera and sheet"]
    at = BODY_UNKNOWNS + 1
    # on its own unknowns a known camera's doubt is the whole of it, whatever the edges say
    root = view.camera.covariance_root
    assert found.covariance[at:, at:] == pytest.approx(np.eye(len(root)))
    moved = []
    for direction in root.T:
        ends = [
            fit(
                instrument(),
                [View(view.camera.with_parameters(view.camera.parameters + step), view.edges, view.tips)],
                SETTING,
                rounds=40,
            ).unknowns[[LENGTH, TOTAL]]
            for step in (0.01 * direction, -0.01 * direction)
        ]
        moved.append((ends[0] - ends[1]) / 0.02)
    expected = np.sqrt(np.square(moved).sum(axis=0))
    assert np.linalg.norm(share[[LENGTH, TOTAL]], axis=1) == pytest.approx(expected, rel=0.03)
