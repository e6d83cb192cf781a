"""Chin, side of the neck and tip of the shoulder where the arm hangs: how long the neck is, how the shoulder falls.

The chin is not marked by the body model; it lies below the mouth by a usual share of the eyes' height above it.  The
shoulder's tip (acromion) is a point of the network that looks at shoulders.  Under hair, a scarf or a collar neither is
taken: whatever is not seen is not measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array, Picture
from vision.person.neck import LEAST_CONFIDENCE, OFF_SKIN, SPOT, colour, face_colour, find_neck
from vision.person.neck_net import NeckMap
from vision.person.pose import Landmark, Person
from vision.person.silhouette import shoulder_span_px

CHIN_SHARE = (0.65, 0.10)
"""Mouth to chin over eyes to mouth, upright, and its deviation: from memory of facial heights of children of 6 to 12
years (L. G. Farkas, Anthropometry of the Head and Face, 1994: nasion to mouth some 64 mm with the eyes 8 mm below the
nasion, mouth to chin 37 mm)."""
FACE_DEVIATION = 0.018
"""Standard deviation of eyes or mouth along the trunk, over the shoulders' distance: 26 rendered figures."""
CHIN_SEEN = 0.5
"""Where between mouth and chin, as a share, the face's colour must show; our choice."""
TIP_DEVIATION = 0.06, 0.05
"""Standard deviation of the shoulder's tip along the trunk and across it, over the shoulders' distance.  Rendered
figures have 0.025 in both; on photographs of people the network and the labelled shoulder scatter by 0.09 and 0.06
about one another, raised arms and the reader's own scatter included."""
LEAST_SEEN = 0.5
"""Of eyes and mouth, below which the body model does not see them; our choice."""


@dataclass(frozen=True, slots=True)
class PosturePoint:
    """A point in the photo.

    Attributes
    ----------
    px : (2,) ndarray
        Where, px.
    along_px, across_px : float
        Standard deviations along the trunk and across it, px.
    """

    px: Array
    along_px: float
    across_px: float


@dataclass(frozen=True, slots=True)
class SeenPosture:
    """What is seen of neck and shoulder; None where it is hidden.

    Attributes
    ----------
    chin : PosturePoint or None
        Lowest point of the chin.
    neck : PosturePoint or None
        Side of the neck where the arm hangs.
    tip : PosturePoint or None
        Tip of that shoulder.
    """

    chin: PosturePoint | None
    neck: PosturePoint | None
    tip: PosturePoint | None


def find_posture(rgb: Picture, person: Person, raised: str, shoulders: NeckMap | None) -> SeenPosture:
    """Find chin, neck and shoulder's tip.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray of uint8
        The photo.
    person : Person
    raised : str
        ``"left"`` or ``"right"``, the person's own: the side whose arm is stretched out.
    shoulders : NeckMap or None
        What the network says of the shoulders.

    Returns
    -------
    SeenPosture
    """
    hanging, span = "right" if raised == "left" else "left", shoulder_span_px(person)
    chin = _chin(rgb, person, span)
    if shoulders is None:
        return SeenPosture(chin, None, None)
    found = shoulders.points[f"acromion_{hanging}"]
    tip = None
    if found.confidence >= LEAST_CONFIDENCE:
        along, across = (share * span for share in TIP_DEVIATION)
        tip = PosturePoint(np.array([found.x, found.y]), along, across)
    neck = find_neck(rgb, person, hanging, shoulders)
    side = PosturePoint(neck.px, neck.deviation_px, neck.deviation_px) if neck.seen else None
    return SeenPosture(chin, side, tip)


def _chin(rgb: Picture, person: Person, span: float) -> PosturePoint | None:
    """The chin below the mouth, where the face's colour shows between them."""
    names = [Landmark.LEFT_EYE, Landmark.RIGHT_EYE, Landmark.MOUTH_LEFT, Landmark.MOUTH_RIGHT]
    if person.visibility[names].min() < LEAST_SEEN:
        return None
    eyes, mouth = person.points_px[names[:2]].mean(axis=0), person.points_px[names[2:]].mean(axis=0)
    share, spread = CHIN_SHARE
    step = mouth - eyes
    apart = colour(rgb, mouth + CHIN_SEEN * share * step, SPOT * span) - face_colour(rgb, person, span)
    if np.hypot(*apart[1:]) > OFF_SKIN[0] or abs(apart[0]) > OFF_SKIN[1]:
        return None
    landmarks = FACE_DEVIATION * span * np.hypot(1 + share, share)
    along = float(np.hypot(landmarks, spread * np.linalg.norm(step)))
    return PosturePoint(mouth + share * step, along, along)
