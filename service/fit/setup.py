"""Set-up from the photo: what to try at the chin and at the shoulder, before the size is blamed.

The neck's length (from the jaw to the line of the shoulder) leaves a gap between instrument and jaw that chin rest and
shoulder rest have to fill; the shoulder's slope says on which side more is needed.  What is said is common practice
among teachers, no source: ranges to begin with, not a prescription, and nothing medical.  No published range of this
length in children was found, so none is used: only what was measured on this child counts.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from calibration.quantity import Length, length_json
from service.fit.sentences import Millimetres, Sentence, say, unchanged

RIBS_MM = {"small": (24.0, 28.0), "large": (28.0, 31.0)}
"""Height of a violin's ribs below quarter size and from it on, mm: 26 at a quarter and 30 at full size, tabulated by
violin makers; smaller ones ours."""

CHIN_REST_MM = (20.0, 40.0)
"""Heights in which chin rests are sold, mm: common practice, no source."""

REST_MM = (10.0, 45.0)
"""Least and largest thickness of a sponge or shoulder rest, mm: common practice, no source."""

COMFORT_MM = 10.0
"""Room that the jaw should keep for moving, mm; ours."""

SLOPE_MM = 25.0
"""Fall of the shoulder line from neck to joint, from which a rest that is higher at the chest is tried, mm; ours."""

ROUNDED_MM = 5.0
"""Ranges are said to five millimetres: pads come in no finer steps."""


@dataclass(frozen=True, slots=True)
class SetUp:
    """What to try; None where the photo does not show it.

    Attributes
    ----------
    neck_length : Length or None
        Jaw to the line of the shoulder, mm.
    shoulder_fall : Length or None
        How far the shoulder's joint lies below the side of the neck, mm.
    to_fill_mm : tuple of float or None
        Height that chin rest and shoulder rest have to fill together, from .. to, mm.
    chin_rest_mm, shoulder_rest_mm : tuple of float or None
        Ranges to begin with, mm.
    """

    neck_length: Length | None
    shoulder_fall: Length | None
    to_fill_mm: tuple[float, float] | None
    chin_rest_mm: tuple[float, float] | None
    shoulder_rest_mm: tuple[float, float] | None

    def as_json(self, translate: Callable[[str], str] = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; sentences in `language` by `translate`."""
        return {
            "neck_length": length_json(self.neck_length),
            "shoulder_fall": length_json(self.shoulder_fall),
            "to_fill_mm": self.to_fill_mm,
            "chin_rest_mm": self.chin_rest_mm,
            "shoulder_rest_mm": self.shoulder_rest_mm,
            "message": [each.text(translate, language) for each in set_up_sentences(self)],
        }


def set_up(small: bool, neck_length: Length | None = None, shoulder_fall: Length | None = None) -> SetUp:
    """Work out what to try.

    Parameters
    ----------
    small : bool
        Whether the instrument is below quarter size.
    neck_length : Length, optional
        Jaw to the line of the shoulder, mm; None where hair or a collar hides it.
    shoulder_fall : Length, optional
        How far the shoulder's joint lies below the side of the neck, mm.

    Returns
    -------
    SetUp

    Examples
    --------
    >>> set_up(True, Length.stated(75.0, 4.0)).shoulder_rest_mm
    (10.0, 30.0)
    """
    if neck_length is None:
        return SetUp(None, shoulder_fall, None, None, None)
    ribs = RIBS_MM["small" if small else "large"]
    low = max(neck_length.low_mm - ribs[1] - COMFORT_MM, 0.0)
    high = max(neck_length.high_mm - ribs[0] - COMFORT_MM, 0.0)
    chin = _within(low * CHIN_SHARE, high * CHIN_SHARE, CHIN_REST_MM)
    rest = _within(low - chin[1], high - chin[0], REST_MM)
    return SetUp(neck_length, shoulder_fall, (_rounded(low), _rounded(high)), chin, rest)


CHIN_SHARE = 0.6
"""Share of what has to be filled that the chin rest takes: common practice fills above before below; no source."""


def set_up_sentences(found: SetUp) -> tuple[Sentence, ...]:
    """What to try, in words."""
    lines = []
    if found.neck_length is None or found.chin_rest_mm is None or found.shoulder_rest_mm is None:
        lines.append(
            say("Length of the child's neck: not measured. Let the teacher look at chin rest and shoulder rest.")
        )
    else:
        lines.append(
            say(
                "From jaw to shoulder line {neck} ({low} to {high}): try a chin rest of {chin_from} to {chin_to} and a "
                "sponge or shoulder rest of {rest_from} to {rest_to} (common practice, no source).",
                neck=Millimetres(found.neck_length.value_mm),
                low=Millimetres(found.neck_length.low_mm),
                high=Millimetres(found.neck_length.high_mm),
                chin_from=Millimetres(found.chin_rest_mm[0]),
                chin_to=Millimetres(found.chin_rest_mm[1]),
                rest_from=Millimetres(found.shoulder_rest_mm[0]),
                rest_to=Millimetres(found.shoulder_rest_mm[1]),
            )
        )
    if found.shoulder_fall is None:
        lines.append(say("Slope of the shoulder: not measured."))
    elif found.shoulder_fall.low_mm > SLOPE_MM:
        lines.append(say("The shoulder slopes: try a rest that is higher towards the chest (common practice)."))
    elif found.shoulder_fall.high_mm < SLOPE_MM:
        lines.append(say("The shoulder is level: begin with a flat rest (common practice)."))
    else:
        lines.append(say("The slope of the shoulder is not known well enough to say on which side more is needed."))
    return tuple(lines)


def _within(low: float, high: float, sold: tuple[float, float]) -> tuple[float, float]:
    start, end = (min(max(_rounded(each), sold[0]), sold[1]) for each in (low, high))
    return start, max(start, end)


def _rounded(mm: float) -> float:
    return ROUNDED_MM * round(mm / ROUNDED_MM)
