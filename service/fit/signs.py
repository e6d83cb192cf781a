"""What only an eye on the playing child can tell, asked in words.

Numbers say whether an instrument's lengths suit an arm.  Whether the child is strained shows in five signs, and each
sign has more causes than one: `service.fit.evidence` weighs them.  The state of the particular instrument (pegs,
bridge, room between the strings) weighs only between two instruments that suit equally; one that is not whole is played
by nobody.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

from service.fit.sentences import Sentence, say


@dataclass(frozen=True, slots=True)
class PlayingSigns:
    """Answers about the child with this instrument in the hand; True is the good answer, None is not answered.

    Attributes
    ----------
    wrist_free : bool or None
        The left wrist stays off the instrument's body.
    fingers_easy : bool or None
        All four fingers are placed without strain.
    bow_clear : bool or None
        One string is bowed without touching its neighbours.
    elbow_bent : bool or None
        The scroll is held up without the left elbow locking.
    painless : bool or None
        No pain, no numbness.
    """

    wrist_free: bool | None = None
    fingers_easy: bool | None = None
    bow_clear: bool | None = None
    elbow_bent: bool | None = None
    painless: bool | None = None

    @property
    def bad(self) -> tuple[str, ...]:
        """Names of the signs that were answered badly."""
        return tuple(each.name for each in fields(self) if getattr(self, each.name) is False)

    @property
    def strain(self) -> tuple[str, ...]:
        """Names of the signs that show strain."""
        names = ("wrist_free", "fingers_easy", "elbow_bent", "painless")
        return tuple(name for name in names if getattr(self, name) is False)

    @property
    def pain(self) -> bool:
        """Whether pain or numbness was seen."""
        return self.painless is False

    @property
    def all_good(self) -> bool:
        """Whether every sign was answered, and well."""
        return all(getattr(self, each.name) is True for each in fields(self))


@dataclass(frozen=True, slots=True)
class InstrumentCondition:
    """The state of one instrument; None is not looked at.

    Attributes
    ----------
    pegs_hold : bool or None
        The pegs fit and hold their tuning.
    bridge_cut : bool or None
        The bridge is cut for small hands: low enough to press the strings down.
    strings_apart : bool or None
        The bow crosses from string to string without catching a neighbour.
    whole : bool or None
        Nothing is cracked, open or missing.
    """

    pegs_hold: bool | None = None
    bridge_cut: bool | None = None
    strings_apart: bool | None = None
    whole: bool | None = None

    @property
    def score(self) -> int:
        """Good answers minus bad ones, -4 to 4."""
        answers = (self.pegs_hold, self.bridge_cut, self.strings_apart, self.whole)
        return sum(answer is True for answer in answers) - sum(answer is False for answer in answers)


SIGN_QUESTIONS: dict[str, Sentence] = {
    "wrist_free": say("Does the left wrist stay free, not pressed against the violin's body?"),
    "fingers_easy": say("Can all four fingers be placed without strain?"),
    "bow_clear": say("Can the child bow one string without touching its neighbours?"),
    "elbow_bent": say("Can the child hold the scroll up without the left elbow locking?"),
    "painless": say("Does the child play without pain and without numbness?"),
}
"""The signs as questions; yes is the good answer."""

SIGN_FAULTS: dict[str, Sentence] = {
    "wrist_free": say("the left wrist is pressed against the violin's body"),
    "fingers_easy": say("the four fingers cannot be placed without strain"),
    "bow_clear": say("the bow touches neighbouring strings"),
    "elbow_bent": say("the left elbow locks while the scroll is held up"),
    "painless": say("there is pain or numbness"),
}
"""The signs as observations, where the answer was no."""


@dataclass(frozen=True, slots=True)
class SignCause:
    """One thing that may be behind a bad sign.

    Attributes
    ----------
    code : str
        Stable name for programs.
    sentence : Sentence
        The cause, after "most likely", with what to do about it.
    chance : float
        How often it alone shows this sign, among children whose instrument's size is right.
    """

    code: str
    sentence: Sentence
    chance: float = 0.0


@dataclass(frozen=True, slots=True)
class SignCauses:
    """All that may be behind a bad sign.

    Attributes
    ----------
    by_size : float or None
        How often a child strained by the size shows this sign; None where it is the opposite, a too small instrument.
    size : SignCause
        Its size as a cause.
    others : tuple of SignCause
        Set-up and posture.
    """

    by_size: float | None
    size: SignCause
    others: tuple[SignCause, ...]

    @property
    def other_chance(self) -> float:
        """Chance that at least one of the other causes shows this sign."""
        good = 1.0
        for each in self.others:
            good *= 1 - each.chance
        return 1 - good


_SIZE = SignCause("size", say("the instrument's size: it asks for more arm than the child has"))

SIGN_CAUSES: dict[str, SignCauses] = {
    "wrist_free": SignCauses(
        0.8,
        _SIZE,
        (
            SignCause("shoulder_rest", say("no shoulder rest, or a low one, so that the hand holds it up"), 0.1),
            SignCause("habit", say("habit: show the hand a straight wrist"), 0.1),
        ),
    ),
    "fingers_easy": SignCauses(
        0.7,
        _SIZE,
        (
            SignCause("strings_high", say("strings that lie high: have nut and bridge looked at"), 0.06),
            SignCause("hand_shape", say("the hand's shape: the thumb too far back, the elbow too far out"), 0.1),
        ),
    ),
    "bow_clear": SignCauses(
        None,
        SignCause("small", say("an instrument that is too small: its strings lie too close together")),
        (
            SignCause("bridge", say("the bridge: too flat or its notches too close"), 0.15),
            SignCause("bow", say("the bow: too long or too heavy, or how it is held"), 0.1),
        ),
    ),
    "elbow_bent": SignCauses(
        0.7,
        _SIZE,
        (SignCause("hold", say("how it is held: too far to the side, or the head not carrying it"), 0.06),),
    ),
    "painless": SignCauses(
        0.4,
        _SIZE,
        (
            SignCause("chin_rest", say("chin rest and shoulder rest: their height and where they press"), 0.05),
            SignCause("posture", say("a raised shoulder, a turned neck or a tight grip"), 0.05),
            SignCause("long_playing", say("playing for too long at a time"), 0.03),
        ),
    ),
}
"""Causes of each bad sign.  The causes are common practice among teachers, no source; the chances are ours."""

CONDITION_QUESTIONS: dict[str, Sentence] = {
    "pegs_hold": say("Do the pegs turn smoothly and hold?"),
    "bridge_cut": say("Is the bridge cut low enough for small hands?"),
    "strings_apart": say("Does the bow cross from string to string without catching a neighbour?"),
    "whole": say("Is it whole: nothing cracked, open or missing?"),
}
"""The instrument's state as questions; yes is the good answer."""
