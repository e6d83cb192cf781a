"""What to order: limits that any shop can check with a tape.

An order is for the size of the chart that serves this arm best (`service.fit.weighing.best_size`), whatever is played
now; a verdict names the same.  Instruments along the chart, from the smallest to the largest, are judged for this arm
as if the shop had measured them with a tape (`service.fit.choosing`).  Those around that size that may be taken make up
the order: body length from .. to .. and total length from .. to ..; where the size itself is not among them, those to
try are added.  If it is not among these either, or no size may be played, the order is a first guess, and says what has
to be known better: what the verdict on such an instrument would ask for.  Since the
shortest arm is the mean of what body and total length ask, any instrument with both lengths inside the limits will do,
whatever its label and its neck.

What was seen while playing counts, on whichever instrument: what would have to wait for that, had it stood on a shelf,
is not ordered.  An instrument that was judged too large or too small, and everything beyond it, is never ordered again.
The order is then for the size that was said to be taken instead.  A growth allowance asks for more: with the arm grown
by that much the instrument must more likely than not still not be too small.  Where the size that is ordered does not
suit now and later, or no size of the chart does, the one now is what counts.  Whoever reads an order reads what it
allows for, and how far the figures of growth go.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from calibration.arrays import Array, Mask
from calibration.quantity import Length
from service.fit.assessment import TINY_MM, InstrumentLengths, Moments, assess, assess_moments, classes_of, with_prior
from service.fit.chart import Chart
from service.fit.choosing import EVERY_ACTION, UNSETTLED, Choices, choose_measured
from service.fit.decision import CONFIDENCE, PLAYED, Action
from service.fit.evidence import Played
from service.fit.lengths import TAPE_INSTRUMENT_U_MM, check_plausible, is_along_bent_arm, widened
from service.fit.losses import LOSSES, Losses
from service.fit.sentences import Millimetres, Number, Sentence, Translate, say, unchanged
from service.fit.signs import PlayingSigns
from service.fit.verdict import Verdict, nearest_size
from service.fit.weighing import ANOTHER_MM, NOTHING_SEEN, Seen, best_size

Beyond = Literal["smaller", "larger"]

OpenBy = Literal["arm", "playing", "instrument"]

STEPS_PER_SIZE = 40
"""How finely instruments along the chart are judged: about half a millimetre of body."""

LIKELIER_THAN_NOT = 0.5
"""Probability of too small after the growth allowed for, up to which an instrument is said to last."""

BOWS_MM = (
    (192.0, 370.0),
    (217.0, 405.0),
    (235.0, 450.0),
    (255.0, 495.0),
    (280.0, 565.0),
    (310.0, 625.0),
    (335.0, 685.0),
    (356.0, 745.0),
)
"""Body length and the length of the bow that is sold with it, mm: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Least and largest length, mm."""

    from_mm: float
    to_mm: float

    def as_json(self) -> dict[str, float]:
        """Both ends as JSON, mm."""
        return {"from_mm": round(self.from_mm, 1), "to_mm": round(self.to_mm, 1)}


@dataclass(frozen=True, slots=True)
class Allowance:
    """Growth of the arm after which an instrument should still not be too small.

    Attributes
    ----------
    mm : float
    months : int or None
        In how many months the arm grows by that much; None where a length was asked for.
    last_age : float or None
        Age in years at which the figures of growth end, where that is before these months are over.
    """

    mm: float = 0.0
    months: int | None = None
    last_age: float | None = None

    def sentence(self) -> Sentence:
        """In words."""
        if self.last_age is not None:
            return say(
                "Growth allowed for: {mm} of arm, up to the age of {age} years only; the figures used here end there.",
                mm=Millimetres(self.mm),
                age=Number(self.last_age),
            )
        if self.months is not None:
            return say(
                "Growth allowed for: {mm} of arm (months: {months}).",
                mm=Millimetres(self.mm),
                months=Number(self.months),
            )
        return say("Growth allowed for: {mm} of arm.", mm=Millimetres(self.mm))


NOT_GROWN = Allowance()


@dataclass(frozen=True, slots=True)
class Order:
    """An instrument described for a shop.

    Attributes
    ----------
    body, total : Limits or None
        Limits of body and total length as a shop measures them, mm; None where there is nothing to order.
    sizes : tuple of str
        Sizes of the chart inside the limits; the nearest one if none is.
    decided : bool
        Whether every instrument inside the limits may be taken or tried; if not, the limits are only the likeliest.
    open_by : {'arm', 'playing', 'instrument'} or None
        What it is, where it is not decided, that has to be known better first: the arm, how the child plays an
        instrument of that size, or lengths that a shop measures more exactly.
    stretch : bool
        Whether a stretch was allowed.
    growth : Allowance
        Growth that was to be allowed for.
    growth_kept : bool
        Whether the limits keep it.
    bow_mm : float or None
        Length of the bow that goes with it, mm.
    beyond : {'smaller', 'larger'} or None
        Whether the child needs an instrument smaller or larger than any of the chart.
    hold : Sentence or None
        Why nothing is ordered.
    """

    body: Limits | None
    total: Limits | None
    sizes: tuple[str, ...]
    decided: bool
    stretch: bool
    growth: Allowance
    growth_kept: bool
    bow_mm: float | None = None
    beyond: Beyond | None = None
    hold: Sentence | None = None
    open_by: OpenBy | None = None

    def as_json(self, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; sentences in `language` by `translate`."""
        return {
            "body_length": None if self.body is None else self.body.as_json(),
            "total_length": None if self.total is None else self.total.as_json(),
            "sizes": list(self.sizes),
            "decided": self.decided,
            "open_by": self.open_by,
            "stretch": self.stretch,
            "growth_mm": round(self.growth.mm, 1),
            "growth_months": self.growth.months,
            "growth_ends_at_years": self.growth.last_age,
            "growth_kept": self.growth_kept,
            "bow_length_mm": self.bow_mm,
            "beyond_chart": self.beyond,
            "label": None if self.body is None else label_sentence(self).text(translate, language),
            "to_order": self.body is not None,
            "message": [each.text(translate, language) for each in order_sentences(self)],
        }


