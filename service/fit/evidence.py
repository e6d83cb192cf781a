"""What playing signs say about size, and about everything else that may cause them.

A pressed wrist can come from a body that is too long for the arm, from a missing shoulder rest, or from habit.  So a
sign is weighed cause by cause.  Whether the size strains a child is a yes or no, S, whose chance falls with the margin
d (arm minus shortest arm):

    P(S | d) = 0.75 F(-(d + 8 mm) / 7 mm)          F: standard normal distribution

about one in ten at the shortest arm of the band, one in two beyond the stretch, and never more than three in four:
strain comes late and is overlooked, so that signs that are all good speak four to one at most, and cannot turn a far
too large instrument into one that fits.  Given S, the signs are independent: each shows with its own chance if the size
strains, and by its other causes with theirs.  Multiplying gives the likelihood of what was seen as a function of d
(Bayes' rule); the arm is the same whatever is played, so what was seen on one instrument counts for every other: a
child strained on this one is strained more on every larger one.

All chances here are ours: a teacher's impressions in numbers, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from calibration.arrays import Array
from service.fit.signs import SIGN_CAUSES, PlayingSigns, SignCause

SEEN = 0.75
"""Chance that strain by a far too large instrument is there and seen."""

STRAIN_AT_MM, STRAIN_WIDTH_MM = -8.0, 7.0
"""Margin at which half of what would be seen is seen, and how much children differ in it, mm."""


@dataclass(frozen=True, slots=True)
class Played:
    """What was seen while the child played an instrument.

    Attributes
    ----------
    shortest_arm_mm : float
        Shortest arm the chart asks for that instrument, mm.
    signs : PlayingSigns
    """

    shortest_arm_mm: float
    signs: PlayingSigns

    def likelihood(self, arm_mm: Array) -> Array:
        """Likelihood of what was seen if the arm were `arm_mm` (any shape), mm."""
        chance = strained_by_size(arm_mm - self.shortest_arm_mm)
        strained, easy = self.chances
        return chance * strained + (1 - chance) * easy

    @property
    def chances(self) -> tuple[float, float]:
        """Chance of these answers if the size strains the child, and if it does not."""
        return answer_chances(self.signs)


def strained_by_size(margin_mm: Array) -> Array:
    """Chance that an instrument's size strains a child with this margin, and that it is seen; any shape, mm."""
    return np.asarray(SEEN * ndtr(-(margin_mm - STRAIN_AT_MM) / STRAIN_WIDTH_MM))


def answer_chances(signs: PlayingSigns) -> tuple[float, float]:
    """Chance of these answers if the size strains the child, and if it does not."""
    strained, easy = 1.0, 1.0
    for name, causes in SIGN_CAUSES.items():
        answer = getattr(signs, name)
        if answer is None or causes.by_size is None:
            continue
        other = causes.other_chance
        bad = 1 - (1 - causes.by_size) * (1 - other)
        strained *= 1 - bad if answer else bad
        easy *= 1 - other if answer else other
    return strained, easy


@dataclass(frozen=True, slots=True)
class Suspected:
    """A cause of a bad sign and how probable it is among that sign's causes."""

    cause: SignCause
    probability: float


def suspected(sign: str, strained: float, too_small: float) -> tuple[Suspected, ...]:
    """Causes of a bad sign, the likeliest first; their probabilities add to one.

    Parameters
    ----------
    sign : str
        Name of the sign, e.g. ``"wrist_free"``.
    strained : float
        Probability that the instrument's size strains the child, all answers considered.
    too_small : float
        Probability that the instrument is too small: its strings are then close for the bow.
    """
    causes = SIGN_CAUSES[sign]
    size = too_small if causes.by_size is None else strained * causes.by_size
    weighed = [(each, each.chance) for each in causes.others] + [(causes.size, size)]
    total = sum(weight for _, weight in weighed)
    found = [Suspected(each, weight / total) for each, weight in weighed]
    return tuple(sorted(found, key=lambda each: -each.probability))
