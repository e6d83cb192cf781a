"""What there is to do: the action of least expected loss, for one instrument or for thousands at once.

The margin d (arm minus shortest arm, as believed after measuring) is spread over equally probable nodes; what was seen
while playing weighs the nodes (`service.fit.evidence`).  With the losses of `service.fit.losses`, W the width of the
band and S strain by the size, playing this instrument costs

    from quarter size up    strain_per_mm E[max(0, -d)]     + harm P(too large) + small_per_mm E[max(0, d - W)]
    below quarter size      strained P(S and it is seen)    + harm P(too large) + small_per_mm E[max(0, d - W)]

which is the trade's rule in figures: from quarter size up, between two sizes, the smaller; below, the larger where the
child is not strained.  The other actions cost

    the smaller, the larger    exchange + the least cost of a size of the chart on that side that may be played
    wait                       exchange + waiting, where no size of the chart is small enough
    ask for signs              waiting + the mean over "strained" and "not strained" of what is best then
    measure again              waiting + the mean over the results of what is best then (`service.fit.next_step`)

An instrument may be played only with P(too large) <= 2.5 % and P(too small) < 95 %: no loss outweighs a claim.  *Take*
becomes *try, and watch* where strain is left a chance of more than 2.5 %.  Signs of strain that the size does not
explain are settled first, and until then no larger instrument is recommended; pain means stop, and until it is settled
no other instrument is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from calibration.arrays import Array, Mask
from calibration.quantity import Length
from service.fit.assessment import Assessment, Classes, classes_of, with_prior
from service.fit.chart import Chart
from service.fit.decision import CLASS_ORDER, CONFIDENCE, STRAIN_RISK, Action
from service.fit.evidence import Played, answer_chances, strained_by_size
from service.fit.losses import LOSSES, Losses
from service.fit.signs import PlayingSigns

NODES = 61
"""Equally probable margins over which losses are averaged."""
_Z = ndtri((np.arange(NODES) + 0.5) / NODES)

OF_THE_CHART_MM = 2.0
"""Standard uncertainty of the shortest arm of an instrument that is ordered by measured limits, mm: a tape's on both
lengths (2 mm each, a slope of about 1.2 for the body and 0.8 for the total length)."""

ANOTHER_MM = 5.0
"""Arm by which a size of the chart must differ from an instrument to count as the smaller or the larger, mm; ours."""

DECIMALS = 9
"""Decimals to which losses are compared, days: what is left is rounding."""

ACTIONS = tuple(Action)
"""Action of each code."""

_TINY = np.finfo(float).tiny
_CODE = {each: code for code, each in enumerate(ACTIONS)}


@dataclass(frozen=True)
class Items:
    """N pairs of an arm and an instrument as they are believed; arrays of shape (N,).

    Attributes
    ----------
    margin_mm, sd_mm : ndarray
        Arm minus shortest arm, mm, and its standard deviation.
    shortest_mm, width_mm : ndarray
        Shortest arm and width of the band, mm; infinite where the band is open.
    small : ndarray of bool
        Below quarter size.
    arm_mm, arm_sd_mm : ndarray
        The arm itself, mm.
    classes : Classes
        Probabilities by the lengths alone.
    """

    margin_mm: Array
    sd_mm: Array
    shortest_mm: Array
    width_mm: Array
    small: Mask
    arm_mm: Array
    arm_sd_mm: Array
    classes: Classes

    @classmethod
    def of(cls, found: Assessment, arm_mm: Array | float, arm_sd_mm: float) -> Items:
        """One arm and the instruments assessed for it, or an arm for each of them."""
        return cls(
            found.believed_mm,
            found.u_believed_mm,
            found.shortest_arm_mm,
            found.longest_arm_mm - found.shortest_arm_mm,
            found.small,
            np.broadcast_to(arm_mm, found.believed_mm.shape),
            np.full(found.believed_mm.shape, arm_sd_mm),
            found.classes,
        )


@dataclass(frozen=True)
class Seen:
    """What is known from playing.

    Attributes
    ----------
    played : tuple of Played
        What was seen, on whichever instruments.
    own : sequence of PlayingSigns or None, length N, optional
        The answers for each of the items themselves.
    """

    played: tuple[Played, ...] = ()
    own: Sequence[PlayingSigns | None] | None = None

    @property
    def unsettled_mm(self) -> float | None:
        """Shortest arm of the smallest instrument with which strain was seen, mm; None without any."""
        return min((each.shortest_arm_mm for each in self.played if each.signs.strain), default=None)


NOTHING_SEEN = Seen()


@dataclass(frozen=True)
class Costs:
    """What playing the items costs; arrays of shape (N,).

    Attributes
    ----------
    classes : Classes
        Probabilities, signs considered.
    play : ndarray
        Expected loss of playing it, days.
    strained : ndarray
        Probability that its size strains the child and that this is seen.
    strain_left : ndarray
        Chance of strain that is left, by which *take* and *try* differ.
    allowed : ndarray of bool
        Whether it may be played at all.
    good : Classes
        Probabilities if all further signs were good.
    play_if_good : ndarray
        Expected loss of playing it then.
    """

    classes: Classes
    play: Array
    strained: Array
    strain_left: Array
    allowed: Mask
    good: Classes
    play_if_good: Array


@dataclass(frozen=True)
class Weighed:
    """The choice for N items; arrays of shape (N,).

    Attributes
    ----------
    costs : Costs
    action : ndarray of int
        Places in `ACTIONS`, before it is asked whether measuring again is worth while.
    loss : ndarray
        Expected loss of that action, days.
    smaller, larger : ndarray of int
        Place in the chart of the size to take instead; -1 without one.
    losses : dict of Action to ndarray
        Expected loss of every action that could be chosen, days; infinite where it could not.
    """

    costs: Costs
    action: NDArray[np.int64]
    loss: Array
    smaller: NDArray[np.int64]
    larger: NDArray[np.int64]
    losses: dict[Action, Array]


def weigh(chart: Chart, items: Items, seen: Seen = NOTHING_SEEN, losses: Losses = LOSSES) -> Weighed:
    """Choose an action for each item.

    Parameters
    ----------
    chart : Chart
    items : Items
        N pairs.
    seen : Seen
    losses : Losses

    Returns
    -------
    Weighed
    """
    costs = play_costs(chart, items, seen, losses)
    smaller, smaller_cost, larger, larger_cost = _alternatives(chart, items, seen, losses)
    none_smaller = ~np.isfinite(smaller_cost)
    instead = losses.exchange + np.where(none_smaller, losses.waiting, smaller_cost)
    good_playable = (costs.good.too_large <= STRAIN_RISK) & (costs.good.too_small < CONFIDENCE)
    asked = (
        losses.waiting
        + costs.strained * instead
        + (1 - costs.strained) * np.where(good_playable, np.minimum(costs.play_if_good, instead), instead)
    )
    can_ask = items.small & (costs.classes.too_small < CONFIDENCE) & ~_answered(seen, len(items.small))
    offers = {
        Action.TAKE: np.where(costs.allowed, costs.play, np.inf),
        Action.SMALLER: np.where(none_smaller, np.inf, instead),
        Action.WAIT: np.where(none_smaller & (costs.classes.too_small < 1 - CONFIDENCE), instead, np.inf),
        Action.LARGER: losses.exchange + larger_cost,
        Action.ASK_SIGNS: np.where(can_ask & good_playable, asked, np.inf),
    }
    table = np.stack(list(offers.values()))
    # Of equals the first, whatever rounding makes of them: nothing is asked that nothing is gained by.
    chosen = np.array([_CODE[each] for each in offers])[np.argmin(np.round(table, DECIMALS), axis=0)]
    loss = table.min(axis=0)
    lost = ~np.isfinite(loss)
    chosen[lost] = np.where(costs.classes.too_small[lost] >= 0.5, _CODE[Action.LARGER], _CODE[Action.WAIT])
    loss = np.where(lost, instead, loss)
    chosen[(chosen == _CODE[Action.TAKE]) & (costs.strain_left > STRAIN_RISK)] = _CODE[Action.TRY]
    not_large = costs.classes.stretch + costs.classes.too_large <= STRAIN_RISK
    return Weighed(costs, _after_signs(chosen, items, seen, not_large), loss, smaller, larger, offers)


def play_costs(chart: Chart, items: Items, seen: Seen = NOTHING_SEEN, losses: Losses = LOSSES) -> Costs:
    """Expected loss of playing each item, with its probabilities after what was seen."""
    margins = items.margin_mm[:, None] + items.sd_mm[:, None] * _Z
    weight = np.ones_like(margins)
    for each in seen.played:
        weight *= each.likelihood(margins + items.shortest_mm[:, None])
    weight /= _mean(weight)[:, None]
    chance = _strain_chance(margins, seen)
    strained = _mean(weight * chance)
    classes = _reweighted(items, margins, weight, chart.stretch_mm) if seen.played else items.classes
    good_weight = weight * (1 - chance)
    good_weight /= np.maximum(_mean(good_weight), _TINY)[:, None]
    good = _reweighted(items, margins, good_weight, chart.stretch_mm, only=items.small)

    below = np.maximum(-margins, 0)
    above = np.maximum(margins - items.width_mm[:, None], 0)
    short = losses.strain_per_mm * _mean(weight * below)
    play = np.where(items.small, losses.strained * strained, short)
    play = play + losses.harm * classes.too_large + losses.small_per_mm * _mean(weight * above)
    play_if_good = losses.harm * good.too_large + losses.small_per_mm * _mean(good_weight * above)
    allowed = (classes.too_large <= STRAIN_RISK) & (classes.too_small < CONFIDENCE)
    larger = classes.stretch + classes.too_large
    left = np.where(items.small, np.minimum(strained, larger), larger)
    return Costs(classes, play, strained, left, allowed, good, play_if_good)


def play_loss(margin_mm: Array, width_mm: Array, small: Mask, stretch_mm: float, losses: Losses) -> Array:
    """Loss of playing an instrument if its margin were known, days; arrays that broadcast, mm."""
    strained = losses.strained * strained_by_size(margin_mm)
    play = np.where(small, strained, losses.strain_per_mm * np.maximum(-margin_mm, 0))
    play = play + losses.harm * (margin_mm < -stretch_mm)
    return np.asarray(play + losses.small_per_mm * np.maximum(margin_mm - width_mm, 0))


def chart_items(chart: Chart, arm_mm: Array, arm_sd_mm: Array) -> Items:
    """The chart's own sizes, ordered by measured limits, for M arms: M times R items, sizes innermost."""
    arms, sds = np.repeat(arm_mm, len(chart.rows)), np.repeat(arm_sd_mm, len(chart.rows))
    shortest = np.tile(chart.arms_from_mm, len(arm_mm))
    width = np.tile(chart.widths_mm, len(arm_mm))
    small = np.tile(chart.bodies_mm < chart.small_below_body_mm, len(arm_mm))
    margin, sd = with_prior(arms - shortest, np.hypot(sds, OF_THE_CHART_MM))
    classes = classes_of(margin, sd, (margin - width) / sd, chart.stretch_mm)
    return Items(margin, sd, shortest, width, small, arms, sds, classes)


