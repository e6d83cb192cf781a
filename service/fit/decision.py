"""What is known of an instrument, and what there is to do: the two levels of every answer.

*Known* is a claim about the four classes, made only at its confidence (JCGM 106:2012 with guard bands; the non-binary
statement of ILAC-G8:09/2019, 4.2.3, is the model).  The narrowest claim that holds is made:

    too small           P(too small) >= 95 %
    fits                P(fits) >= 95 % and P(stretch or too large) <= 2.5 %
    stretch             P(stretch) >= 95 % and P(too large) <= 2.5 %
    too large           P(too large) >= 95 %
    small or fits       P(too small or fits) >= 95 % and P(stretch or too large) <= 2.5 %
    fits or stretch     P(fits or stretch) >= 95 % and P(too large) <= 2.5 %
    stretch or large    P(stretch or too large) >= 95 %
    not decided         everything else

The strain side is held to 2.5 % and the other to 5 %, because too large strains a child and too small only plays worse.

*To do* is one action, always: `service.fit.weighing` chooses it by expected loss; what is not whole is repaired first.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from service.fit.assessment import Classes


class Decision(StrEnum):
    """What is known about an instrument: one class, two neighbouring ones, or neither."""

    NOT_DECIDED = "not_decided"
    TOO_SMALL = "too_small"
    SMALL_OR_FITS = "small_or_fits"
    FITS = "fits"
    FITS_OR_STRETCH = "fits_or_stretch"
    STRETCH = "stretch"
    STRETCH_OR_LARGE = "stretch_or_large"
    TOO_LARGE = "too_large"


class Action(StrEnum):
    """What there is to do."""

    TAKE = "take"
    TRY = "try"
    ASK_SIGNS = "ask_signs"
    SET_UP = "set_up"
    SMALLER = "smaller"
    LARGER = "larger"
    WAIT = "wait"
    MEASURE = "measure"
    STOP = "stop"
    REPAIR = "repair"


PLAYED = frozenset((Action.TAKE, Action.TRY))
"""Actions after which the child plays this instrument."""


CONFIDENCE = 0.95
"""Least probability of what is claimed."""

STRAIN_RISK = 0.025
"""Largest accepted probability of an instrument larger than claimed, or of one too large that is taken or tried."""

CLASS_ORDER = ("too_small", "fits", "stretch", "too_large")


@dataclass(frozen=True, slots=True)
class Probabilities:
    """How probable each class is; they add to one."""

    too_small: float
    fits: float
    stretch: float
    too_large: float

    @property
    def likeliest(self) -> Decision:
        """The class with the largest probability; of equals the larger instrument, the cautious one."""
        return max(reversed(CLAIMS[Decision.NOT_DECIDED]), key=lambda each: float(getattr(self, each.value)))

    def of(self, claim: tuple[Decision, ...]) -> float:
        """Probability that one of these classes is true."""
        return float(sum(getattr(self, each.value) for each in claim))


CLAIMS: dict[Decision, tuple[Decision, ...]] = {
    Decision.NOT_DECIDED: (Decision.TOO_SMALL, Decision.FITS, Decision.STRETCH, Decision.TOO_LARGE),
    Decision.TOO_SMALL: (Decision.TOO_SMALL,),
    Decision.SMALL_OR_FITS: (Decision.TOO_SMALL, Decision.FITS),
    Decision.FITS: (Decision.FITS,),
    Decision.FITS_OR_STRETCH: (Decision.FITS, Decision.STRETCH),
    Decision.STRETCH: (Decision.STRETCH,),
    Decision.STRETCH_OR_LARGE: (Decision.STRETCH, Decision.TOO_LARGE),
    Decision.TOO_LARGE: (Decision.TOO_LARGE,),
}
"""Classes of which a decision claims that one is true; all four where nothing is claimed."""

DECISIONS = tuple(Decision)
"""Decision of each code that `decide` gives."""


def decide(found: Classes) -> NDArray[np.int64]:
    """Make the narrowest claim that holds, for N instruments.

    Parameters
    ----------
    found : Classes

    Returns
    -------
    ndarray of int, shape (N,)
        Places in `DECISIONS`.

    Examples
    --------
    >>> found = Classes(*(np.array([each]) for each in (0.0, 0.6, 0.39, 0.01)))
    >>> str(DECISIONS[decide(found)[0]])
    'fits_or_stretch'
    """
    sure, risk = CONFIDENCE, STRAIN_RISK
    larger = found.stretch + found.too_large
    holds = {
        Decision.TOO_SMALL: found.too_small >= sure,
        Decision.TOO_LARGE: found.too_large >= sure,
        Decision.FITS: (found.fits >= sure) & (larger <= risk),
        Decision.STRETCH: (found.stretch >= sure) & (found.too_large <= risk),
        Decision.SMALL_OR_FITS: (found.too_small + found.fits >= sure) & (larger <= risk),
        Decision.FITS_OR_STRETCH: (found.fits + found.stretch >= sure) & (found.too_large <= risk),
        Decision.STRETCH_OR_LARGE: larger >= sure,
    }
    codes = [DECISIONS.index(each) for each in holds]
    return np.select(list(holds.values()), codes, DECISIONS.index(Decision.NOT_DECIDED)).astype(np.int64)