def order(
    arm: Length,
    chart: Chart,
    growth: Allowance = NOT_GROWN,
    stretch: bool = False,
    shop_u_mm: float = TAPE_INSTRUMENT_U_MM,
    losses: Losses = LOSSES,
    instead_of: Verdict | None = None,
    played: Sequence[tuple[InstrumentLengths, PlayingSigns]] = (),
    doubted: bool = False,
) -> Order:
    """Work out what to order for a child.

    Parameters
    ----------
    arm : Length
    chart : Chart
    growth : Allowance
        Growth of the arm after which the instrument should still not be too small.
    stretch : bool
        Allow a stretch below quarter size, because the playing signs with a like instrument are good.
    shop_u_mm : float
        Standard uncertainty of the shop's measuring, mm.
    losses : Losses
    instead_of : Verdict, optional
        The instrument that is to be replaced: what was seen on it counts, and the like of it is not ordered again.
    played : sequence of (InstrumentLengths, PlayingSigns)
        What was seen while the child played others: what would have to wait for that on a shelf is not ordered either.
    doubted : bool
        Whether other measurements of the child contradict this arm: then nothing is ordered by it.

    Returns
    -------
    Order

    Raises
    ------
    LengthError
        If the arm is implausible.
    """
    check_plausible(arm.value_mm, "arm")
    if instead_of is not None and instead_of.action in HOLDS:
        beyond: Beyond | None = "smaller" if instead_of.action is Action.WAIT else None
        return _nothing(HOLDS[instead_of.action], beyond, stretch, growth)
    if doubted:
        return _nothing(HOLDS[Action.MEASURE], None, stretch, growth)
    lengths = _line(chart, shop_u_mm)
    seen = _seen(arm, chart, instead_of, played)
    choices = choose_measured(arm, lengths, chart, seen, losses, _measured_again(arm))
    named = _named(choices, instead_of, losses)
    open_to = _not_again(instead_of, choices.found.shortest_arm_mm)
    line = _Line(lengths, choices, open_to, _not_small(choices), instead_of, named)
    suiting, is_sized = line.suiting(stretch)
    hold = line.hold(suiting)
    if hold is not None:
        return _nothing(*hold, stretch, growth)
    wanted, decided = line.around_named(suiting, is_sized, losses) if line.named else (line.around_best(suiting), False)
    lasting = line.lasting(wanted, growth.mm)
    chosen = np.flatnonzero(wanted if lasting is None else lasting)
    first, last = chosen[0], chosen[-1]
    middle = (first + last) // 2
    rows = _rows_in(chart, wanted if lasting is None else lasting)
    beyond = "larger" if lengths.body[first] > chart.bodies_mm[-1] else None
    return Order(
        _around(lengths.body[[first, last]], [row.body_length_mm for row in chart.rows if row.size in rows]),
        _around(lengths.total[[first, last]], [row.total_length_mm for row in chart.rows if row.size in rows]),
        rows or (nearest_size(chart, float(choices.found.place[middle])),),
        decided and beyond is None,
        stretch,
        growth,
        lasting is not None,
        bow_mm(float(lengths.body[middle])),
        beyond,
        open_by=None if decided or beyond is not None else line.open_by(losses),
    )


