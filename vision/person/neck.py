"""The side of the neck: the point where the neck's outline turns into the shoulder's slope.

No body model marks it.  Two witnesses find it: a small network that looks at the shoulders (`vision.person.neck_net`),
and the corner of the person's outline (`vision.person.silhouette`).  On photographs of people they err in opposite
directions, the network inwards, the outline outwards where hair or a hood fills the corner; so the point lies
between them, nearer to the outline unless it is unusually far out.  Where neither finds anything, it is placed by
proportion between the shoulders, which is poor.

How probably the neck is seen is told by the network's word, by how well both witnesses agree, by the face's colour
about the point and by how low the chin is; the less, the larger the deviation, which grows with the witnesses'
disagreement and with the head's turn as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np

from calibration.arrays import Array, Picture
from vision.person.neck_net import NeckMap, NeckNet, Turn
from vision.person.pose import Landmark, Person
from vision.person.silhouette import shoulder_span_px, side_axes, silhouette_corner


@dataclass(frozen=True, slots=True)
class NeckPoint:
    """The side of the neck in the photo.

    Attributes
    ----------
    px : (2,) ndarray
        Where, px.
    deviation_px : float
        Standard deviation of either coordinate, px.
    seen : bool
        Whether the point itself was seen; otherwise it is inferred from what lies about it.
    behind : float
        Probability that the person is seen from behind, as the look of head and shoulders tells.
    """

    px: Array
    deviation_px: float
    seen: bool
    behind: float = 0.0


TURNED_HEAD = 0.12
"""How far the nose lies aside from the ears' middle, over the shoulders' distance, from which the head is turned: by
some 20 degrees; our choice, others between 0.05 and 0.15 do as well on photographs of people."""
AWAY_OUT, AWAY_UP = 0.21, -0.33
"""Where the head looks away from the arm the point is found too far in and up the neck, which is stretched there: what
is added outwards and upwards, times how much further than that the nose lies inwards.  Set on 91 arms of 53 photographs
of people; each photograph corrected by what the others say, the point's error falls from 1.9 to 1.7 % of the arm in the
median and from 4.9 to 4.6 at the 95th percentile."""
LEAST_CONFIDENCE = 0.3
"""Of the network, below which the proportion between the shoulders serves; our choice (0.8 is usual)."""
OUTLINE_FROM_DEG = 20.0
"""Turn of the trunk to the line of sight from which the network's point of the outline alone is taken; facing the
camera, the body's is.  From the front both are one place; of a turned trunk people mark the outline.  Our choice: other
ranges between 5 and 30 do as well on photographs of people and on rendered scenes."""
OUTLINE_SHARE = 0.76
"""Weight of the outline's corner against the network's point where nothing speaks against it.  On photographs of people
the network lies 2 % of the arm too far in, the corner 3 % too far out."""
OUTLINE_LESS_IF_SEEN = 0.92
"""By how much that weight falls where the network is sure that it sees the neck: then it is right by itself."""
SHARP_SPAN_PX, FRONTAL_DEG = (75.0, 125.0), (5.0, 25.0)
"""The corner is not asked where the shoulders are wider apart than the one and turned less than the other says, with
something between on the way: the network, which looks at 102 px for that distance, errs inwards in pictures that have
fewer, and of turned trunks.  Under collars of shirts the corner lies at the collar's edge: there the network alone is
off by 1.4 / 3.5 % of the arm (median / 95th percentile of 35 views of Cycles) where with the corner it was 2.8 / 5.3.
Set on 158 views of Cycles, on which it falls from 1.44 / 5.0 to 1.30 / 4.4, and on nine arms of people whose pictures
are that large, 1.3 / 3.2 before and 1.1 / 3.5 with it."""
USUAL_GAP, GAP_SPREAD = (0.12, 0.01), (0.074, 0.05)
"""How far the corner usually lies out from and above the network's point, and how far from that it is half believed,
over the shoulders' distance: hair, hoods and scarves put it further out or lower."""
OUTLINE_OFFSET = -0.011, -0.030
"""Of the corner outwards and up, over the shoulders' distance: the body model's map is about that much too wide.  These
eight numbers were set on 13 photographs of people and on 54 rendered scenes of two looks, a rendered coordinate at
0.6 of a photographed one, and with an earlier network; setting them anew for this one gains nothing on photographs that
are left out."""
SEEN_DEVIATION, HIDDEN_DEVIATION = 0.022, 0.033
"""Standard deviation of either coordinate, over the shoulders' distance (about half the arm), where the neck is surely
seen and where it surely is not: with the next two numbers two hold 95 % of the coordinates on those arms.  Necks that
the network is sure to see are no better there than others that are seen."""
TURNED_DEVIATION = 0.15
"""What is added to it, times how much further than `TURNED_HEAD` the nose lies to either side."""
GAP_DEVIATION = 0.17
"""Of the gap between network and corner, what is added to it; less where the network sees the neck."""
SEEN_WEIGHTS = (-1.15, 0.20, -15.0, 0.93, 2.98)
"""Logistic regression of whether a neck is seen: a constant, the logit of the network's word, the gap between network
and corner (up to `MOST_GAP`), the smaller share of places above and below that have the face's colour, and the height
of the mouth above the corner over that of the eyes above the mouth (up to `MOST_RISE`): a low chin hides it.  Set on
100 labelled arms of 59 photographs of people; with each photograph judged by the others 84 are told right (Brier score
0.135), where thresholds set on 19 of them had told 76.  Of 39 rendered necks all 31 bare ones are told seen, and the
eight that something covers as well, as before."""
SPEAKS_FOR, OTHERWISE_SEEN = (0.6, 0.1), 0.2
"""Up to which word of the network and share of the face's colour nothing speaks for skin, as under a scarf, whatever
outline and chin say, and the most that such a neck is seen: our choice; of those arms it tells one less right."""
MOST_GAP, MOST_RISE, LEAST_CHANCE = 0.3, 1.2, 0.01
"""Where the gap (over the shoulders' distance), the mouth's height and the network's word stop saying more; ours."""
ABOVE = (0.03, 0.07, 0.11), (0.03, 0.058, 0.085, 0.113, 0.14)
"""Those above it: steps inwards and up over the shoulders' distance; our choice."""
BELOW = (0.02, 0.06, 0.10, 0.14), (-0.03, -0.07)
"""Those below it."""
SPOT = 0.012
"""Half the side of each, over the shoulders' distance; our choice."""
CHEEK, UNDER_NOSE, PATCH = (0.55, 0.3), 0.25, 0.05
"""Where the face's colour is looked at: cheeks, that share of the way from the nose to the ears and that share of the
eyes-to-nose step further down; below the nose; and half the side of each patch over the shoulders' distance.  Our
choice."""
OFF_SKIN = 14.0, 38.0
"""Difference between neck and face in chroma and in lightness (CIELAB) up to which a place is
taken for skin; of 84 rendered figures with bare necks one is further off (our choice)."""
PROPORTION = (0.386, 0.595)
"""Neck point outwards and up from the middle of the shoulder landmarks, over half their distance.  Fitted on rendered
figures; on photographs of people the medians are 0.40 and 0.41, because their shoulder landmarks sit higher."""
PROPORTION_DEVIATION = 0.30
"""Standard deviation of either.  Over all photographs of people it is 0.16 and 0.10; those on which the network sees
nothing are worse, people turned aside above all."""


