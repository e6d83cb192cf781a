"""What can be wrong with a photo, in words a parent understands.

Each problem is a constant: a stable code for programs, one sentence that says what is wrong, and one that says the one
thing to do differently.  The texts are English source strings for the message catalogue; `service` translates them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """A fault of a photo.

    Attributes
    ----------
    code : str
        Stable name for programs, e.g. ``"no_sheet"``.
    message : str
        What is wrong, for a parent.
    advice : str
        The one thing to do differently.
    """

    code: str
    message: str
    advice: str


class Refused(Exception):
    """Raised where a photo cannot be measured; carries the problems that say why."""

    def __init__(self, *problems: Problem) -> None:
        super().__init__("; ".join(problem.code for problem in problems))
        self.problems = problems


NO_SHEET = Problem(
    "no_sheet",
    "We cannot find the printed sheet in this photo.",
    "Print the sheet, keep it flat and fully in view, and take the photo again.",
)
