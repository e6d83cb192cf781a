"""The command that holds the program against labelled photographs, on rendered scenes labelled by their truth."""

import json
import shutil
import sys
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.real import laid, people, violins
from tests.real.__main__ import main
from tests.real.people import LABELS, read_people
from tests.real.table import figures, share
from tests.real.violins import overlap
from tests.real.ways import WAYS, in_all_ways
from tests.vision.trace import trace_instrument
from vision.photo import load_photo

POINTS = {"shoulder": "shoulder_joint", "wrist": "wrist"}


@pytest.fixture(scope="module")
def folder(shared, tmp_path_factory):
    """A folder as the command wants it: one rendered child and one rendered violin."""
    folder = tmp_path_factory.mktemp("real")
    child, violin = (shared / "scenes" / name for name in ("child/002", "violin/003"))
    for kind, scene in (("people", child), ("violins", violin)):
        (folder / kind).mkdir()
        shutil.copy(scene / "white.jpg", folder / kind / "one.jpg")
    points = json.loads((child / "truth.json").read_text())["points"]
    labels = {
        f"{label}_{letter}": points[f"{POINTS.get(label, label)}_{letter}"]["px"]
        for label in LABELS.values()
        for letter in "LR"
    }
    flags = {"side_neck_L": "visible", "side_neck_R": "visible", "arm_L": {}}
    (folder / "people.json").write_text(
        json.dumps([{"file": "one.jpg", "points": labels, "flags": flags, "view": "front"}])
    )
    truth = json.loads((violin / "truth.json").read_text())
    ends = {
        name: np.array(truth["points_px"][name]) for name in ("scroll_top", "body_top_center", "body_bottom_center")
    }
    bottom = ends["body_bottom_center"]
    (folder / "violins.json").write_text(
        json.dumps(
            [
                {
                    "file": "one.jpg",
                    "body": truth["outline_top_edge_px"],
                    "instrument": truth["outline_top_edge_px"],
                    "body_px": float(np.linalg.norm(ends["body_top_center"] - bottom)),
                    "total_px": float(np.linalg.norm(ends["scroll_top"] - bottom)),
                }
            ]
        )
    )
    return folder


def test_a_rendered_child_is_read_against_its_truth(folder):
    (arm,) = read_people(json.loads((folder / "people.json").read_text()), folder / "people")
    assert arm.found
    assert arm.side == "left"
    assert not arm.behind
    assert set(arm.points) == {"neck", "shoulder", "elbow", "wrist", "palm"}
    assert 0.0 < max(point.raw_size for point in arm.points.values()) < 12.0
    assert arm.points["neck"].size < 3.0
    assert not any(chain.startswith("crashed") for chain in arm.chains)


def test_a_wrong_label_shows(folder):
    (entry,) = json.loads((folder / "people.json").read_text())
    palm, neck = np.array(entry["points"]["mid_palm_L"]), np.array(entry["points"]["side_neck_L"])
    entry["points"]["side_neck_L"] = list(neck + 0.2 * (palm - neck))
    (arm,) = read_people([entry], folder / "people")
    assert arm.points["neck"].used[0] < -20.0  # the point found lies inwards of the label
    assert arm.points["neck"].covered[0] is False


def test_a_rendered_violin_is_read_against_its_truth(folder):
    (violin,) = violins.read_violins(json.loads((folder / "violins.json").read_text()), folder / "violins")
    assert violin.body_overlap > 0.95
    assert violin.whole_overlap < violin.body_overlap  # only its body was labelled
    assert violin.measures


def test_a_violin_with_a_sheet_laid_in_is_measured_against_its_truth(folder, monkeypatch):
    monkeypatch.setattr(laid, "TILTS_DEG", (-5.0, 5.0))
    index = json.loads((folder / "violins.json").read_text())
    (violin,) = laid.read_laid(index, folder / "violins")
    assert violin.measures
    low, high = violin.tilted
    assert low.total_error * high.total_error < 0  # a scroll nearer to the camera looks longer
    monkeypatch.setattr(laid, "TILTS_DEG", ())
    wrong = laid.read_laid([index[0] | {"body_px": 1.1 * index[0]["body_px"]}], folder / "violins")
    assert not wrong[0].measures


def test_a_sheet_is_laid_beside_the_violin_and_the_picture_grows_evenly(folder):
    photo = load_photo(folder / "violins" / "one.jpg")
    narrow = replace(photo, rgb=np.ascontiguousarray(photo.rgb[:, 1180:1820]))
    traced = trace_instrument(narrow)
    wider = laid.with_sheet(narrow, traced)
    left, up = (np.array(wider.size_px) - narrow.size_px) // 2
    inner = wider.rgb[up : up + narrow.size_px[1], left : left + narrow.size_px[0]]
    changed = np.abs(inner.astype(int) - narrow.rgb).max(axis=2) > 60
    assert left > 0
    assert not (changed & traced.whole).any()
    assert wider.lens.focal35_mm is not None