def best_size(chart: Chart, arm: Length, seen: Seen = NOTHING_SEEN, losses: Losses = LOSSES) -> int | None:
    """Which size of the chart serves an arm best, whatever is played now.

    Of the sizes that may be played it is the one of least expected loss.  Verdicts name it in place of what does not
    suit, an order is for it, growth names it to whoever has outgrown an instrument.

    Parameters
    ----------
    chart : Chart
    arm : Length
        With no smaller uncertainty than `service.fit.lengths.widened` gives.
    seen : Seen
        What was seen while playing.
    losses : Losses

    Returns
    -------
    int or None
        Place in the chart; None where no size may be played.
    """
    cost = _costs_of_sizes(chart, arm, seen, losses)
    best = int(np.argmin(cost))
    return best if np.isfinite(cost[best]) else None


def ordering_loss(chart: Chart, arm: Length, losses: Losses = LOSSES) -> float:
    """Expected loss of ordering the `best_size` and playing it, days; of waiting where no size may be played."""
    least = float(_costs_of_sizes(chart, arm, NOTHING_SEEN, losses).min())
    return losses.exchange + (least if np.isfinite(least) else losses.waiting)


def _costs_of_sizes(chart: Chart, arm: Length, seen: Seen, losses: Losses) -> Array:
    """(R,) expected loss of playing each size of the chart with an arm, days; infinite where it may not."""
    arms_mm, sds_mm = np.array([arm.value_mm]), np.array([arm.standard_uncertainty_mm])
    return np.asarray(_size_costs(chart, arms_mm, sds_mm, seen, losses)[0])


