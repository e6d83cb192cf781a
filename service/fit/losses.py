"""What a wrong choice costs: the one table by which an action is chosen.

The unit is a day of trouble for child, family and teacher.  Nobody has measured these costs: they are our round
figures, made with the trade's rules in mind, and a teacher may set others.  What they say: strain costs more than
anything, because it hurts; an instrument that is a little small costs little, because the child grows on it; to send
an instrument back costs money and about a week; to measure once more or to let the child play for the teacher costs a
day.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import isfinite

from service.fit.errors import FitError
from service.fit.sentences import Sentence, say

MOST_DAYS = 1000.0
"""The largest loss that is taken, days; our choice: three years, beyond which only a slip of the pen lies."""


@dataclass(frozen=True, slots=True)
class Losses:
    """Costs, in days of trouble.

    Attributes
    ----------
    strain_per_mm : float
        From quarter size up, for each millimetre of arm that an instrument asks beyond the child's.
    strained : float
        Below quarter size, for a child that is strained by its instrument's size until somebody sees it.
    harm : float
        For an instrument that is too large: beyond a stretch, on top of the other two.
    small_per_mm : float
        For each millimetre by which the arm has outgrown an instrument.
    exchange : float
        For sending an instrument back and another one out.
    waiting : float
        For measuring once more, or letting the child play for the teacher.

    Raises
    ------
    FitError
        If a cost is negative, no number, or beyond `MOST_DAYS`.
    """

    strain_per_mm: float = 6.0
    strained: float = 15.0
    harm: float = 60.0
    small_per_mm: float = 1.0
    exchange: float = 6.0
    waiting: float = 1.0

    def __post_init__(self) -> None:
        for name, cost in asdict(self).items():
            if not isfinite(cost) or not 0 <= cost <= MOST_DAYS:
                raise FitError(
                    say(
                        "The loss “{name}” must be a number of days, from 0 to {most}.",
                        name=name,
                        most=f"{MOST_DAYS:g}",
                    )
                )


LOSSES = Losses()
"""The costs that hold where nobody set others."""

LOSS_WORDS: dict[str, Sentence] = {
    "strain_per_mm": say("from quarter size up: each mm of arm that an instrument asks beyond the child's"),
    "strained": say("below quarter size: a child strained by the instrument's size until somebody sees it"),
    "harm": say("an instrument too large by more than a stretch, on top of these"),
    "small_per_mm": say("each mm by which the arm has outgrown an instrument"),
    "exchange": say("sending an instrument back and another one out"),
    "waiting": say("measuring once more, or letting the child play for the teacher"),
}
"""What each cost is for, for the README and a teacher's settings."""


def read_losses(text: str, given: Losses = LOSSES) -> Losses:
    """Read losses written as ``strain_per_mm=6, exchange=10``; those not named stay as they are.

    Raises
    ------
    FitError
        If a name is unknown or a value is no cost.

    Examples
    --------
    >>> read_losses("exchange=10").exchange
    10.0
    """
    costs = asdict(given)
    for part in filter(None, (each.strip() for each in text.split(","))):
        name, _, value = (each.strip() for each in part.partition("="))
        if name not in costs:
            raise FitError(
                say("“{name}” is not a loss; there are {names}.", name=name, names=", ".join(costs)),
            )
        try:
            costs[name] = float(value)
        except ValueError:
            said = say("“{part}” is not a loss with its days; write it like exchange=10,strained=20.", part=part)
            raise FitError(said) from None
    return Losses(**costs)