def look_at_shoulders(rgb: Picture, person: Person) -> NeckMap | None:
    """What the network says of a person's shoulders; None where both lie on one spot."""
    shoulders = np.array([person.point("shoulder", each) for each in ("left", "right")])
    apart, span = float(np.linalg.norm(shoulders[0] - shoulders[1])), shoulder_span_px(person)
    if apart < 1.0:
        return None
    middle = shoulders.mean(axis=0)
    left, right = middle + (shoulders - middle) * span / apart
    if not is_reversed(person):
        return _network()(rgb, left, right)
    # the network names sides as if it saw the front: whoever shows the back and is named rightly is turned over
    found = _network()(rgb, right, left)
    other = {name: name.replace("left", "?").replace("right", "left").replace("?", "right") for name in found.points}
    return replace(
        found,
        points={other[name]: point for name, point in found.points.items()},
        seen={other[name]: chance for name, chance in found.seen.items()},
    )


def find_neck(rgb: Picture, person: Person, side: str, shoulders: NeckMap | None) -> NeckPoint:
    """Find the side of the neck.

    Parameters
    ----------
    rgb : (H, W, 3) ndarray of uint8
        The photo.
    person : Person
        The person.
    side : str
        ``"left"`` or ``"right"``, the person's own.
    shoulders : NeckMap or None
        As `look_at_shoulders` gives it.

    Returns
    -------
    NeckPoint
        From the network where it finds the point, else by proportion.
    """
    if shoulders is None:
        return from_shoulders(person, side)
    span = shoulder_span_px(person)
    by_network = _by_network(shoulders, side)
    if by_network is None:
        return replace(from_shoulders(person, side), behind=shoulders.behind)
    corner = silhouette_corner(person, rgb.shape[1], side)
    if corner is None:
        return NeckPoint(by_network, 2 * HIDDEN_DEVIATION * span, seen=False, behind=shoulders.behind)
    sure = shoulders.seen[side]
    axes = np.stack(side_axes(person, side))
    asked = _outline_asked(span, shoulders.turn)
    place, gap = _joined(by_network, corner, axes, span, sure, asked)
    turned = head_turned_px(person, axes[0], span)
    place = place + max(0.0, -turned) * np.array([AWAY_OUT, AWAY_UP]) @ axes
    chance = _chance_seen(rgb, person, (corner, place), axes[0], span, (gap / span, sure))
    parts = (
        float(np.sqrt(chance * SEEN_DEVIATION**2 + (1 - chance) * HIDDEN_DEVIATION**2)) * span,
        GAP_DEVIATION * gap * (1 - sure),
        TURNED_DEVIATION * abs(turned),
    )
    return NeckPoint(place, float(np.linalg.norm(parts)), seen=chance > 0.5, behind=shoulders.behind)


