"""From the stances' solutions to an arm's lengths, each with the budget of its uncertainty.

The arm length itself comes out of the mixture of the stances; the others explain wrong tape readings and are made from
it by usual shares of the hand and of the arm.  To what the photo leaves open come the print's scale, where the middle
of a palm lies, and what the words "arm length" leave open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from calibration.arrays import Array
from calibration.camera import PosedCamera
from calibration.print_scale import UNCHECKED, PrintScale
from calibration.quantity import COVERAGE_FACTOR, Contribution, Length
from vision.arm import priors
from vision.arm.estimator import Solution
from vision.arm.joints import PALM
from vision.arm.mixture import Mixture
from vision.person.hand import Hand, HandPoint

WRIST_CREASE_SHARE = (0.330, 0.01)
"""Wrist crease to mid palm over the hand's length, and its deviation (figures 0.330, 0.0012; widened by judgement)."""
FINGERTIP_SHARE = (0.659, 0.012)
"""Mid palm to middle fingertip over the hand's length (figures 0.659, 0.0012)."""
ACROMION_SHARE = (1.043, 0.025)
"""Shoulder's bony tip to mid palm over the straight arm (figures 1.043, 0.023)."""
SPINE_SHARE = (0.097, 0.010)
"""Spine (seventh neck vertebra) to mid palm, less the arm length, over the arm length (figures 0.097, 0.006)."""
HAND_LENGTH_SEEN = (0.847, 0.055)
"""Hand model's wrist to middle fingertip over the hand's true length, rendered hands: the model's fingers end early."""
HAND_BREADTH_SEEN = (0.673, 0.035)
"""Hand model's outer knuckles over the hand's true breadth, rendered hands."""
HAND_OVER_ARM = (0.30, 0.035)
"""Hand length over arm length where no hand was found."""
DISTANCE_OF_HAND = 0.02
"""Relative standard uncertainty of a hand's size from its distance to the wall: 40 mm at 2 m; our choice."""
NECK_TO_PALM_OVER_STRAIGHT = 1.2
"""Arm length over straight arm, for the size of a print's effect; figures have 1.21."""


def arm_lengths(
    mixture: Mixture, hand: Hand | None, camera: PosedCamera, prints: Mapping[str, PrintScale], turned: Array
) -> dict[str, Length | None]:
    """All lengths of an arm.

    Parameters
    ----------
    mixture : Mixture
        The solved arm under each stance.
    hand : Hand or None
        The hand as seen.
    camera : PosedCamera
        Through which it is seen.
    prints : mapping of str to PrintScale
        How large each sheet was printed; the first sheet's counts.
    turned : (S,) ndarray
        For each stance the probability that the trunk is turned.

    Returns
    -------
    dict of str to Length or None
        By the names of `vision.arm.measure.ArmMeasurement`; the hand's breadth is None where no hand was seen.
    """
    straight = mixture.mean(lambda found: found.lengths["shoulder_to_palm"][0])
    name = camera.sheets[0].layout.name
    printed = prints.get(name, UNCHECKED)

    def shared(length_mm: float) -> list[Contribution]:
        return [
            printed.contribution(length_mm, name),
            Contribution("where a hand's middle lies", priors.PALM_SYSTEMATIC * straight, "arm:palm-model"),
            Contribution("definition of the arm length", priors.DEFINITION_DEVIATION * straight, "arm:definition"),
        ]

    arm = mixture.length("arm_length", shared(NECK_TO_PALM_OVER_STRAIGHT * straight), turned)
    shoulder = mixture.length("shoulder_to_palm", shared(straight))
    hand_length, hand_breadth = (
        _usual_hand(arm) if hand is None else _seen_hand(hand, camera, mixture.mean(_palm_depth_mm))
    )
    length = hand_length.value_mm
    crease, tip = WRIST_CREASE_SHARE, FINGERTIP_SHARE
    return {
        "arm_length": arm,
        "neck_to_wrist": _shifted(arm, -crease[0] * length, hand_length, -crease[0], crease[1] * length),
        "neck_to_fingertip": _shifted(arm, tip[0] * length, hand_length, tip[0], tip[1] * length),
        "shoulder_to_palm": _scaled(shoulder, *ACROMION_SHARE, "the shoulder's bony tip"),
        "spine_to_palm": _scaled(arm, 1 + SPINE_SHARE[0], SPINE_SHARE[1], "the spine behind the neck"),
        "hand_length": hand_length,
        "hand_breadth": hand_breadth,
    }


def _palm_depth_mm(found: Solution) -> float:
    """How far the palm is from the wall, mm."""
    return float(found.points_mm[PALM, 2])


def _usual_hand(arm: Length) -> tuple[Length, None]:
    """Length of a hand that was not seen, from the arm's; its breadth is not known."""
    mean, deviation = HAND_OVER_ARM
    part = Contribution("hand not seen, usual share of the arm", deviation * arm.value_mm)
    return Length(mean * arm.value_mm, (part,)), None


def _seen_hand(hand: Hand, camera: PosedCamera, depth_mm: float) -> tuple[Length, Length]:
    """Length and breadth of the hand, in the plane through the palm, parallel to the wall."""
    names = (
        HandPoint.WRIST,
        HandPoint.MIDDLE_KNUCKLE,
        HandPoint.MIDDLE_TIP,
        HandPoint.INDEX_KNUCKLE,
        HandPoint.LITTLE_KNUCKLE,
    )
    wrist, knuckle, tip, index, little = camera.to_plane(hand.points_px[list(names)], depth_mm)
    long = float(np.linalg.norm(knuckle - wrist) + np.linalg.norm(tip - knuckle))
    broad = float(np.linalg.norm(index - little))

    def length(seen_mm: float, share: tuple[float, float]) -> Length:
        value = seen_mm / share[0]
        return Length(
            value,
            (
                Contribution("landmarks of the hand", value * share[1] / share[0]),
                Contribution("distance of the hand", value * DISTANCE_OF_HAND),
            ),
        )

    return length(long, HAND_LENGTH_SEEN), length(broad, HAND_BREADTH_SEEN)


def _shifted(arm: Length, by_mm: float, hand: Length, share: float, own_mm: float) -> Length:
    """The arm length moved along the hand by a share of its length."""
    parts = (
        Contribution("length of the hand", share * hand.standard_uncertainty_mm),
        Contribution("place on the hand", own_mm),
    )
    interval = None if arm.interval_mm is None else _moved(arm, by_mm, parts)
    return Length(arm.value_mm + by_mm, (*arm.budget, *parts), interval)


def _scaled(length: Length, factor: float, deviation: float, source: str) -> Length:
    own = Contribution(source, deviation * length.value_mm)
    parts = tuple(Contribution(p.source, factor * p.contribution_mm, p.key) for p in length.budget)
    value = factor * length.value_mm
    interval = None if length.interval_mm is None else _moved(length, value - length.value_mm, (own,))
    return Length(value, (*parts, own), interval)


def _moved(length: Length, by_mm: float, added: Sequence[Contribution]) -> tuple[float, float]:
    """A skew interval moved, and widened by further independent causes."""
    low, high = length.value_mm - length.low_mm, length.high_mm - length.value_mm
    extra = COVERAGE_FACTOR * float(np.sqrt(sum(part.contribution_mm**2 for part in added)))
    middle = length.value_mm + by_mm
    return middle - float(np.hypot(low, extra)), middle + float(np.hypot(high, extra))