def _size_costs(chart: Chart, arms_mm: Array, arm_sds_mm: Array, seen: Seen, losses: Losses) -> Array:
    """(M, R) expected loss of playing each size of the chart with each of M arms, days; infinite where it may not."""
    costs = play_costs(chart, chart_items(chart, arms_mm, arm_sds_mm), Seen(seen.played), losses)
    return np.where(costs.allowed, costs.play, np.inf).reshape(len(arms_mm), len(chart.rows))


def _alternatives(
    chart: Chart, items: Items, seen: Seen, losses: Losses
) -> tuple[NDArray[np.int64], Array, NDArray[np.int64], Array]:
    """Best smaller and best larger size of the chart for each item, and what playing it costs; infinite without one."""
    arms, first, back = np.unique(items.arm_mm, return_index=True, return_inverse=True)
    cost = _size_costs(chart, arms, items.arm_sd_mm[first], seen, losses)[back]
    is_smaller = chart.arms_from_mm < items.shortest_mm[:, None] - ANOTHER_MM
    is_larger = chart.arms_from_mm > items.shortest_mm[:, None] + ANOTHER_MM
    found: list[Array] = []
    for side in (is_smaller, is_larger):
        on_side = np.where(side, cost, np.inf)
        best = np.argmin(on_side, axis=1)
        least = np.take_along_axis(on_side, best[:, None], axis=1)[:, 0]
        found += [np.where(np.isfinite(least), best, -1), least]
    return found[0].astype(np.int64), found[1], found[2].astype(np.int64), found[3]