def _nothing(hold: Sentence, beyond: Beyond | None, stretch: bool, growth: Allowance) -> Order:
    """No order, and why."""
    return Order(None, None, (), False, stretch, growth, False, None, beyond, hold)


@dataclass(frozen=True)
class _Line:
    """The N instruments along the chart, each judged for one arm as if the shop had measured it.

    Attributes
    ----------
    lengths : Moments
    choices : Choices
    open_to : (N,) ndarray
        Which may be ordered at all: not again what was judged too large or too small.
    not_small : (N,) ndarray
        Which are not too small for certain however exactly they are measured: a shop's tape makes nothing fit.
    instead_of : Verdict or None
        Of the instrument that is to be replaced.
    named : str or None
        Size of the chart that is ordered; None where none may be played.
    """

    lengths: Moments
    choices: Choices
    open_to: Mask
    not_small: Mask
    instead_of: Verdict | None
    named: str | None

    @property
    def _place_of_named(self) -> int:
        return _index_of(self.choices.chart.sizes.index(self.named or ""))

    def suiting(self, stretch: bool) -> tuple[Mask, bool]:
        """Which may be taken; or, where the size to order (without one: any size) is not among them, taken or tried.

        The second says whether such a size is among those that are given.
        """
        chart, found = self.choices.chart, self.choices.found
        may_suit = self.open_to & self.not_small
        take, may_play, ask = (
            np.array([each in actions for each in self.choices.actions]) & may_suit
            for actions in ({Action.TAKE}, PLAYED, PLAYED | {Action.ASK_SIGNS})
        )
        for mask in (take | (ask & found.small & stretch), may_play):
            sizes = _rows_in(chart, mask)
            if self.named in sizes if self.named else sizes:
                return mask, True
        return may_play, False

    def hold(self, suiting: Mask) -> tuple[Sentence, Beyond | None] | None:
        """Why nothing is ordered, and whether the chart ends before what the child needs; None where nothing holds."""
        chart, arm_mm = self.choices.chart, self.choices.arm.value_mm
        if self.named is None and not _rows_in(chart, suiting):
            if arm_mm < chart.arms_from_mm[0]:
                return NONE_SMALL_ENOUGH, "smaller"
            if arm_mm > chart.rows[-1].arm_to_mm:
                return NONE_LARGE_ENOUGH, "larger"
        waits = self.open_to & np.array([each in UNSETTLED for each in self.choices.actions])
        is_unsettled = waits[self._place_of_named] if self.named else waits.any() and not suiting.any()
        return (UNSETTLED_FIRST, None) if is_unsettled else None

    def around_best(self, suiting: Mask) -> Mask:
        """Where no size may be played, the range around the least costly of those that suit, or of the likeliest."""
        fits = self.choices.weighed.costs.classes.fits
        if not suiting.any():
            suiting = (fits >= min(LIKELIER_THAN_NOT, float(fits[self.open_to].max()))) & self.open_to
        return _one_range(suiting, int(np.argmin(np.where(suiting, self.choices.weighed.costs.play, np.inf))))

    def around_named(self, suiting: Mask, is_sized: bool, losses: Losses) -> tuple[Mask, bool]:
        """The range around the size that is ordered; False where that is only a first guess.

        Then the range is of all that costs no more than asking again.
        """
        best, costs = self._place_of_named, self.choices.weighed.costs
        wanted = suiting.copy()
        if not is_sized:
            wanted = self.open_to & costs.allowed & (costs.play <= costs.play[best] + losses.waiting)
        wanted[best] = True
        signs = self.instead_of.signs if self.instead_of is not None else None
        if signs is not None and signs.strain:
            wanted[best + 1 :] = False  # playing spoke for care: nothing longer than the size that was named
        return _one_range(wanted, best), is_sized

    def open_by(self, losses: Losses) -> OpenBy:
        """What has to be known better before the size to order can be: what its own verdict asks for first."""
        choices = self.choices
        if self.named is None:
            by_lengths = best_size(choices.chart, choices.arm, NOTHING_SEEN, losses)
            return "arm" if by_lengths is None else "playing"
        place = self._place_of_named
        if choices.actions[place] is Action.ASK_SIGNS:
            return "playing"
        steps = choices.steps.get(place, ())
        return "instrument" if steps and steps[0].step.arm_u_mm is None else "arm"

    def lasting(self, wanted: Mask, growth_mm: float) -> Mask | None:
        """Which of those wanted are more likely than not still not too small after growth; None where no size is."""
        chart, arm = self.choices.chart, self.choices.arm
        later = assess_moments(chart, arm.value_mm + growth_mm, widened(arm).standard_uncertainty_mm ** 2, self.lengths)
        lasting = np.asarray(wanted & ((later.classes.too_small <= LIKELIER_THAN_NOT) | (growth_mm == 0)))
        sizes = _rows_in(chart, lasting)
        kept = self.named in sizes if self.named else bool(sizes) or not _rows_in(chart, wanted)
        return lasting if kept and lasting.any() else None


