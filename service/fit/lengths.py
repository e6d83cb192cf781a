"""Lengths as people type them, and sums of lengths that keep their shared causes of error.

``V±U`` (also ``V+-U``) states a value and its expanded uncertainty U: the true length lies within U of V in 95 of 100
cases (JCGM 100:2008, 6.2; JCGM 200:2012, 2.35), so the standard uncertainty is U / 1.96.  A bare ``V`` gets the
uncertainty of a careful layman with a tape.  Units: mm unless cm or in is written.

A sum of lengths with fixed factors (arm minus the arm an instrument asks for) is again a length.  Its budget is the
factors times the budgets; causes with the same key are added with their signs, so that an error common to both lengths
cancels as far as it does in truth (JCGM 100:2008, 5.2.2 and F.1.2.3).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterable
from math import sqrt

from calibration.quantity import COVERAGE_FACTOR, Contribution, Length
from service.fit.errors import LengthError
from service.fit.sentences import Number, Percent, Sentence, say

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "in": 25.4}
"""The inch is 25.4 mm exactly (international yard and pound agreement, 1959)."""

WRITTEN_OUT = {
    "mm": ("milim", "milli", "ミリ", "毫米", "مم"),
    "cm": ("centi", "centí", "centy", "zenti", "センチ", "厘米", "公分", "سم"),
    "in": ("inch", "zoll", "pouce", "pulgada", "pollic", "duim", "cal", "インチ", "英寸", "بوصة"),
}
"""How a unit begins that is written out in a language of the pages."""

TAPE_ARM_U_MM = 7.0
"""Standard uncertainty of one careful arm reading with a tape by a layman, mm.  No figure is published for this line;
ours: 1.5 % of 450 mm, the size of inter-observer errors of body lengths (ISAK targets 1.5-2 %, from memory)."""

TAPE_INSTRUMENT_U_MM = 2.0
"""Standard uncertainty of an instrument length read with a tape, mm.  Ours: a tape over the arch reads 1-2 mm long."""

PLAUSIBLE_MM = {
    "arm": (200.0, 800.0),
    "body": (120.0, 372.0),
    "total": (220.0, 700.0),
    "string": (120.0, 400.0),
    "tape": (50.0, 2500.0),
    "segment": (20.0, 400.0),
}
"""Lengths outside these, mm, are slips of the pen or of the unit.  Ours: well beyond a two-year-old's and a tall
adult's arm, and beyond the smallest and largest violin.  A tape reading to be checked may hold any slip."""

VIOLA_MM = 900.0
"""Bodies from the longest violin's to this are violas and cellos, mm; a full violin has 356, some have 360 or more."""

WIDEST_SHARE = 0.5
"""An expanded uncertainty above this share of its length can only be a slip; ours."""

STATED = say("as stated")
BARE = say("reading without a stated uncertainty")
BY_TAPE = say("tape reading")
"""Causes named in the budget of a typed length."""

_NUMBER = r"(?:\d+(?:\s+|\s*-\s*)\d+/\d+|\d+/\d+|\d+(?:[.,]\d+)?)"
_UNIT = r'(?:"|[^\W\d_]*)'
_FORM = re.compile(
    rf"^\s*(?P<value>{_NUMBER})\s*(?P<unit1>{_UNIT})\.?\s*"
    rf"(?:(?:±|\+\s*/?\s*-)\s*(?P<spread>{_NUMBER})\s*(?P<unit2>{_UNIT})\.?\s*)?$"
)


_SEGMENTS = re.compile(rf"^\s*{_NUMBER}\s*{_UNIT}(?:\s*\+\s*{_NUMBER}\s*{_UNIT}){{3}}\s*$")
"""Four readings along a bent arm, ``105+200+160+55``."""


