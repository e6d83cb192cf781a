"""What only an eye on the playing child can tell, asked in words.

Numbers say whether an instrument's lengths suit an arm.  Whether the child is strained shows in five signs.  They are
used in the safe direction only: a sign of strain makes a verdict stricter, a lack of them never turns a too large
instrument into one that fits.  The state of the particular instrument (pegs, bridge, room between the strings) weighs
only between two instruments that suit equally.
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
    """

    pegs_hold: bool | None = None
    bridge_cut: bool | None = None
    strings_apart: bool | None = None

    @property
    def score(self) -> int:
        """Good answers minus bad ones, -3 to 3."""
        answers = (self.pegs_hold, self.bridge_cut, self.strings_apart)
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

CONDITION_QUESTIONS: dict[str, Sentence] = {
    "pegs_hold": say("Do the pegs turn smoothly and hold?"),
    "bridge_cut": say("Is the bridge cut low enough for small hands?"),
    "strings_apart": say("Does the bow cross from string to string without catching a neighbour?"),
}
"""The instrument's state as questions; yes is the good answer."""