def _by_network(shoulders: NeckMap, side: str) -> Array | None:
    """The network's point (2,), between body and outline; None where it is unsure of either."""
    body, outline = shoulders.points[side], shoulders.points[f"outline_{side}"]
    if min(body.confidence, outline.confidence) < LEAST_CONFIDENCE:
        return None
    share = 1.0 if shoulders.turn is None else min(abs(shoulders.turn.deg) / OUTLINE_FROM_DEG, 1.0)
    return np.array([body.x + share * (outline.x - body.x), body.y + share * (outline.y - body.y)])


def head_turned_px(person: Person, outwards: Array, span: float) -> float:
    """How much further than `TURNED_HEAD` the nose lies along the arm from the ears' middle (negative: away), px."""
    ears = person.points_px[[Landmark.LEFT_EAR, Landmark.RIGHT_EAR]].mean(axis=0)
    aside = float((person.points_px[Landmark.NOSE] - ears) @ outwards)
    return float(np.sign(aside)) * max(0.0, abs(aside) - TURNED_HEAD * span)


def is_reversed(person: Person) -> bool:
    """Whether left and right shoulder lie as they do from behind, with the head up."""
    middle = 0.5 * (person.point("shoulder", "left") + person.point("shoulder", "right"))
    across = person.point("shoulder", "left") - middle
    head = person.points_px[[Landmark.LEFT_EAR, Landmark.RIGHT_EAR]].mean(axis=0) - middle
    return bool(across[1] * head[0] - across[0] * head[1] < 0)


def _outline_asked(span_px: float, turn: Turn | None) -> float:
    """Share of the corner's weight that is left where the network sees enough by itself."""
    sharp = float(np.interp(span_px, SHARP_SPAN_PX, (0.0, 1.0)))
    frontal = 0.0 if turn is None else float(np.interp(abs(turn.deg), FRONTAL_DEG, (1.0, 0.0)))
    return 1 - sharp * frontal


def _joined(
    by_network: Array, corner: Array, axes: Array, span: float, seen: float, asked: float
) -> tuple[Array, float]:
    """The point from network and outline, and how far they lie apart, px."""
    step = axes @ (corner - by_network) / span
    unusual = np.sum(((step - USUAL_GAP) / np.array(GAP_SPREAD)) ** 2)
    weight = asked * OUTLINE_SHARE * (1 - OUTLINE_LESS_IF_SEEN * seen) / (1 + (unusual / 2) ** 2)
    return by_network + weight * span * (step + OUTLINE_OFFSET) @ axes, float(np.linalg.norm(step)) * span


@cache
def _network() -> NeckNet:
    return NeckNet()


