"""A tape reading against the photo.

Two readings of one arm agree when their difference is small for their uncertainties: the zeta score divides it by the
combined standard uncertainty (ISO 13528:2022, 9.6; at most 2 is fine), the En score by the combined *expanded*
uncertainty with k = 2 (ISO 13528:2022, 9.7; ISO/IEC 17043; at most 1 is fine).  A wide uncertainty makes agreement
cheap, so agreement counts only if no usual slip would explain the reading nearly as well.

Each slip (read to the wrist, from the spine, inches written as centimetres, ...) predicts a reading from the photo's
other lengths.  Bayes' rule weighs them: prior chance of the slip times the normal density of the reading.  The priors
are ours: most tape readings are taken rightly, none of the slips is rare.  Lengths that the photo does not give are
estimated from the arm by the proportions of children's bodies (medians of Snyder 1977, UM-HSRI-77-17), with a wide
uncertainty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, exp, hypot, pi, sqrt
from typing import Any

from calibration.quantity import Length, combine, covariance_mm2, length_json
from service.fit.lengths import widened
from service.fit.sentences import SURE as SURE_INTERVAL
from service.fit.sentences import Millimetres, Number, Percent, Sentence, Translate, Value, say, unchanged

K_EN = 2.0
"""Coverage factor of the expanded uncertainties in En."""

SURE = 0.8
"""Posterior probability from which agreement is believed; ours."""

LIKELY = 0.2
"""Posterior probability from which a slip is named; ours."""

RIGHT_PRIOR = 0.85
OTHER_PRIOR = 0.01
OTHER_DENSITY = 1 / 1500.0
"""Something else altogether: any reading up to 1.5 m alike, 1/mm."""


class Agreement(StrEnum):
    """How a tape reading and a photo stand to each other."""

    CONSISTENT = "consistent"
    INCONSISTENT = "inconsistent"
    INCONCLUSIVE = "inconclusive"


@dataclass(frozen=True, slots=True)
class SlipKind:
    """One way to read a tape wrongly.

    Attributes
    ----------
    code : str
        Stable name for programs.
    sentence : Sentence
        What was probably done, and what to do.
    prior : float
        Prior probability.
    measure : str or None
        The photo's length that such a reading shows.
    factor, offset_mm : float
        Reading = factor times (that length, or the arm) plus offset.
    spread : float
        Relative standard deviation of that factor among children.
    fallback : float
        That length as a fraction of the arm, where the photo does not give it.
    offset_spread_mm : float
        Standard deviation of the offset, mm.
    """

    code: str
    sentence: Sentence
    prior: float
    measure: str | None = None
    factor: float = 1.0
    offset_mm: float = 0.0
    spread: float = 0.0
    fallback: float = 1.0
    offset_spread_mm: float = 0.0


HOOK_MM, HOOK_SPREAD_MM = 10.0, 1.5
"""What the metal end of a tape adds or takes when it is not counted rightly, mm: common tapes, no source."""

SWAPPED_PRIOR = 0.01
"""Chance that two neighbouring digits were written in the wrong order; ours."""

SWAPPED_DIGITS = "swapped_digits"


SLIPS: tuple[SlipKind, ...] = (
    SlipKind(
        "wrist",
        say("It was probably read to the wrist; read to the middle of the palm."),
        0.03,
        "neck_to_wrist",
        fallback=0.92,
    ),
    SlipKind(
        "fingertip",
        say("It was probably read to the fingertips; read to the middle of the palm."),
        0.03,
        "neck_to_fingertip",
        fallback=1.20,
    ),
    SlipKind(
        "shoulder",
        say("It was probably read from the shoulder; begin at the side of the neck."),
        0.02,
        "shoulder_to_palm",
        fallback=0.80,
    ),
    SlipKind(
        "spine",
        say("It was probably read from the spine; begin at the side of the neck."),
        0.02,
        "spine_to_palm",
        fallback=1.085,
    ),
    SlipKind("inches_as_cm", say("Inches were probably written as centimetres."), 0.01, factor=1 / 2.54),
    SlipKind("cm_as_inches", say("Centimetres were probably written as inches."), 0.005, factor=2.54),
    SlipKind("ten_cm_short", say("It is probably 10 cm short; look where the tape begins."), 0.01, offset_mm=-100.0),
    SlipKind("ten_cm_long", say("It is probably 10 cm too long; look where the tape begins."), 0.01, offset_mm=100.0),
    SlipKind(
        "underarm",
        say("It was probably read along the underside, from the armpit; begin at the side of the neck."),
        0.02,
        factor=0.72,
        spread=0.04,
    ),
    SlipKind(
        "hook_short",
        say("It is probably short by the tape's end hook; begin at its zero line."),
        0.03,
        offset_mm=-HOOK_MM,
        offset_spread_mm=HOOK_SPREAD_MM,
    ),
    SlipKind(
        "hook_long",
        say("It is probably long by the tape's end hook; begin at its zero line."),
        0.03,
        offset_mm=HOOK_MM,
        offset_spread_mm=HOOK_SPREAD_MM,
    ),
    SlipKind("elbow_bent", say("The elbow was probably bent; stretch the arm."), 0.02, factor=0.94, spread=0.025),
)

FALLBACK_SPREAD = 0.03
"""Relative standard deviation of the fractions used where the photo does not give a length; ours, after the 3-4 % by
which arms of one stature differ."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A slip with its posterior probability and the reading it predicts (mm)."""

    kind: SlipKind
    predicted_mm: float
    probability: float