def parse_length(
    text: str, kind: str = "arm", default_u_mm: float | None = None, source: str | None = None, unit: str = "mm"
) -> Length:
    """Read a typed length.

    Parameters
    ----------
    text : str
        ``V``, ``V±U``, ``V+-U`` or ``V+/-U``, each number with an optional unit (mm, cm, in); U is the expanded
        (95 %) uncertainty.  Numbers may have a decimal comma or be like ``18 1/2`` or ``18½``.  An arm that cannot be
        raised is four numbers, ``105+200+160+55``: see `along_bent_arm`.
    kind : {'arm', 'body', 'total', 'string', 'tape'}
        What is measured; sets the plausible range and the uncertainty of a bare number.
    default_u_mm : float, optional
        Standard uncertainty of a bare number, mm.
    source : str, optional
        Cause named in the budget.
    unit : str
        Unit of a number without one.

    Returns
    -------
    Length

    Raises
    ------
    LengthError
        If the text is no length, an implausible one, or one with an implausible uncertainty.

    Examples
    --------
    >>> length = parse_length("46.2 cm ± 1 cm")
    >>> round(length.value_mm, 1), round(length.standard_uncertainty_mm, 2)
    (462.0, 5.1)
    """
    plain = _plain(text)
    if kind in ("arm", "tape") and _SEGMENTS.match(plain):
        parts = (parse_length(each, "segment", SEGMENT_U_MM, source, unit) for each in plain.split("+"))
        return along_bent_arm(*parts)
    match = _FORM.match(plain)
    if match is None:
        raise LengthError(say("“{text}” is not a length. Write it like 462, 462±10, 46.2 cm or 18 1/2 in.", text=text))
    value_mm = _number(match["value"]) * _mm_of(match["unit1"] or match["unit2"] or unit)
    spread_unit_mm = _mm_of(match["unit2"] or match["unit1"] or unit)
    check_plausible(value_mm, kind)
    if match["spread"] is None:
        stated = default_u_mm if default_u_mm is not None else _bare_u_mm(kind)
        return Length.stated(value_mm, stated, source or BARE.template)
    expanded_mm = _number(match["spread"]) * spread_unit_mm
    check_spread(value_mm, expanded_mm)
    return Length.stated(value_mm, expanded_mm / COVERAGE_FACTOR, source or STATED.template)


def _plain(text: str) -> str:
    """The text in signs of one kind: phones write ½ for 1/2 and ” for ", other scripts digits of their own.

    Examples
    --------
    >>> _plain("18½”"), _plain("４６．５㎝")
    ('18 1/2"', '46.5cm')
    """
    parted = "".join(f" {sign}" if unicodedata.decomposition(sign).startswith("<fraction>") else sign for sign in text)
    plain = unicodedata.normalize("NFKC", parted).replace("\N{FRACTION SLASH}", "/").replace("٫", ".")
    return re.sub("[“”″]|['’′]{2}", '"', plain).strip().lower()


def _mm_of(unit: str) -> float:
    code = "in" if unit == '"' else unit
    code = next((each for each, begins in WRITTEN_OUT.items() if unit.startswith(begins)), code)
    if code not in MM_PER_UNIT:
        raise LengthError(say("“{unit}” is not a unit we know. Use mm, cm or in.", unit=unit))
    return MM_PER_UNIT[code]


def written_mm(text: str, unit: str, among: Collection[str] = tuple(MM_PER_UNIT)) -> float | None:
    """A bare number in mm, whatever it says: ``16 7/8``, ``46,5`` or ``46.5 cm``; None where it is none.

    Parameters
    ----------
    text : str
    unit : str
        Of a number without one.
    among : collection of str
        Units in which it may be; in another one it is none.
    """
    match = _FORM.match(_plain(text))
    if match is None or match["spread"] is not None:
        return None
    unit_mm = _mm_of(match["unit1"] or unit)
    return _number(match["value"]) * unit_mm if unit_mm in {MM_PER_UNIT[each] for each in among} else None


def as_read(value_mm: float) -> Number:
    """A typed or measured length in mm as it is told to people: no more decimals than anybody can read.

    Examples
    --------
    >>> as_read(1675.7437).text("de"), as_read(254.0).text("en"), as_read(0.446).text("en")
    ('1.675,7', '254', '0.446')
    """
    return Number(value_mm, 1 if abs(value_mm) >= 10 else 3)


