"""From probabilities to a decision by a stated rule.

The rule (JCGM 106:2012 with guard bands; the non-binary statement of ILAC-G8:09/2019, 4.2.3, is the model).  Costs are
not alike: too large strains a child, too small only plays worse.  So at most 2.5 % risk is taken on the strain side and
5 % on the other:

    too large    P(too large) >= 95 %
    too small    P(too small) >= 95 %
    fits         P(fits) >= 95 % and P(stretch or too large) <= 2.5 %
    stretch      P(fits or stretch) >= 95 % and P(too large) <= 2.5 %, and either stretch is the likelier half or all
                 playing signs are good below quarter size: "at most a stretch, and not too small"
    not decided  everything else; a wide uncertainty ends here, unless arm and instrument are further apart still

What is decided is therefore a *claim* that is right with at least 95 %.  Playing signs that show strain then move the
decision towards "too large", never away from it.

What follows from a decision is the trade's rule: from quarter size up, between two sizes the smaller; below, a stretch
may be right when the playing signs allow it, since very small instruments sound poorer, slip in their tuning more and
crowd the fingers and the bow.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from service.fit.assessment import Classes
from service.fit.signs import PlayingSigns


class Decision(StrEnum):
    """What is said about an instrument."""

    TOO_SMALL = "too_small"
    FITS = "fits"
    STRETCH = "stretch"
    TOO_LARGE = "too_large"
    NOT_DECIDED = "not_decided"


class Action(StrEnum):
    """What follows from it."""

    TAKE = "take"
    ASK_SIGNS = "ask_signs"
    SMALLER = "smaller"
    LARGER = "larger"
    MEASURE = "measure"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How sure a decision must be.

    Attributes
    ----------
    confidence : float
        Least probability of what is claimed.
    strain_risk : float
        Largest accepted probability of an instrument larger than claimed.
    """

    confidence: float = 0.95
    strain_risk: float = 0.025


RULE = DecisionRule()


@dataclass(frozen=True, slots=True)
class Probabilities:
    """How probable each class is; they add to one."""

    too_small: float
    fits: float
    stretch: float
    too_large: float

    @property
    def likeliest(self) -> Decision:
        """The class with the largest probability."""
        pairs = (
            (self.too_large, "too_large"),
            (self.stretch, "stretch"),
            (self.fits, "fits"),
            (self.too_small, "too_small"),
        )
        return Decision(max(pairs)[1])


CLASS_ORDER = ("too_small", "fits", "stretch", "too_large")


DECISIONS = (Decision.NOT_DECIDED, Decision.TOO_SMALL, Decision.FITS, Decision.STRETCH, Decision.TOO_LARGE)
"""Decision of each code that `decide` gives."""


def decide(
    found: Classes, small: NDArray[np.bool_], rule: DecisionRule = RULE, signs_good: bool = False
) -> NDArray[np.int64]:
    """Apply the rule at the top of this module to N probabilities.

    Parameters
    ----------
    found : Classes
    small : ndarray of bool, shape (N,) or one bool
        Smaller than a quarter size.
    rule : DecisionRule
    signs_good : bool
        Whether all playing signs were answered well; counts below quarter size only.

    Returns
    -------
    ndarray of int, shape (N,)
        Places in `DECISIONS`.
    """
    larger = found.stretch + found.too_large
    playable = (found.fits + found.stretch >= rule.confidence) & (found.too_large <= rule.strain_risk)
    code = np.zeros(np.shape(found.fits), dtype=np.int64)
    code[playable & ((found.stretch >= found.fits) | (small & signs_good))] = 3
    code[(found.fits >= rule.confidence) & (larger <= rule.strain_risk)] = 2
    code[found.too_small >= rule.confidence] = 1
    code[found.too_large >= rule.confidence] = 4
    return code


def claim_of(decision: Decision) -> tuple[Decision, ...]:
    """Classes of which a decision claims that one is true; none if nothing is decided."""
    if decision is Decision.NOT_DECIDED:
        return ()
    return (Decision.FITS, Decision.STRETCH) if decision is Decision.STRETCH else (decision,)


def with_signs(decision: Decision, p: Probabilities, signs: PlayingSigns | None) -> tuple[Decision, bool]:
    """Move the decision towards too large as far as signs of strain ask; never away from it."""
    if signs is None or not signs.strain:
        return decision, False
    # Strain with an instrument that is rather too small has another cause, which only the teacher can see.
    if decision in (Decision.TOO_SMALL, Decision.TOO_LARGE) or p.too_small >= 0.5:
        return decision, False
    likely_fits = decision is Decision.FITS or (decision is Decision.NOT_DECIDED and p.fits >= 0.5)
    if likely_fits and len(signs.strain) == 1 and not signs.pain:
        return Decision.STRETCH, True
    return Decision.TOO_LARGE, True


def action_for(
    decision: Decision, p: Probabilities, small: bool, signs: PlayingSigns | None, rule: DecisionRule
) -> Action:
    """What follows from a decision by the trade's rule of sizes and what was seen while playing."""
    if signs is not None and signs.pain:
        return Action.STOP
    strained = signs is not None and bool(signs.strain)
    if decision is Decision.TOO_LARGE or (strained and decision is Decision.STRETCH):
        return Action.SMALLER
    if decision is Decision.TOO_SMALL:
        return Action.LARGER
    if decision is Decision.FITS:
        return Action.TAKE
    playable = p.fits + p.stretch >= rule.confidence and p.too_large <= rule.strain_risk
    if small and playable:
        return Action.TAKE if signs is not None and signs.all_good else Action.ASK_SIGNS
    if not small and (decision is Decision.STRETCH or p.stretch + p.too_large >= rule.confidence):
        return Action.SMALLER
    return Action.MEASURE
