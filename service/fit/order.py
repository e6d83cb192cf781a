"""What to order: limits that any shop can check with a tape.

Instruments along the chart, from the smallest to the largest, are judged for this arm as if the shop had measured them
with a tape.  Those that the decision rule calls "fits" make up the order: body length from .. to .. and total length
from .. to ..  Since the shortest arm is the mean of what body and total length ask, any instrument with both lengths
inside the limits fits, whatever its label and its neck.

A growth allowance asks for more: with the arm grown by that much the instrument must more likely than not still not be
too small.  Where no instrument fits now and later, the one now is what counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import Length
from service.fit.assessment import Moments, assess_moments
from service.fit.chart import Chart
from service.fit.decision import RULE, DecisionRule, decide
from service.fit.lengths import TAPE_INSTRUMENT_U_MM, check_plausible, widened
from service.fit.sentences import Millimetres, Sentence, say, unchanged
from service.fit.verdict import nearest_size

Array = NDArray[np.float64]

STEPS_PER_SIZE = 200


@dataclass(frozen=True, slots=True)
class Limits:
    """Least and largest length, mm."""

    from_mm: float
    to_mm: float

    def as_json(self) -> dict[str, float]:
        """Both ends as JSON, mm."""
        return {"from_mm": round(self.from_mm, 1), "to_mm": round(self.to_mm, 1)}


@dataclass(frozen=True, slots=True)
class Order:
    """An instrument described for a shop.

    Attributes
    ----------
    body, total : Limits
        Limits of body and total length as a shop measures them, mm.
    sizes : tuple of str
        Sizes of the chart inside the limits; the nearest one if none is.
    decided : bool
        Whether every instrument inside the limits is called a fit; if not, the arm is not known well enough and the
        limits are only the likeliest.
    stretch : bool
        Whether a stretch was allowed.
    growth_mm : float
        Growth allowance that was asked for, mm of arm.
    growth_kept : bool
        Whether the limits keep it.
    beyond : {'smaller', 'larger'} or None
        Whether the child needs an instrument smaller or larger than any of the chart.
    """

    body: Limits
    total: Limits
    sizes: tuple[str, ...]
    decided: bool
    stretch: bool
    growth_mm: float
    growth_kept: bool
    beyond: Literal["smaller", "larger"] | None = None

    def as_json(self, translate: Callable[[str], str] = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; sentences in `language` by `translate`."""
        return {
            "body_length": self.body.as_json(),
            "total_length": self.total.as_json(),
            "sizes": list(self.sizes),
            "decided": self.decided,
            "stretch": self.stretch,
            "growth_mm": round(self.growth_mm, 1),
            "growth_kept": self.growth_kept,
            "beyond_chart": self.beyond,
            "message": [each.text(translate, language) for each in order_sentences(self)],
        }


