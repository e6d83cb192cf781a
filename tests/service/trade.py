"""Cases of the trade, in its words: what is asked, what must be said and what must not, wherever it is asked.

They were met by somebody who tried the program as a new user: on the command line, and on the pages.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Case:
    """A child and an instrument, and what is to be said of them.

    Attributes
    ----------
    name : str
    arm, body, total : str
        As they are typed; the total may be left out.
    label : str
        The size it is sold as, if any.
    signs : dict of str to bool
        What is seen while the child plays.
    said, unsaid : tuple of str
        Phrases that are there, and that are not.
    """

    name: str
    arm: str
    body: str
    total: str = ""
    label: str = ""
    signs: dict[str, bool] = field(default_factory=dict)
    said: tuple[str, ...] = ()
    unsaid: tuple[str, ...] = ()


GOOD = dict.fromkeys(("wrist_free", "fingers_easy", "bow_clear", "elbow_bent", "painless"), True)

CASES = (
    Case(
        "an arm of 500 against a half: the smaller, and nothing besides",
        *("500±5", "310±2", "512±3"),
        said=("Take a smaller instrument: about the size 1/4",),
        unsaid=("not decided", "Take a larger", "It can be played"),
    ),
    Case(
        "between an eighth and a quarter, of which one must do",
        *("468±8", "255±2", "421±3"),
        said=("It can be played",),
        unsaid=("Take a smaller", "Take a larger"),
    ),
    Case(
        "a pressed wrist in mid band: set-up and habit before the size",
        *("451±5", "255±2", "421±3"),
        signs={"wrist_free": False},
        said=("See to set-up and posture first", "the left wrist is pressed"),
        unsaid=("Take a smaller", "Take a larger", "It can be played"),
    ),
    Case(
        "pain: stop, and nothing else is advised",
        *("451±5", "255±2", "421±3"),
        signs={"painless": False},
        said=("Stop playing this instrument and ask the teacher",),
        unsaid=("becomes too small", "Take a", "It can be played"),
    ),
    Case(
        "wrist, fingers and elbow at the edge: the size, and the refused one is not wanted again",
        *("424±4", "255±2", "421±3"),
        signs={"wrist_free": False, "fingers_easy": False, "elbow_bent": False},
        said=("Take a smaller instrument",),
        unsaid=("It can be played", "See to set-up"),
    ),
    Case(
        "a small eighth that plays with ease for far too short an arm is answered, not passed over",
        *("372±8", "240±2", "405±3"),
        signs=GOOD,
        said=("strain comes late", "Take a smaller instrument"),
        unsaid=("It can be played",),
    ),
    Case(
        "even odds between fits and stretch are no slightly large",
        *("432.5±8", "255±2", "421±3"),
        said=("fits or is slightly large",),
        unsaid=("This instrument is slightly large",),
    ),
    Case(
        "an eighth that is a tenth",
        *("420±6", "235±2", "388±3"),
        label="1/8",
        said=("sold as 1/8 but measures like a 1/10",),
    ),
    Case(
        "an arm too short for the chart: wait, not a smaller one that nobody makes",
        *("318±6", "192±2", "317±3"),
        said=("No violin of the chart is small enough",),
        unsaid=("Take a smaller", "from 180 to 180"),
    ),
    Case(
        "an arm that cannot be raised, read in four parts",
        *("105+200+160+55", "280±2", "463±3"),
        said=("The arm measures 476 mm", "with such an arm the teacher decides by playing"),
        unsaid=("Measure the arm with a tape", "Take a photo of the child"),
    ),
)
"""What gets an answer."""

ASKED_BACK = (
    Case("a body that no violin has with that total", *("450±5", "255±2", "500±3"), said=("do not go together",)),
    Case("a body that no violin has with so short a total", *("450±5", "255±2", "300±3"), said=("do not go together",)),
    Case("centimetres without a unit", *("45", "255±2", "421±3"), said=("Did you mean 45 cm?",)),
    Case("inches without a unit", *("18", "255±2", "421±3"), said=("Did you mean 18 in?",)),
    Case("a viola", *("560±8", "390±2", "640±3"), said=("Violas and larger instruments are not judged here",)),
    Case("a viola by its label", *("560±8", "340±2", "560±3"), label="Viola 13", said=("is no violin",)),
    Case("body and total the wrong way round", *("450±5", "421±2", "255±3"), said=("longer than any violin",)),
)
"""What is asked back, in words that name the thing."""


CHART_ROWS_MM = ((400, 440, 240, 400), (440, 480, 260, 430))
CHART_UNITS = {"cm": 10.0, "in": 25.4}


def chart_table(unit: str, stated: bool) -> str:
    """A chart of two sizes in centimetres or inches, whose head says the unit or does not."""
    said = f"_{unit}" if stated else ""
    head = ",".join(["size", *(f"{column}{said}" for column in ("arm_from", "arm_to", "body_length", "total_length"))])
    rows = (",".join(f"{mm / CHART_UNITS[unit]:.2f}" for mm in row) for row in CHART_ROWS_MM)
    return "\n".join([head, *(f"S{n}x,{row}" for n, row in enumerate(rows))])


@dataclass(frozen=True)
class TapeCase:
    """A tape reading against a photo whose arm measures 455 mm, 384 mm of it from the shoulder."""

    reading: str
    said: tuple[str, ...]
    unsaid: tuple[str, ...] = ("Together they give",)


TAPE_ARM, TAPE_SHOULDER = "455±4", "384±4"
TAPES = (
    TapeCase(
        "445±4",
        (
            "do not agree",
            "short by the tape's end hook",
        ),
    ),
    TapeCase(
        "465±4",
        (
            "do not agree",
            "long by the tape's end hook",
        ),
    ),
    TapeCase("546±4", ("do not agree", "Two digits were probably swapped: 456 mm was meant")),
    TapeCase("383±4", ("do not agree", "read from the shoulder")),
    TapeCase("328±4", ("do not agree", "from the armpit")),
    TapeCase("17.9 cm", ("do not agree", "Inches were probably written as centimetres")),
    TapeCase("446±8", ("could agree, but a slip cannot be ruled out",)),
    TapeCase("456±4", ("agree", "Together they give"), unsaid=("do not agree", "probably")),
)


@dataclass(frozen=True)
class GrowthCase:
    """Readings of one child by age, and the body of the instrument in use."""

    name: str
    readings: tuple[tuple[float, str], ...]
    body: str
    said: tuple[str, ...] = ()
    unsaid: tuple[str, ...] = ()


GROWTHS = (
    GrowthCase(
        "forty millimetres in a year are told to be odd",
        ((6.0, "400±6"), (7.0, "440±6")),
        "255±2",
        said=("the arm grew 40 mm a year, which the heights of children do not explain",),
        unsaid=("likely a mistake",),
    ),
    GrowthCase(
        "four millimetres in a year are told to be odd",
        ((6.0, "430±6"), (7.0, "434±6")),
        "255±2",
        said=("the arm grew 4 mm a year, which the heights of children do not explain",),
        unsaid=("likely a mistake",),
    ),
    GrowthCase(
        "a likely mistake is named, and nothing is said of what hangs on it",
        ((6.0, "438±8"), (6.5, "449±8"), (7.0, "560±8")),
        "255±2",
        said=("Measurement 3 (560 mm at 7", "is likely a mistake"),
        unsaid=("already too small", "becomes too small", "begins to fit"),
    ),
    GrowthCase(
        "two readings of a usual child are no cause for alarm",
        ((6.0, "430±6"), (7.0, "452±6")),
        "255±2",
        said=("too small",),
        unsaid=("do not explain", "likely a mistake", "unusual"),
    ),
)