def check_plausible(value_mm: float, kind: str) -> None:
    """Refuse a length that can only be a slip.

    Raises
    ------
    LengthError
        If `value_mm` is far outside what an arm, a body or a whole instrument can be; the text guesses the unit.
    """
    low, high = PLAUSIBLE_MM[kind]
    if low <= value_mm <= high:
        return
    if kind == "body" and high < value_mm <= VIOLA_MM:
        raise LengthError(
            say(
                "A body of {value} mm is longer than any violin's. Is it the total length? Violas and larger "
                "instruments are not judged here: their sizes go by body length, and a teacher chooses them by "
                "playing.",
                value=as_read(value_mm),
            )
        )
    what = KINDS[kind]
    meant_low, meant_high = PLAUSIBLE_MM["arm" if kind == "tape" else kind]  # a slip is not what was meant
    for name, factor in (("cm", 10.0), ("in", 25.4)):
        if value_mm < low and meant_low <= value_mm * factor <= meant_high:
            raise LengthError(
                say(
                    "{value} mm is too short for {what}. Did you mean {value} {unit}? Write the unit after the number.",
                    value=as_read(value_mm),
                    what=what,
                    unit=name,
                )
            )
    raise LengthError(
        say(
            "{value} mm cannot be the length of {what}: between {low} and {high} mm is possible. Please measure again.",
            value=as_read(value_mm),
            what=what,
            low=as_read(low),
            high=as_read(high),
        )
    )


def check_spread(value_mm: float, expanded_mm: float) -> None:
    """Refuse an expanded uncertainty that can only be a slip.

    Raises
    ------
    LengthError
        If `expanded_mm` is more than `WIDEST_SHARE` of the length.
    """
    if expanded_mm > WIDEST_SHARE * value_mm:
        raise LengthError(
            say(
                "±{spread} mm is more than half of {value} mm. Please measure again.",
                spread=as_read(expanded_mm),
                value=as_read(value_mm),
            )
        )


BODY_SHARES = (0.55, 0.66)
"""Body over total length outside of which one of the two was misread: violins have 0.585 to 0.61, and these limits lie
three times as far off; ours."""


def check_proportion(body_mm: float, total_mm: float) -> None:
    """Refuse a body and a total length that no violin has together.

    Raises
    ------
    LengthError
        If the body is too small or too large a share of the whole.

    Examples
    --------
    >>> check_proportion(255.0, 421.0)
    """
    if not BODY_SHARES[0] <= body_mm / total_mm <= BODY_SHARES[1]:
        raise LengthError(
            say(
                "A body of {body} mm and a total length of {total} mm do not go together: the body is {share} of the "
                "whole, violins have about {usual}. Please measure both again.",
                body=as_read(body_mm),
                total=as_read(total_mm),
                share=Percent(body_mm / total_mm),
                usual=Percent(0.6),
            )
        )


KINDS = {
    "arm": say("an arm"),
    "body": say("a violin's body"),
    "total": say("a whole violin"),
    "string": say("a string"),
    "tape": say("an arm"),
    "segment": say("a part of an arm"),
}


def linear(terms: Iterable[tuple[float, Length]]) -> Length:
    """Sum of factor times length, causes of the same key added with their signs.

    Parameters
    ----------
    terms : iterable of (float, Length)
        Factors and lengths.

    Returns
    -------
    Length
        Value and budget of the sum, mm.
    """
    value = 0.0
    shared: dict[str, tuple[str, float]] = {}
    own: list[Contribution] = []
    for factor, length in terms:
        value += factor * length.value_mm
        for part in length.budget:
            scaled = factor * part.contribution_mm
            if part.key is None:
                own.append(Contribution(part.source, scaled))
            else:
                source, so_far = shared.get(part.key, (part.source, 0.0))
                shared[part.key] = (source, so_far + scaled)
    return Length(value, (*own, *(Contribution(source, total, key) for key, (source, total) in shared.items())))


def widened(length: Length) -> Length:
    """The length with its budget widened to its stated interval.

    A length found by simulation may have a wider, skewed interval than its budget's root of squares says.  Verdicts use
    a normal distribution; the missing width becomes one more cause, so that it is not lost.
    """
    if length.interval_mm is None:
        return length
    wide = max(length.value_mm - length.interval_mm[0], length.interval_mm[1] - length.value_mm) / COVERAGE_FACTOR
    missing = wide**2 - length.standard_uncertainty_mm**2
    if missing <= 0:
        return Length(length.value_mm, length.budget)
    return Length(length.value_mm, (*length.budget, Contribution("spread found by simulation", sqrt(missing))))


