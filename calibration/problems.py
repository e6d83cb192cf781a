"""What can be wrong with a photo, in words a parent understands.

Each problem is a constant: a stable code for programs, one sentence that says what is wrong, and one that says the one
thing to do differently.  The texts are English source strings for the message catalogue; `service` translates them.
What is wrong with a printed sheet and with blank paper or a card has one code and two wordings.
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

PHOTO_MIRRORED = Problem(
    "photo_mirrored",
    "This photo is mirrored: left and right are swapped.",
    "Take it with the camera on the phone's back, or switch mirroring off in the camera's settings.",
)

PHOTO_CUT = Problem(
    "photo_cut",
    "This picture was cut, zoomed into or made smaller, so its lengths are less sure.",
    "Send the photo just as the camera took it, without zoom.",
)

PRINTED_SMALL = Problem(
    "printed_small",
    "The sheet was printed much smaller than it has to be.",
    "Print it again at 100%, one page on each sheet of paper.",
)

SHEETS_APART = Problem(
    "sheets_apart",
    "The sheets in this photo do not lie in one plane.",
    "Hang them on the same flat wall, or lay them on the same flat table, and take the photo again.",
)

SHEET_HIDDEN = Problem(
    "sheet_hidden",
    "Too much of the printed sheet is covered or outside the photo.",
    "Take the photo again with the whole sheet in view and nothing in front of it.",
)

SHEET_TOO_SMALL = Problem(
    "sheet_too_small",
    "The printed sheet is so small in this photo that it cannot be measured well.",
    "Go closer, or send the photo in its original size instead of through a messenger.",
)

SHEET_BENT = Problem(
    "sheet_bent",
    "The printed sheet is not flat.",
    "Fix the sheet with tape at all four corners, or lay it on a firm flat surface, and take the photo again.",
)

SHEET_BLURRED = Problem(
    "sheet_blurred",
    "The printed sheet is too blurred to be measured well.",
    "Hold the phone still, tap on the sheet to focus, and take the photo again in more light.",
)

BLANK_TOO_SMALL = Problem(
    "sheet_too_small",
    "The paper or card is so small in this photo that it cannot be measured well.",
    SHEET_TOO_SMALL.advice,
)

BLANK_BENT = Problem(
    "sheet_bent",
    "The paper or card is not flat.",
    "Lay the paper or card on a firm flat surface, or fix it there with tape, and take the photo again.",
)

PRINT_SCALE = Problem(
    "print_scale",
    "The sheet seems to have been printed smaller or larger than it should be.",
    "Print it again at 100% (“actual size”, not “fit to page”) and check the bar with a ruler.",
)

PRINT_SCALE_UNSURE = Problem(
    "print_scale_unsure",
    "By the edges of the paper, the sheet may have been printed smaller or larger than it should be.",
    "Measure a printed bar with a ruler and tell us its length. That makes the result much surer.",
)

PRINT_SCALE_DISAGREES = Problem(
    "print_scale_disagrees",
    "The checks of the sheet's printed size do not agree with one another.",
    "Measure the printed bar again with a ruler and tell us its length.",
)

BAR_LENGTH = Problem(
    "bar_length",
    "The length given for the printed bar cannot be right: in true size it is 150 mm long.",
    "Measure the bar from end mark to end mark with a ruler, in millimetres.",
)

NO_BLANK_SHEET = Problem(
    "no_blank_sheet",
    "We cannot see the edges of the blank paper or card in this photo.",
    "Put something dark behind it, a book or a towel, with all four edges free, and take the photo again.",
)

WHICH_PAPER = Problem(
    "which_paper",
    "We cannot tell which paper this is.",
    "Tell us whether it is A4 or Letter paper or a card, and photograph it from straight in front.",
)

BLANK_SHEET_UNLIKE = Problem(
    "blank_sheet_unlike",
    "The paper in this photo does not have the shape of the one that you chose.",
    "Check whether it is A4 or Letter paper or a card, whole, flat and uncut.",
)

WRONG_LENS = Problem(
    "wrong_lens",
    "This photo was taken with the phone's ultra-wide lens, which bends straight lines.",
    "Choose the normal lens (1x) and take the photo again from a little further away.",
)