NONE_SMALL_ENOUGH = say(
    "No violin of the chart is small enough for this arm yet: wait some months and measure again, or let the teacher "
    "begin without one that has to be held up."
)
NONE_LARGE_ENOUGH = say("The arm is longer than the chart's largest size suits; let the teacher decide.")
UNSETTLED_FIRST = say("Order nothing yet: first settle, with the teacher, what was seen while playing.")
HOLDS = {
    Action.STOP: UNSETTLED_FIRST,
    Action.SET_UP: UNSETTLED_FIRST,
    Action.WAIT: NONE_SMALL_ENOUGH,
    Action.MEASURE: say("Order nothing yet: measure once more first."),
}
"""Why nothing is ordered in place of an instrument, by what there is to do with it."""


def bow_mm(body_mm: float) -> float:
    """Length of the bow that is sold with a body of this length, mm, to 5 mm; common practice, no source.

    Examples
    --------
    >>> bow_mm(356.0), bow_mm(255.0)
    (745.0, 495.0)
    """
    return float(5 * round(np.interp(body_mm, [each for each, _ in BOWS_MM], [each for _, each in BOWS_MM]) / 5))


def label_sentence(wanted: Order) -> Sentence:
    """The order on a label: what has to be checked on the instrument, in one line."""
    assert wanted.body is not None
    assert wanted.total is not None
    return say(
        "Violin, body {body_from} to {body_to}, total {total_from} to {total_to} (often sold as {sizes})",
        body_from=Millimetres(wanted.body.from_mm),
        body_to=Millimetres(wanted.body.to_mm),
        total_from=Millimetres(wanted.total.from_mm),
        total_to=Millimetres(wanted.total.to_mm),
        sizes=", ".join(wanted.sizes),
    )


