"""Room for the fingers: where the notes lie on a string.

A string stopped so that it sounds n semitones higher is shorter by the factor 2^(-n/12) (equal temperament), so the
finger stands L (1 - 2^(-n/12)) from the nut: every distance scales with the string length L.  In first position the
four fingers of the common pattern stand 2, 4, 5 and 7 semitones above the open string.  This is information for a
choice between two instruments, not a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from calibration.quantity import Contribution, Length, length_json
from service.fit.assessment import InstrumentLengths
from service.fit.lengths import linear
from service.fit.sentences import Millimetres, Number, Sentence, Translate, say, unchanged

FIRST_POSITION = (2, 4, 5, 7)
"""Semitones of the first to the fourth finger."""

STRING_TO_BODY = 328.5 / 356
"""String length by body length of a full-size violin (string 328.5 mm, body 356 mm: the Messiah, 1716)."""

STRING_TO_BODY_SPREAD = 0.015
"""Relative standard deviation of that ratio; ours, after quoted strings of 325 to 330 mm and customary bodies."""


@dataclass(frozen=True)
class FingerRoom:
    """Where the fingers stand in first position.

    Attributes
    ----------
    string_length : Length
        Nut to bridge.
    measured : bool
        Whether it was measured, or estimated from the body.
    from_nut_mm : tuple of float
        Distance of the four fingers from the nut, mm.
    frame : Length
        First to fourth finger.
    frame_by_hand : float or None
        That distance over the breadth of the measured hand.
    """

    string_length: Length
    measured: bool
    from_nut_mm: tuple[float, ...]
    frame: Length
    frame_by_hand: float | None

    def as_json(self, translate: Translate = unchanged, language: str = "en") -> dict[str, Any]:
        """All of it as JSON; sentences in `language` by `translate`."""
        return {
            "string_length": length_json(self.string_length),
            "measured": self.measured,
            "from_nut_mm": [round(each, 1) for each in self.from_nut_mm],
            "first_to_fourth_finger": length_json(self.frame),
            "first_to_fourth_by_hand_breadth": None if self.frame_by_hand is None else round(self.frame_by_hand, 3),
            "message": [each.text(translate, language) for each in finger_sentences(self)],
        }


def semitone_place_mm(string_length_mm: float, semitones: float) -> float:
    """Distance from the nut of the note that many semitones above the open string, mm.

    Examples
    --------
    >>> round(semitone_place_mm(327.5, 12), 2)
    163.75
    """
    return float(string_length_mm * (1 - 2 ** (-semitones / 12)))


def finger_room(instrument: InstrumentLengths, hand_breadth: Length | None = None) -> FingerRoom | None:
    """Where the fingers stand on an instrument.

    Parameters
    ----------
    instrument : InstrumentLengths
        Its string length, or its body length to estimate that from.
    hand_breadth : Length, optional
        The child's hand across the knuckles.

    Returns
    -------
    FingerRoom or None
        None where neither string nor body length is known.
    """
    string = instrument.string_length or _estimated_string(instrument.body)
    if string is None:
        return None
    places = tuple(semitone_place_mm(string.value_mm, each) for each in FIRST_POSITION)
    frame = linear([((places[-1] - places[0]) / string.value_mm, string)])
    by_hand = None if hand_breadth is None else frame.value_mm / hand_breadth.value_mm
    return FingerRoom(string, instrument.string_length is not None, places, frame, by_hand)


def finger_sentences(room: FingerRoom) -> tuple[Sentence, ...]:
    """The spacing in words."""
    sentences = [
        say(
            "With a string of {string} the first and the fourth finger stand {frame} apart.",
            string=Millimetres(room.string_length.value_mm),
            frame=Millimetres(room.frame.value_mm),
        )
    ]
    if not room.measured:
        sentences.append(say("The string length is estimated from the body length."))
    if room.frame_by_hand is not None:
        sentences.append(
            say("That is {ratio} times the breadth of the child's hand.", ratio=Number(room.frame_by_hand, 2))
        )
    return tuple(sentences)


def room_difference(first: FingerRoom, second: FingerRoom) -> Sentence:
    """Two instruments compared in words."""
    more = first.frame.value_mm - second.frame.value_mm
    if more >= 0:
        return say("The first gives the fingers {mm} more room from first to fourth.", mm=Millimetres(more, 1))
    return say("The second gives the fingers {mm} more room from first to fourth.", mm=Millimetres(-more, 1))


def _estimated_string(body: Length | None) -> Length | None:
    if body is None:
        return None
    scaled = linear([(STRING_TO_BODY, body)])
    ratio = Contribution("string length by body length", STRING_TO_BODY_SPREAD * scaled.value_mm)
    return Length(scaled.value_mm, (*scaled.budget, ratio))
