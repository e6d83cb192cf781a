"""Set-up from the photo: what to try at the chin and at the shoulder, before the size is blamed.

The neck's length (from the chin to the height of the shoulder's tip) leaves a gap between instrument and jaw that
chin rest and shoulder rest have to fill; the shoulder's slope says on which side more is needed. What is said is
common practice among teachers, no source: ranges to begin with, not a prescription, and nothing medical; they hold
two of three necks that measure like this one (one standard uncertainty), since a chin rest is soon exchanged. In
children of six years the chin stands some 73 mm above the shoulders' tips, at twelve some 95 mm (statures, shoulder
heights and heights of the head of Snyder 1977, UM-HSRI-77-17, from memory); that is no part of what is said: only
what was measured on this child counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, degrees, hypot
from typing import Any

from calibration.quantity import COVERAGE_FACTOR, Length, length_json
from service.fit.sentences import Millimetres, Number, Sentence, Translate, Value, say, unchanged

RIBS_MM = {"small": (24.0, 28.0), "large": (28.0, 31.0)}
"""Height of a violin's ribs below quarter size and from it on, mm: 26 at a quarter and 30 at full size, tabulated by
violin makers; smaller ones ours."""

CHIN_REST_MM = (20.0, 40.0)
"""Heights in which chin rests are sold, mm: common practice, no source."""

REST_MM = (10.0, 45.0)
"""Least and largest thickness of a sponge or shoulder rest, mm: common practice, no source."""

COMFORT_MM = 10.0
"""Room that the jaw should keep for moving, mm; ours."""

LEVEL_DEG, SLOPING_DEG = 28.0, 36.0
"""Slopes of the line from the side of the neck to the shoulder's tip below which a shoulder is level and above which it
slopes, degrees: rendered children have 28 to 36, 32 in the middle; ours.  From the second on a rest that is higher at
the chest is tried."""


@dataclass(frozen=True, slots=True)
class Build:
    """Neck and shoulder of a child as a photo shows them; None where hair or clothes hide them.

    Attributes
    ----------
    neck_length : Length or None
        Chin to the height of the shoulder's tip, mm.
    shoulder_fall, shoulder_run : Length or None
        From the side of the neck to the shoulder's tip, down and across, mm.
    """

    neck_length: Length | None = None
    shoulder_fall: Length | None = None
    shoulder_run: Length | None = None

    @property
    def slope_deg(self) -> tuple[float, float, float] | None:
        """Slope of the shoulder with its 95 % interval (low, likely, high), degrees; None where it is not known.

        The arc tangent of fall over run, its uncertainty to first order (JCGM 100:2008, 5.1.2).
        """
        if self.shoulder_fall is None or self.shoulder_run is None:
            return None
        fall, run = self.shoulder_fall.value_mm, self.shoulder_run.value_mm
        by_fall, by_run = (each.standard_uncertainty_mm for each in (self.shoulder_fall, self.shoulder_run))
        u = degrees(hypot(run * by_fall, fall * by_run) / (fall**2 + run**2))
        likely = degrees(atan2(fall, run))
        return likely - COVERAGE_FACTOR * u, likely, likely + COVERAGE_FACTOR * u


NOT_SEEN = Build()

ROUNDED_MM = 5.0
"""Ranges are said to five millimetres: pads come in no finer steps."""


@dataclass(frozen=True, slots=True)
class SetUp:
    """What to try; None where the photo does not show it.

    Attributes
    ----------
    build : Build
        What was measured.
    to_fill_mm : tuple of float or None
        Height that chin rest and shoulder rest have to fill together, from .. to, mm.
    chin_rest_mm, shoulder_rest_mm : tuple of float or None
        Ranges to begin with, mm.
    """

    build: Build
    to_fill_mm: tuple[float, float] | None
    chin_rest_mm: tuple[float, float] | None
    shoulder_rest_mm: tuple[float, float] | None

    @property
    def names_rests(self) -> bool:
        """Whether the neck is known well enough to say which rests to begin with: not everything that is sold."""
        return self.chin_rest_mm is not None and (self.chin_rest_mm, self.shoulder_rest_mm) != (CHIN_REST_MM, REST_MM)

    @property
    def tells_side(self) -> bool:
        """Whether the shoulder's slope is known well enough to say on which side more is needed."""
        slope = self.build.slope_deg
        return slope is not None and (slope[0] > SLOPING_DEG or slope[2] < LEVEL_DEG)

    def as_json(self, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; sentences in `language` by `translate`."""
        return {
            "neck_length": length_json(self.build.neck_length),
            "shoulder_fall": length_json(self.build.shoulder_fall),
            "shoulder_run": length_json(self.build.shoulder_run),
            "shoulder_slope_deg": None if self.build.slope_deg is None else [round(d, 1) for d in self.build.slope_deg],
            "to_fill_mm": self.to_fill_mm,
            "chin_rest_mm": self.chin_rest_mm,
            "shoulder_rest_mm": self.shoulder_rest_mm,
            "message": [each.text(translate, language) for each in set_up_sentences(self)],
        }


def set_up(small: bool, build: Build = NOT_SEEN) -> SetUp:
    """Work out what to try.

    Parameters
    ----------
    small : bool
        Whether the instrument is below quarter size.
    build : Build
        Neck and shoulder of the child.

    Returns
    -------
    SetUp

    Examples
    --------
    >>> set_up(True, Build(Length.stated(75.0, 4.0))).shoulder_rest_mm
    (10.0, 25.0)
    """
    neck_length = build.neck_length
    if neck_length is None:
        return SetUp(build, None, None, None)
    ribs = RIBS_MM["small" if small else "large"]
    u = neck_length.standard_uncertainty_mm
    low = max(neck_length.value_mm - u - ribs[1] - COMFORT_MM, 0.0)
    high = max(neck_length.value_mm + u - ribs[0] - COMFORT_MM, 0.0)
    chin = _within(low * CHIN_SHARE, high * CHIN_SHARE, CHIN_REST_MM)
    rest = _within(low - chin[1], high - chin[0], REST_MM)
    return SetUp(build, (_rounded(low), _rounded(high)), chin, rest)


CHIN_SHARE = 0.6
"""Share of what has to be filled that the chin rest takes: common practice fills above before below; no source."""


def _span(low_mm: float, high_mm: float) -> Sentence | Millimetres:
    """From one height to another, or the one that is left where what would fit is the least or the most there is."""
    if low_mm == high_mm:
        return Millimetres(low_mm)
    return say("{low} to {high}", low=Millimetres(low_mm), high=Millimetres(high_mm))


NOTHING_TO_TRY = say(
    "Neck and shoulder are not known well enough to say which chin rest and shoulder rest to begin with; let the "
    "teacher look at them."
)


def to_try(found: SetUp) -> tuple[Sentence | None, Sentence | None]:
    """What a family reads: of neck and shoulder what to try; where neither says it, that, once."""
    neck, slope = set_up_sentences(found)
    if not found.names_rests and not found.tells_side:
        return NOTHING_TO_TRY, None
    return neck if found.names_rests else None, slope if found.tells_side else None


def set_up_sentences(found: SetUp) -> tuple[Sentence, Sentence]:
    """What is known of neck and shoulder and what to try, in words."""
    return _neck_sentence(found), _slope_sentence(found)


def _neck_sentence(found: SetUp) -> Sentence:
    neck = found.build.neck_length
    if neck is None or found.chin_rest_mm is None or found.shoulder_rest_mm is None:
        return say("Length of the child's neck: not measured. Let the teacher look at chin rest and shoulder rest.")
    measured: dict[str, Value] = {
        "neck": Millimetres(neck.value_mm),
        "low": Millimetres(neck.low_mm),
        "high": Millimetres(neck.high_mm),
    }
    if not found.names_rests:
        return say(
            "From the chin to the height of the shoulder {neck} ({low} to {high}): not known well enough to say "
            "which chin rest and shoulder rest to begin with.",
            **measured,
        )
    return say(
        "From the chin to the height of the shoulder {neck} ({low} to {high}): try a chin rest of {chin} and "
        "a sponge or shoulder rest of {rest} (common practice, no source).",
        **measured,
        chin=_span(*found.chin_rest_mm),
        rest=_span(*found.shoulder_rest_mm),
    )


def _slope_sentence(found: SetUp) -> Sentence:
    slope = found.build.slope_deg
    if slope is None:
        return say("Slope of the shoulder: not measured.")
    if not found.tells_side:
        return say(
            "The shoulder falls by {likely} degrees ({low} to {high}; {level} to {sloping} are usual): not known "
            "well enough to say on which side more is needed.",
            level=Number(LEVEL_DEG),
            sloping=Number(SLOPING_DEG),
            **{name: Number(each) for name, each in zip(("low", "likely", "high"), slope, strict=True)},
        )
    if slope[0] > SLOPING_DEG:
        return say("The shoulder slopes: try a rest that is higher towards the chest (common practice).")
    return say("The shoulder is level: begin with a flat rest (common practice).")


def _within(low: float, high: float, sold: tuple[float, float]) -> tuple[float, float]:
    start, end = (min(max(_rounded(each), sold[0]), sold[1]) for each in (low, high))
    return start, max(start, end)


def _rounded(mm: float) -> float:
    return ROUNDED_MM * round(mm / ROUNDED_MM)