def order(
    arm: Length,
    chart: Chart,
    growth_mm: float = 0.0,
    stretch: bool = False,
    shop_u_mm: float = TAPE_INSTRUMENT_U_MM,
    rule: DecisionRule = RULE,
) -> Order:
    """Work out what to order for a child.

    Parameters
    ----------
    arm : Length
    chart : Chart
    growth_mm : float
        Growth of the arm, mm, after which the instrument should still not be too small.
    stretch : bool
        Allow a stretch below quarter size, because the playing signs with a like instrument are good.
    shop_u_mm : float
        Standard uncertainty of the shop's measuring, mm.
    rule : DecisionRule

    Returns
    -------
    Order

    Raises
    ------
    LengthError
        If the arm is implausible.
    """
    check_plausible(arm.value_mm, "arm")
    body, total = _line(chart)
    zero = np.zeros_like(body)
    tape = np.full_like(body, shop_u_mm**2)
    lengths = Moments(body, total, tape, tape, zero, zero, zero)
    variance = widened(arm).standard_uncertainty_mm ** 2
    now = assess_moments(chart, arm.value_mm, variance, lengths)
    later = assess_moments(chart, arm.value_mm + growth_mm, variance, lengths)
    codes = decide(now.classes, now.small, rule, signs_good=stretch)
    wanted = (codes == 2) | ((codes == 3) & now.small & stretch)
    decided = bool(wanted.any())
    if not decided:
        wanted = now.classes.fits >= min(0.5, float(now.classes.fits.max()))
    lasting = wanted & (later.classes.too_small <= 0.5)
    kept = bool(lasting.any())
    chosen = np.flatnonzero(lasting if kept else wanted)
    first, last = chosen[0], chosen[-1]
    inside = tuple(row.size for row in chart.rows if body[first] <= row.body_length_mm <= body[last])
    nearest = nearest_size(chart, float(now.place[(first + last) // 2]))
    beyond = _beyond(chart, float(body[first]), float(body[last]))
    return Order(
        Limits(float(body[first]), float(body[last])),
        Limits(float(total[first]), float(total[last])),
        inside or (nearest,),
        decided and beyond is None,
        stretch,
        growth_mm,
        kept,
        beyond,
    )


def order_sentences(wanted: Order) -> tuple[Sentence, ...]:
    """The order as sentences to send to a shop: the limits, then how to measure."""
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
    if wanted.beyond == "smaller":
        lines.append(say("The arm is shorter than the chart's smallest size asks for; let the teacher decide."))
    elif wanted.beyond == "larger":
        lines.append(say("The arm is longer than the chart's largest size suits; let the teacher decide."))
    elif not wanted.decided:
        lines.append(
            say("Please do not send this yet: the arm is not known well enough, these limits are a first guess.")
        )
    if wanted.growth_mm > 0 and not wanted.growth_kept:
        lines.append(say("No instrument fits now and after that much growth; these limits are for now."))
    return (*lines, *ASK_THE_SHOP)


ASK_THE_SHOP: tuple[Sentence, ...] = (
    say("Body length: on the back, straight from the upper edge at the neck to the lower edge, without the button."),
    say("Total length: straight from the top of the scroll to the lower edge of the body, without the end button."),
    say("Please measure with a stiff ruler or a tape held straight, not along the arch, and write both in mm."),
)
"""What to ask a shop to measure, and how."""


def drawing_svg(translate: Callable[[str], str] = unchanged, language: str = "en") -> str:
    """Draw where a shop measures: an instrument from behind with its two lengths, as SVG text."""
    body = say("Body length").text(translate, language)
    total = say("Total length").text(translate, language)
    return DRAWING.format(body=body, total=total)


DRAWING = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 360 420" width="360" height="420" role="img"
 font-family="sans-serif" font-size="16" fill="none" stroke="#222" stroke-width="2">
<title>{body}, {total}</title>
<path d="M180 160 C140 158 118 182 120 214 C121 236 138 238 138 258 C138 280 108 286 108 330 C108 376 142 394 180 394
 C218 394 252 376 252 330 C252 286 222 280 222 258 C222 238 239 236 240 214 C242 182 220 158 180 160 Z"/>
<path d="M170 160 L173 62 M190 160 L187 62"/>
<path d="M173 62 C164 58 164 44 171 36 C174 28 186 28 189 36 C196 44 196 58 187 62 Z"/>
<circle cx="180" cy="45" r="5"/>
<path d="M172 36 H156 M188 36 H204" stroke-width="3"/>
<path d="M180 394 V401" stroke-width="5"/>
<g stroke="#06c"><path d="M186 160 H312 M186 394 H312 M300 160 V394"/>
<path d="M294 172 L300 160 L306 172 M294 382 L300 394 L306 382"/></g>
<g stroke="#c30"><path d="M174 30 H48 M174 394 H48 M60 30 V394"/>
<path d="M54 42 L60 30 L66 42 M54 382 L60 394 L66 382"/></g>
<g stroke="none"><text fill="#06c" transform="translate(322 277) rotate(90)" text-anchor="middle">{body}</text>
<text fill="#c30" transform="translate(40 212) rotate(-90)" text-anchor="middle">{total}</text></g>
</svg>
"""


def _beyond(chart: Chart, from_mm: float, to_mm: float) -> Literal["smaller", "larger"] | None:
    if to_mm < chart.bodies_mm[0]:
        return "smaller"
    return "larger" if from_mm > chart.bodies_mm[-1] else None


def _line(chart: Chart) -> tuple[Array, Array]:
    """Body and total lengths along the chart, mm, half a size beyond both ends."""
    last = len(chart.rows) - 1
    place = np.linspace(-0.5, last + 0.5, STEPS_PER_SIZE * (last + 1) + 1)

    def along(knots: Array) -> Array:
        inside = np.interp(place, np.arange(last + 1), knots)
        before = np.minimum(place, 0) * (knots[1] - knots[0])
        after = np.maximum(place - last, 0) * (knots[-1] - knots[-2])
        return np.asarray(inside + before + after)

    return along(chart.bodies_mm), along(chart.totals_mm)