def _strain_chance(margins: Array, seen: Seen) -> Array:
    """(N, K) chance of strain by the size at each node, the item's own answers considered."""
    chance = strained_by_size(margins)
    for place, signs in enumerate(seen.own or ()):
        if signs is not None:
            strained, easy = answer_chances(signs)
            chance[place] = chance[place] * strained / (chance[place] * strained + (1 - chance[place]) * easy)
    return chance


def _reweighted(items: Items, margins: Array, weight: Array, stretch_mm: float, only: Mask | None = None) -> Classes:
    """Probabilities of the classes after the nodes are weighed; where `only` is False they stay as they are."""
    width = items.width_mm[:, None]
    inside = {
        "too_small": margins > width,
        "fits": (margins >= 0) & (margins <= width),
        "stretch": (margins < 0) & (margins >= -stretch_mm),
        "too_large": margins < -stretch_mm,
    }
    parts = {}
    middle = _mean(weight)
    outermost = {"too_small": weight[:, -1], "fits": middle, "stretch": middle, "too_large": weight[:, 0]}
    for name, held in inside.items():
        count = held.sum(axis=1)
        mean = np.where(count > 0, (weight * held).sum(axis=1) / np.maximum(count, 1), outermost[name])
        parts[name] = getattr(items.classes, name) * (mean if only is None else np.where(only, mean, 1.0))
    total = np.maximum(sum(parts.values()), _TINY)
    return Classes(*(parts[name] / total for name in CLASS_ORDER))


def _mean(each: Array) -> Array:
    """(N,) mean over the nodes; of so few numbers numpy's own takes several times as long."""
    return np.asarray(np.add.reduce(each, axis=1) / each.shape[1])


def _answered(seen: Seen, count: int) -> Mask:
    """(N,) whether the item's own signs are answered, well or with strain, so that nothing is left to ask."""
    own = seen.own or [None] * count
    return np.array([each is not None and (each.all_good or bool(each.strain)) for each in own], dtype=bool)


def _after_signs(action: NDArray[np.int64], items: Items, seen: Seen, not_large: Mask) -> NDArray[np.int64]:
    """Strain that the size does not explain is settled first, with a fitting instrument always; pain means stop.

    Where there was pain, whatever was played, no other instrument is taken before that is settled.
    """
    unsettled = seen.unsettled_mm
    if unsettled is None:
        return action
    strained = np.array([each is not None and bool(each.strain) for each in seen.own or [None] * len(action)])
    pain = np.array([each is not None and each.pain for each in seen.own or [None] * len(action)])
    onward = np.isin(action, [_CODE[each] for each in (Action.TAKE, Action.TRY, Action.ASK_SIGNS)])
    onward |= (action == _CODE[Action.SMALLER]) & not_large
    waits = (items.shortest_mm >= unsettled) | strained | any(each.signs.pain for each in seen.played)
    action = np.where((action == _CODE[Action.LARGER]) | (onward & waits), _CODE[Action.SET_UP], action)
    return np.asarray(np.where(pain, _CODE[Action.STOP], action))