def order_sentences(wanted: Order) -> tuple[Sentence, ...]:
    """The order as sentences to send to a shop: the limits, then how to measure."""
    if wanted.body is None or wanted.total is None:
        return (wanted.hold or NONE_SMALL_ENOUGH,)
    lines = [
        say(
            "Wanted: a violin with a body length from {body_from} to {body_to} and a total length from {total_from} to "
            "{total_to}, whatever its label (usually sold as {sizes}).",
            body_from=Millimetres(wanted.body.from_mm),
            body_to=Millimetres(wanted.body.to_mm),
            total_from=Millimetres(wanted.total.from_mm),
            total_to=Millimetres(wanted.total.to_mm),
            sizes=", ".join(wanted.sizes),
        )
    ]
    if wanted.beyond == "larger":
        lines.append(NONE_LARGE_ENOUGH)
    elif wanted.open_by is not None:
        lines.append(FIRST_GUESS[wanted.open_by])
    if wanted.growth.mm > 0:
        outgrown = say(
            "What suits now is outgrown once the arm has grown by {mm}; these limits are for now.",
            mm=Millimetres(wanted.growth.mm),
        )
        lines.append(wanted.growth.sentence() if wanted.growth_kept else outgrown)
    if wanted.bow_mm is not None:
        lines.append(
            say("A bow of about {mm} goes with it (common practice, no source).", mm=Millimetres(wanted.bow_mm))
        )
    return (*lines, *ASK_THE_SHOP)


FIRST_GUESS: dict[OpenBy, Sentence] = {
    "arm": say("Please do not send this yet: the arm is not known well enough, these limits are a first guess."),
    "playing": say(
        "Please do not send this yet: whether this size suits shows only while the child plays, these limits are a "
        "first guess."
    ),
    "instrument": say(
        "Please do not send this yet: the lengths have to be measured more exactly than with a tape, these limits are "
        "a first guess."
    ),
}
"""What is said of limits that are not decided, by what is open."""

ASK_THE_SHOP: tuple[Sentence, ...] = (
    say("Body length: on the back, straight from the upper edge at the neck to the lower edge, without the button."),
    say("Total length: straight from the top of the scroll to the lower edge of the body, without the end button."),
    say("Please measure with a stiff ruler or a tape held straight, not along the arch, and write both in mm."),
)
"""What to ask a shop to measure, and how."""


def _measured_again(arm: Length) -> frozenset[Action]:
    """Actions of which it matters for an order whether measuring again comes first: not those that order nothing.

    With an arm that cannot be raised playing comes first in place of measuring, whatever the action was.
    """
    return EVERY_ACTION if is_along_bent_arm(arm) else PLAYED | {Action.ASK_SIGNS}


def _seen(
    arm: Length,
    chart: Chart,
    instead_of: Verdict | None,
    played: Sequence[tuple[InstrumentLengths, PlayingSigns]],
) -> Seen:
    """What was seen while playing: on the instrument that is to be replaced, and on others."""
    own = [] if instead_of is None or instead_of.signs is None else [(instead_of.instrument, instead_of.signs)]
    watched = [*own, *played]
    if not watched:
        return NOTHING_SEEN
    shortest = assess(chart, arm, [each for each, _ in watched]).shortest_arm_mm.tolist()
    return Seen(tuple(Played(mm, signs) for mm, (_, signs) in zip(shortest, watched, strict=True)))


