"""What the measured lengths are called: the one list, for terminal, pages and report.

Whatever is measured has a name here, a plainer one where the trade's word says little to a family, and stands in tables
in this order.
"""

from __future__ import annotations

from dataclasses import dataclass

from babel.numbers import get_decimal_symbol

from service.fit.sentences import Sentence, say
from service.words.i18n import translator


@dataclass(frozen=True, slots=True)
class LengthName:
    """Names of one measured length.

    Attributes
    ----------
    name : Sentence
        As the trade says it.
    plain : Sentence
        As a family reads it.
    """

    name: Sentence
    plain: Sentence


def _named(name: Sentence, plain: Sentence | None = None) -> LengthName:
    return LengthName(name, plain or name)


LENGTHS = {
    "arm_length": _named(say("Arm, from the side of the neck to the middle of the palm")),
    "neck_to_wrist": _named(say("Neck to wrist")),
    "neck_to_fingertip": _named(say("Neck to fingertip")),
    "shoulder_to_palm": _named(say("Shoulder to middle of the palm")),
    "spine_to_palm": _named(say("Spine to middle of the palm")),
    "hand_length": _named(say("Hand length")),
    "hand_breadth": _named(say("Hand breadth")),
    "neck_length": _named(say("Neck, from the chin to the height of the shoulder")),
    "shoulder_fall": _named(say("Shoulder, down from the side of the neck to its tip")),
    "shoulder_run": _named(say("Shoulder, across from the side of the neck to its tip")),
    "body_length": _named(say("Body length"), say("Body of the instrument")),
    "total_length": _named(say("Total length"), say("Whole instrument, without the end button")),
    "upper_bout_width": _named(say("Upper bout")),
    "middle_bout_width": _named(say("Middle bout")),
    "lower_bout_width": _named(say("Lower bout")),
    "string_length": _named(say("String length, nut to bridge")),
}
"""Measured lengths by their code, `ARM_LENGTHS` and `INSTRUMENT_LENGTHS` of `service.measuring.results`."""


SHORT = {"arm_length": say("arm"), "body_length": say("body"), "total_length": say("whole")}
"""What a line drawn in a photo is called."""


def captions(language: str) -> dict[str, str]:
    """Names of drawn lines, and the decimal sign; in English where the letters of a picture lack the language's."""
    names = {code: name.text(translator(language), language) for code, name in SHORT.items()}
    try:
        "".join(names.values()).encode("cp1252")
    except UnicodeEncodeError:
        return {code: name.text() for code, name in SHORT.items()}
    return names | {"point": get_decimal_symbol(language)}