def test_what_no_sheet_can_be_laid_beside_says_why(folder, tmp_path, capsys, monkeypatch):
    cv2.imwrite(str(tmp_path / "one.jpg"), np.full((600, 800, 3), 128, np.uint8))
    (nothing,) = laid.read_laid([{"file": "one.jpg", "body_px": 1.0, "total_px": 1.0}], tmp_path)
    assert nothing.refused == "no_instrument"
    assert "no_instrument" in laid.laid_line(nothing)
    monkeypatch.setattr(laid, "TILTS_DEG", (10.0,))
    monkeypatch.setattr(sys, "argv", ["tests.real", str(folder), "--only", "violins", "--laid"])
    main()
    said = capsys.readouterr().out
    assert "violin with a sheet: refused                  0 of 1 (0 %)" in said
    assert "violin with a sheet: both lengths within 2 %  1 of 1" in said
    assert "violin on a slope, +10 deg" in said


@pytest.mark.parametrize("name", WAYS)
def test_a_dot_in_a_changed_picture_lies_where_its_label_does(name):
    picture = np.full((300, 400, 3), 40, np.uint8)
    cv2.circle(picture, (120, 90), 8, (220, 220, 220), -1)
    changed, to_changed = WAYS[name].changed(picture)
    rows, columns = np.nonzero(changed[..., 1] > changed.min() + 40)
    assert [columns.mean(), rows.mean()] == pytest.approx(to_changed @ [120, 90, 1], abs=0.3)


def test_a_child_in_the_mirror_stretches_out_the_other_arm(folder, tmp_path):
    index = json.loads((folder / "people.json").read_text())
    changed = in_all_ways(index, folder / "people", tmp_path)
    assert len(changed) == len(WAYS)
    (arm,) = read_people([each for each in changed if each["file"].startswith("mirrored")], tmp_path)
    assert arm.side == "right"
    assert max(point.size for point in arm.points.values()) < 12.0


def test_the_command_reads_every_way(folder, capsys, monkeypatch):
    monkeypatch.setattr(sys, "argv", ["tests.real", str(folder), "--only", "violins", "--ways"])
    main()
    assert f"violin: both lengths within 2 %  {len(WAYS)} of {len(WAYS)}" in capsys.readouterr().out


def test_the_command_prints_both_halves(folder, capsys, monkeypatch):
    monkeypatch.setattr(people, "SHEET_PLACES", ())
    monkeypatch.setattr(sys, "argv", ["tests.real", str(folder), "--json", str(folder / "out.json")])
    main()
    said = capsys.readouterr().out
    assert "neck seen or hidden told right" in said
    assert "violin: both lengths within 2 %" in said
    assert {"people", "violins", "table"} == set(json.loads((folder / "out.json").read_text()))


def test_a_folder_without_index_is_wrong_usage(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(sys, "argv", ["tests.real", str(tmp_path)])
    with pytest.raises(SystemExit) as stopped:
        main()
    assert stopped.value.code == 2
    assert "neither people.json nor violins.json" in capsys.readouterr().err


def test_figures_and_shares():
    assert figures([1.0, 2.0, 3.0]) == "2.0 / 2.9"
    assert share([True, False, True, True]) == "3 of 4 (75 %)"
    assert share([]) == "none to count"
    half = np.array([[True, False]])
    assert overlap(half, np.array([[True, True]])) == 0.5


def test_the_factor_on_a_deviation_brings_the_wanted_share_inside():
    def arm(photo, errors):
        point = people.PointError(raw=errors, used=errors, deviation=(1.0, 1.0))
        return people.ArmReading(photo, "left", "front", found=True, points={"neck": point})

    # coordinates 0.2, 0.4, .. 8 stated deviations off; two should hold 95 %: the 39th of 40 is 7.8, interpolated 7.61
    arms = [arm(f"{k}", (0.4 * k + 0.2, 0.4 * k + 0.4)) for k in range(20)]
    line = people._width_line("neck", arms)
    assert line.what == "neck, factor on its deviation"
    assert line.measured.startswith(f"{np.quantile(np.arange(1, 41) * 0.1, 0.95):.2f}; one photo left out")
    assert "38 of 40 (95 %)" in line.measured or "36 of 40 (90 %)" in line.measured