def _named(choices: Choices, instead_of: Verdict | None, losses: Losses) -> str | None:
    """The size to order: what was said to be taken instead, else the one that serves this arm best."""
    if instead_of is not None and instead_of.action in (Action.SMALLER, Action.LARGER):
        return None if instead_of.instead is None else instead_of.instead.size
    best = best_size(choices.chart, choices.arm, choices.seen, losses)
    return None if best is None else choices.chart.sizes[best]


def _not_again(instead_of: Verdict | None, shortest: Array) -> Mask:
    """Which instruments are still open after one was judged too large or too small."""
    if instead_of is not None and instead_of.action is Action.SMALLER:
        return np.asarray(shortest < instead_of.shortest_arm_mm - ANOTHER_MM)
    if instead_of is not None and instead_of.action is Action.LARGER:
        return np.asarray(shortest > instead_of.shortest_arm_mm + ANOTHER_MM)
    return np.ones(shortest.shape, dtype=bool)


def _not_small(choices: Choices) -> Mask:
    """Which would not be surely too small if they were measured exactly; all where playing tells more than lengths."""
    u_arm, found = widened(choices.arm).standard_uncertainty_mm, choices.found
    margin, sd = with_prior(found.margin_mm, np.full(found.margin_mm.shape, max(u_arm, TINY_MM)))
    width = found.longest_arm_mm - found.shortest_arm_mm
    exact = classes_of(margin, sd, (margin - width) / sd, choices.chart.stretch_mm)
    return np.asarray((exact.too_small < CONFIDENCE) | bool(choices.seen.played))


def _rows_in(chart: Chart, mask: Mask) -> tuple[str, ...]:
    """Sizes of the chart among the instruments along it."""
    return tuple(row.size for place, row in enumerate(chart.rows) if mask[_index_of(place)])


ROOM_MM = 2.0
"""A size that is ordered may measure this much more or less than the chart says, mm: a tape's standard uncertainty."""


def _around(ends_mm: Array, rows_mm: list[float]) -> Limits:
    """Limits from the first to the last (2,) that will do, mm, and a little around the trade's sizes inside them."""
    first_mm, last_mm = ends_mm.tolist()
    return Limits(
        min([first_mm, *(each - ROOM_MM for each in rows_mm)]), max([last_mm, *(each + ROOM_MM for each in rows_mm)])
    )


def _index_of(place: int) -> int:
    """Where on `_line` a size of the chart stands."""
    return round((place + 0.5) * STEPS_PER_SIZE)


def _one_range(mask: Mask, best: int) -> Mask:
    """The unbroken range of instruments that holds the one at `best`."""
    gaps = np.flatnonzero(~mask)
    before, after = gaps[gaps < best], gaps[gaps > best]
    one = np.zeros_like(mask)
    one[(before[-1] + 1 if len(before) else 0) : (after[0] if len(after) else len(mask))] = True
    return one


def _line(chart: Chart, shop_u_mm: float) -> Moments:
    """Instruments along the chart, half a size beyond both ends, as a shop measures them."""
    last = len(chart.rows) - 1
    place = np.linspace(-0.5, last + 0.5, STEPS_PER_SIZE * (last + 1) + 1)

    def along(knots: Array) -> Array:
        inside = np.interp(place, np.arange(last + 1), knots)
        before = np.minimum(place, 0) * (knots[1] - knots[0])
        after = np.maximum(place - last, 0) * (knots[-1] - knots[-2])
        return np.asarray(inside + before + after)

    body, total = along(chart.bodies_mm), along(chart.totals_mm)
    zero, tape = np.zeros_like(body), np.full_like(body, shop_u_mm**2)
    return Moments(body, total, tape, tape, zero, zero, zero)