@dataclass(frozen=True)
class TapeCheck:
    """How a tape reading compares with the photo.

    Attributes
    ----------
    tape, photo : Length
        The two readings.
    en, zeta : float
        Scores of tape minus photo.
    outcome : Agreement
        Inconclusive: the scores agree, but a slip would explain the reading nearly as well.
    right : float
        Posterior probability that the tape was read rightly.
    slips : tuple of Slip
        Slips, the likeliest first.
    combined : Length or None
        Both readings in one, where they are consistent.
    """

    tape: Length
    photo: Length
    en: float
    zeta: float
    outcome: Agreement
    right: float
    slips: tuple[Slip, ...]
    combined: Length | None

    @property
    def likely_slips(self) -> tuple[Slip, ...]:
        """The slips that may explain a reading that is not consistent; several where they cannot be told apart."""
        if self.outcome is Agreement.CONSISTENT:
            return ()
        return tuple(slip for slip in self.slips if slip.probability >= LIKELY)

    def as_json(self, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; sentences in `language` by `translate`."""
        return {
            "outcome": self.outcome.value,
            "en": round(self.en, 3),
            "zeta": round(self.zeta, 3),
            "tape": length_json(self.tape),
            "photo": length_json(self.photo),
            "probability_right": round(self.right, 4),
            "slips": [
                {
                    "code": each.kind.code,
                    "text": each.kind.sentence.text(translate, language),
                    "predicted_mm": round(each.predicted_mm, 1),
                    "probability": round(each.probability, 4),
                }
                for each in self.slips
            ],
            "likely_slips": [each.kind.code for each in self.likely_slips],
            "combined": length_json(self.combined),
            "message": [each.text(translate, language) for each in tape_sentences(self)],
        }


def zeta_score(first: Length, second: Length) -> float:
    """Difference over its standard uncertainty, shared causes counted once (ISO 13528:2022, 9.6)."""
    return (first.value_mm - second.value_mm) / _u_difference(first, second)


def en_score(first: Length, second: Length) -> float:
    """Difference over its expanded uncertainty, k = 2 (ISO 13528:2022, 9.7; note: *expanded*, not standard)."""
    return (first.value_mm - second.value_mm) / (K_EN * _u_difference(first, second))


def check_tape(tape: Length, photo: Length, others: Mapping[str, Length | None] | None = None) -> TapeCheck:
    """Compare a tape reading of the arm with the photo's.

    Parameters
    ----------
    tape, photo : Length
        The arm by tape and by photo.
    others : mapping of str to Length, optional
        The photo's other lengths: ``neck_to_wrist``, ``neck_to_fingertip``, ``shoulder_to_palm``, ``spine_to_palm``.

    Returns
    -------
    TapeCheck
    """
    photo = widened(photo)
    en, zeta = en_score(tape, photo), zeta_score(tape, photo)
    right = RIGHT_PRIOR * _density(tape.value_mm - photo.value_mm, _u_difference(tape, photo))
    weighed = []
    for kind in SLIPS:
        predicted, u = _prediction(kind, photo, others or {})
        density = _density(tape.value_mm - predicted, hypot(u, tape.standard_uncertainty_mm))
        weighed.append((kind, predicted, kind.prior * density))
    weighed.append(_swapped(tape, photo))
    total = right + sum(weight for _, _, weight in weighed) + OTHER_PRIOR * OTHER_DENSITY
    slips = [Slip(kind, predicted, weight / total) for kind, predicted, weight in weighed]
    slips.sort(key=lambda slip: -slip.probability)
    agree = Agreement.CONSISTENT if right / total >= SURE else Agreement.INCONCLUSIVE
    outcome = Agreement.INCONSISTENT if abs(en) > 1 else agree
    combined = combine([tape, photo]) if outcome is Agreement.CONSISTENT else None
    return TapeCheck(tape, photo, en, zeta, outcome, right / total, tuple(slips), combined)


def tape_sentences(check: TapeCheck) -> tuple[Sentence, ...]:
    """The comparison in words."""
    values: dict[str, Value] = {
        "tape": Millimetres(check.tape.value_mm),
        "photo": Millimetres(check.photo.value_mm),
        "en": _shown_en(abs(check.en)),
    }
    if check.outcome is Agreement.CONSISTENT and check.combined is not None:
        return (
            say("Tape ({tape}) and photo ({photo}) agree (En {en}, at most 1 is fine).", **values),
            say(
                "Together they give {arm}, {sure} sure: {low} to {high}.",
                sure=SURE_INTERVAL,
                arm=Millimetres(check.combined.value_mm),
                low=Millimetres(check.combined.low_mm),
                high=Millimetres(check.combined.high_mm),
            ),
        )
    if check.outcome is Agreement.INCONCLUSIVE:
        return (
            say(
                "Tape ({tape}) and photo ({photo}) could agree, but a slip cannot be ruled out; measure again.",
                **values,
            ),
            *_slip_sentences(check),
        )
    disagree = say("Tape ({tape}) and photo ({photo}) do not agree (En {en}, at most 1 is fine).", **values)
    if not check.likely_slips:
        return (disagree, say("No usual slip explains it; measure again and take the photo again."))
    return (disagree, *_slip_sentences(check))


def _shown_en(en: float) -> Number:
    """An En score with one decimal; one just above 1 is rounded up, since 1 would be fine."""
    return Number(ceil(100 * en) / 100, 2) if 1 < en < 1.05 else Number(en, 1)


def _slip_sentences(check: TapeCheck) -> tuple[Sentence, ...]:
    return tuple(
        say("{slip} ({p})", slip=each.kind.sentence, p=Percent(each.probability)) for each in check.likely_slips
    )


def _prediction(kind: SlipKind, photo: Length, others: Mapping[str, Length | None]) -> tuple[float, float]:
    """Reading that a slip predicts and its standard uncertainty, mm."""
    other = others.get(kind.measure) if kind.measure is not None else photo
    base = None if other is None else widened(other)
    fraction, spread = kind.factor, kind.spread
    if base is None:
        base, fraction, spread = photo, kind.fallback, FALLBACK_SPREAD
    predicted = fraction * base.value_mm + kind.offset_mm
    u = hypot(fraction * base.standard_uncertainty_mm, spread * base.value_mm, kind.offset_spread_mm)
    return predicted, u


def _swapped(tape: Length, photo: Length) -> tuple[SlipKind, float, float]:
    """Two neighbouring digits in the wrong order: kind, the reading that is meant, and prior times likelihood.

    462 written as 642 is no reading near the arm, but 462 is: each swap is weighed as a right reading of what it gives.
    """
    digits, best = f"{tape.value_mm:.0f}", (photo.value_mm, 0.0)
    for place in range(len(digits) - 1):
        meant = float(digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :])
        if digits[place] != digits[place + 1]:
            density = _density(meant - photo.value_mm, _u_difference(tape, photo))
            best = max(best, (meant, density), key=lambda each: each[1])
    meant, density = best
    kind = SlipKind(
        SWAPPED_DIGITS,
        say("Two digits were probably swapped: {meant} was meant.", meant=Millimetres(meant)),
        SWAPPED_PRIOR,
    )
    return kind, meant, SWAPPED_PRIOR * density


def _u_difference(first: Length, second: Length) -> float:
    variance = first.standard_uncertainty_mm**2 + second.standard_uncertainty_mm**2 - 2 * covariance_mm2(first, second)
    return max(sqrt(max(variance, 0.0)), 1e-6)


def _density(difference: float, u: float) -> float:
    u = max(u, 1e-6)
    return exp(-((difference / u) ** 2) / 2) / (u * sqrt(2 * pi))