def _chance_seen(
    rgb: Picture, person: Person, ends: tuple[Array, Array], out: Array, span: float, word: tuple[float, float]
) -> float:
    """Probability that the neck shows, no hair, cloth or chin over it (`SEEN_WEIGHTS`).

    `ends` are the outline's corner and the point itself, `word` the gap over the span and the network's probability.
    """
    gap, sure = word
    middle = 0.5 * (person.point("shoulder", "left") + person.point("shoulder", "right"))
    head = person.points_px[[Landmark.LEFT_EAR, Landmark.RIGHT_EAR]].mean(axis=0) - middle
    head = head / max(float(np.linalg.norm(head)), 1.0)
    out = out - (out @ head) * head
    mouth = person.points_px[[Landmark.MOUTH_LEFT, Landmark.MOUTH_RIGHT]].mean(axis=0)
    eyes = person.points_px[[Landmark.LEFT_EYE, Landmark.RIGHT_EYE]].mean(axis=0)
    rise = float((mouth - ends[0]) @ head) / max(float(np.linalg.norm(eyes - mouth)), 1.0)
    face = face_colour(rgb, person, span)

    def skin(inwards: Sequence[float], upwards: Sequence[float]) -> float:
        """The larger share about either end."""
        steps = np.array([higher * head - inner * out for inner in inwards for higher in upwards])
        return max(_like(rgb, end + span * steps, face, SPOT * span) for end in ends)

    bare = min(skin(*ABOVE), skin(*BELOW))
    said = np.log((sure + LEAST_CHANCE) / (1 + LEAST_CHANCE - sure))
    told = (1.0, said, min(gap, MOST_GAP), bare, min(max(rise, 0.0), MOST_RISE))
    chance = float(1 / (1 + np.exp(-np.dot(SEEN_WEIGHTS, told))))
    return chance if sure > SPEAKS_FOR[0] or bare > SPEAKS_FOR[1] else min(chance, OTHERWISE_SEEN)


def _like(rgb: Picture, places: Array, face: Array, radius_px: float) -> float:
    """Share of places (N, 2) that have the face's colour."""
    apart = np.array([colour(rgb, place, radius_px) for place in places]) - face
    return float(np.mean((np.hypot(*apart.T[1:]) < OFF_SKIN[0]) & (np.abs(apart[:, 0]) < OFF_SKIN[1])))


def face_colour(rgb: Picture, person: Person, span: float) -> Array:
    """Usual CIELAB colour (3,) of a face: cheeks and below the nose; `span` is the shoulders' distance, px."""
    eyes = person.points_px[[Landmark.LEFT_EYE, Landmark.RIGHT_EYE]].mean(axis=0)
    nose, down = person.points_px[Landmark.NOSE], person.points_px[Landmark.NOSE] - eyes
    ears = person.points_px[[Landmark.LEFT_EAR, Landmark.RIGHT_EAR]]
    places = [nose + CHEEK[0] * (ear - nose) + CHEEK[1] * down for ear in ears] + [nose + UNDER_NOSE * down]
    return np.asarray(np.median([colour(rgb, place, PATCH * span) for place in places], axis=0))


def colour(rgb: Picture, centre: Array, radius_px: float) -> Array:
    """Median CIELAB colour (3,) of a small square; black where it lies outside the photo."""
    reach = max(round(radius_px), 1)
    x, y = np.round(centre).astype(int)
    square = rgb[max(y - reach, 0) : max(y + reach + 1, 0), max(x - reach, 0) : max(x + reach + 1, 0)]
    if square.size == 0:
        return np.zeros(3)
    lab = cv2.cvtColor(np.ascontiguousarray(square, dtype=np.float32) / 255, cv2.COLOR_RGB2LAB)
    return np.asarray(np.median(lab.reshape(-1, 3), axis=0), dtype=np.float64)


def from_shoulders(person: Person, side: str) -> NeckPoint:
    """Place the neck point by proportion between the shoulders.

    Parameters
    ----------
    person : Person
        The person.
    side : str
        ``"left"`` or ``"right"``, the person's own.

    Returns
    -------
    NeckPoint
        A guess with a wide deviation, never `seen`.
    """
    near, far = person.point("shoulder", side), person.point("shoulder", "right" if side == "left" else "left")
    half = 0.5 * (near - far)
    up = np.array([half[1], -half[0]])
    if up[1] > 0:
        up = -up
    outwards, upwards = PROPORTION
    point = 0.5 * (near + far) + outwards * half + upwards * up
    return NeckPoint(point, PROPORTION_DEVIATION * float(np.linalg.norm(half)), seen=False)
