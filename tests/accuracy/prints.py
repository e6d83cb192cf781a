"""Whether prints that are not in true size are noticed by the paper's edges, and true ones are left in peace.

Each scene is looked at as rendered and as a phone develops it (tone curve, local contrast, sharpening), at full size
and at 0.6 of it.  Nothing is corrected by edges alone; "noticed" asks for the bar and widens the interval.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from calibration.detection import find_sheets
from calibration.print_scale import PrintScale, scale_from_paper
from tests.accuracy.scenes import Scene, scenes
from tests.accuracy.table import Row, row
from tests.calibration.pretend_photos import developed
from vision.photo import load_photo

KINDS = ("child", "child_wall", "violin")
SCALES = {1.0: None, 0.97: 4, 0.96: 6, 0.8: 4, 0.707: 4}
"""Print scales, and how many scenes of each kind they are tried on (None: all); "fit to page" gives the next two, two
pages on one paper the last."""

SIZES = (1.0, 0.6)


def rows(shared_scenes: Path) -> list[Row]:
    """How many prints of each size were noticed.

    Parameters
    ----------
    shared_scenes : Path
        Folder with the scenes, one sub-folder a kind.
    """
    table = []
    for scale, most in SCALES.items():
        for look in ("as rendered", "as a phone develops it"):
            found = [
                each
                for kind in KINDS
                for number, scene in enumerate(scenes(shared_scenes, kind, scale))
                if most is None or number < most
                for each in _checked(scene, number, look != "as rendered")
            ]
            noticed, unseen = sum(each.suspected for each in found), sum(not each.checked for each in found)
            empty = row(f"print at {scale:.0%}", look, "noticed", [])
            note = f"{noticed} of {len(found)} noticed, {unseen} with too few edges to tell"
            extra = {"noticed": noticed, "unseen": unseen, "of": len(found)}
            table.append(Row(**{**empty.as_json(), "notes": note, "extra": extra}))
    return table


def _checked(scene: Scene, number: int, develop: bool) -> list[PrintScale]:
    photo = load_photo(scene.photo).rgb
    photo = developed(photo, number) if develop else photo
    found = []
    for size in SIZES:
        small = np.asarray(cv2.resize(photo, None, fx=size, fy=size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        found += [scale_from_paper(small, sheet) for sheet in find_sheets(small)]
    return found