def _bare_u_mm(kind: str) -> float:
    return TAPE_ARM_U_MM if kind in ("arm", "tape") else TAPE_INSTRUMENT_U_MM


def _number(text: str) -> float:
    total = 0.0
    for part in text.replace(",", ".").replace("-", " ").split():
        above, _, below = part.partition("/")
        if below and float(below) == 0:
            raise LengthError(say("“{text}” is not a number.", text=text))
        total += float(above) / float(below) if below else float(above)
    return total


SEGMENT_U_MM = 5.0
"""Standard uncertainty of one segment read with a tape by a layman, mm: ISO 20685 allows 5 mm for segment lengths
between a scan and a skilled reading; ours takes it as a standard uncertainty, for a layman."""

RAISED_OVER_SEGMENTS, RAISED_SPREAD = 0.915, 0.025
"""A raised arm over the sum of its segments along a hanging or bent one, side of the neck to the shoulder's tip to the
elbow to the wrist to the middle of the palm: a raised shoulder comes inwards.  Half span over segments from the middle
of the back is 0.888 (SD 0.015) in grown people (ANSUR II); without the half neck, which does not shorten, 0.88 to 0.94.
Ours, with a spread that holds both."""

RAISED = "raised over segments"
"""Key of that cause: two readings of one child along its segments share it."""


def along_bent_arm(
    neck_to_shoulder: Length, shoulder_to_elbow: Length, elbow_to_wrist: Length, wrist_to_palm: Length
) -> Length:
    """Arm length of a child who cannot raise the arm, from four readings along the bent arm.

    Parameters
    ----------
    neck_to_shoulder, shoulder_to_elbow, elbow_to_wrist, wrist_to_palm : Length
        Side of the neck to the bony tip of the shoulder, to the elbow's point, to the wrist's crease, to the middle of
        the palm.

    Returns
    -------
    Length
        The arm as if it were raised, with a wide interval: about 30 mm to each side.

    Examples
    --------
    >>> arm = along_bent_arm(*(Length.stated(each, SEGMENT_U_MM) for each in (105.0, 200.0, 160.0, 55.0)))
    >>> round(arm.value_mm), round(arm.standard_uncertainty_mm)
    (476, 15)
    """
    segments = (neck_to_shoulder, shoulder_to_elbow, elbow_to_wrist, wrist_to_palm)
    summed = linear([(RAISED_OVER_SEGMENTS, each) for each in segments])
    raised = Contribution("raised arm over its segments", RAISED_SPREAD * summed.value_mm, RAISED)
    return Length(summed.value_mm, (*summed.budget, raised))


def is_read_by_tape(arm: Length) -> bool:
    """Whether a tape was laid along an arm: it was typed as a bare number, or a reading counts with its photo."""
    return any(part.source in (BARE.template, BY_TAPE.template) for part in arm.budget)


def is_along_bent_arm(arm: Length) -> bool:
    """Whether an arm was read along its segments, because the child cannot raise it."""
    return any(part.key == RAISED for part in arm.budget)


ASK_THE_TEACHER = say(
    "Tell the teacher why the arm is not raised: with such an arm the teacher decides by playing, not by numbers."
)
"""What to do where the numbers of such an arm do not decide: no better reading can be asked for."""


BENT_ARM: tuple[Sentence, ...] = (
    say(
        "If the child cannot raise or stretch the arm, read a tape along the bent arm in four parts, typed as the "
        "arm's length like 105+200+160+55:"
    ),
    say(
        "side of the neck to the bony tip of the shoulder; on to the point of the elbow; on to the crease of the wrist;"
    ),
    say("on to the middle of the palm. The sum is turned into a raised arm; its interval is about 30 mm to each side."),
    ASK_THE_TEACHER,
)
"""The way out for a child who cannot raise an arm, and what to tell the teacher."""
