"""Scenes of the renderer that nothing learned from: their lens, their printed sheet, and how they are written down."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.detection import find_sheets
from calibration.sheet import Paper, SheetLayout
from calibration.sheet_drawing import sheet_image
from vision.training.figures.meshes import strip
from vision.training.figures.posing import about
from vision.training.figures.trace import View
from vision.training.outsider.materials import cloth_of, unlike_skin
from vision.training.outsider.phone import Lens, bent, developed, printed
from vision.training.outsider.pieces import Camera, Description, Lamp, Piece, Strands
from vision.training.outsider.skin import Skin

LAYOUT = SheetLayout(Paper.A4, 1)
PLACE = np.array([0.1, 1.0, 0.9])


def lens() -> Lens:
    """A camera 0.9 m before a wall, a little askew."""
    rows = np.diag([1.0, -1, -1]) @ (about((0, 1, 0), 9) @ about((1, 0, 0), -5)).T
    return Lens(View(PLACE, rows, 800.0, (481.0, 352.0), (960, 720)), -0.02, 0.005)


def test_the_lens_is_that_of_open_cv_and_undone():
    one = lens()
    rng = np.random.default_rng(3)
    points = np.column_stack([rng.uniform(-0.4, 0.5, 40), rng.uniform(0.7, 1.3, 40), rng.uniform(0, 0.2, 40)])
    turn = one.view.turn
    wanted, _ = cv2.projectPoints(
        points, cv2.Rodrigues(turn)[0], -turn @ PLACE, one.matrix, np.array([-0.02, 0.005, 0, 0])
    )
    assert one.project(points) == pytest.approx(wanted[:, 0], abs=1e-6)
    assert one.straight(one.project(points)) == pytest.approx(one.view.project(points), abs=1e-6)


def test_what_the_pinhole_sees_is_moved_to_where_the_lens_shows_it():
    one = lens()
    border = 20
    wide = View(PLACE, one.view.turn, 800.0, (481.0 + border, 352.0 + border), (960 + 2 * border, 720 + 2 * border))
    spot = np.array([[-0.3, 1.25, 0.0]])
    x, y = wide.project(spot)[0]
    u, v = np.meshgrid(np.arange(wide.size[0]), np.arange(wide.size[1]))
    picture = np.exp(-((u - x) ** 2 + (v - y) ** 2) / 18)[..., None].repeat(3, 2)
    seen = bent(picture, wide, one)[..., 0]
    v, u = np.mgrid[: seen.shape[0], : seen.shape[1]]
    found = np.array([(seen * u).sum(), (seen * v).sum()]) / seen.sum()
    assert found == pytest.approx(one.project(spot)[0], abs=0.05)


@pytest.mark.parametrize("turned", [0, 1, -1])
def test_the_sheet_is_printed_where_it_hangs(turned):
    one = lens()
    wide, high = 0.297 if turned else 0.210, 0.210 if turned else 0.297
    corners = np.array([[-wide, high, 0], [wide, high, 0], [wide, -high, 0], [-wide, -high, 0]]) / 2 + [0.05, 1.02, 0]
    corners = np.roll(corners, turned, axis=0)
    picture = printed(np.full((720, 960, 3), 0.6), one, corners, sheet_image(LAYOUT, 300))
    photo = developed(picture, np.random.default_rng(5))
    (sheet,) = find_sheets(photo)
    across, down = (corners[1] - corners[0]) / 0.210, (corners[3] - corners[0]) / 0.297
    at = 1e-3 * LAYOUT.corner_mm[sheet.corner_index, :2]
    left, top = 1e-3 * LAYOUT.page.left, 1e-3 * LAYOUT.page.top
    places = corners[0] + (at[:, :1] - left) * across + (top - at[:, 1:]) * down
    off = sheet.corner_px - one.project(places)
    assert len(off) > 20
    assert np.abs(off.mean(0)).max() < 0.1
    assert np.hypot(*off.T).max() < 0.5


def test_a_description_comes_back_as_it_was(tmp_path: Path):
    piece = Piece(
        np.eye(3), np.array([[0, 1, 2]]), {"kind": "plain", "colour": (0.1, 0.2, 0.3)}, np.zeros((1, 3, 2)), thick=0.001
    )
    bare = Piece(np.eye(3) + 1, np.array([[2, 1, 0]]), {"kind": "paper", "colour": (1.0, 1.0, 1.0)}, name="sheet")
    hair = Strands(np.arange(24.0).reshape(2, 4, 3), 0.0004, {"kind": "hair", "melanin": 0.4})
    lamp = Lamp("area", np.zeros(3), np.ones(3), 40.0, (1.0, 0.9, 0.8), (0.4, 0.2))
    camera = Camera(PLACE, lens().view.turn, 800.0, (1.5, 2.5), (8, 6))
    one = Description(7, [piece, bare], hair, [lamp], ("studio", 0.5, 1.0), camera, np.ones((2, 3)))
    one.save(tmp_path / "7.npz")
    back = Description.load(tmp_path / "7.npz")
    assert [p.made for p in back.pieces] == [p.made for p in one.pieces]
    assert [p.name for p in back.pieces] == ["", "sheet"]
    assert back.pieces[0].points == pytest.approx(piece.points)
    assert back.pieces[0].uv is not None
    assert back.pieces[1].uv is None
    assert (back.pieces[1].faces == bare.faces).all()
    assert back.hair is not None
    assert back.hair.places == pytest.approx(hair.places)
    assert back.lamps[0].towards == pytest.approx(lamp.towards)
    assert (back.seed, back.around, back.camera.centre, back.camera.size) == (7, one.around, (1.5, 2.5), (8, 6))
    assert back.camera.rows == pytest.approx(camera.rows)


def test_points_are_pushed_out_of_a_ball():
    around = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    rows = [
        np.stack([np.sin(a) * np.sin(around), np.full(48, np.cos(a)), np.sin(a) * np.cos(around)], 1)
        for a in np.linspace(1e-3, np.pi - 1e-3, 48)
    ]
    ball = strip(rows, "", closed=True)
    skin = Skin((ball.points, ball.faces))
    rng = np.random.default_rng(2)
    inside = rng.normal(size=(200, 3))
    inside *= rng.uniform(0.8, 1.3, (200, 1)) / np.linalg.norm(inside, axis=1, keepdims=True)
    out = np.linalg.norm(skin.pushed(inside, 0.1), axis=1)
    assert out.min() > 1.08
    far = np.linalg.norm(inside, axis=1) > 1.15
    assert out[far] == pytest.approx(np.linalg.norm(inside, axis=1)[far])


def test_trousers_have_no_colour_of_skin():
    cloths = [cloth_of(np.random.default_rng(seed)) for seed in range(200)]
    changed = 0
    for cloth in cloths:
        worn = unlike_skin(cloth)
        for name in ("colour", "other"):
            red, green, blue = worn[name]
            assert not (red > green > blue and red < 8 * blue)
            changed += worn[name] != cloth[name]
        assert {k: v for k, v in worn.items() if k not in ("colour", "other")} == {
            k: v for k, v in cloth.items() if k not in ("colour", "other")
        }
    # a strong red or any green and blue stay as they are
    assert 10 < changed < 200
    assert unlike_skin({"colour": (0.7, 0.05, 0.02), "other": (0.1, 0.2, 0.6)}) == {
        "colour": (0.7, 0.05, 0.02),
        "other": (0.1, 0.2, 0.6),
    }
