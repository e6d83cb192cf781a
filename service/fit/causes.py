"""Causes of uncertainty as people read them.

A budget names its causes in English.  Those that the measuring rooms name outside a `Contribution` are listed here, so
that the message catalogue holds them; a test measures the sample photos and looks every cause up.
"""

from __future__ import annotations

import re

from service.fit.sentences import Sentence, say

MEASURED = (
    say("focal length"),
    say("sheet corners and lens"),
    say("neck point"),
    say("neck point (covered)"),
    say("shoulder, elbow and wrist points"),
    say("palm point"),
    say("palm point (hand not seen)"),
    say("depth of the neck"),
    say("depth of the arm and palm"),
    say("arm proportions"),
    say("sway between the photos"),
    say("age and stature as stated"),
    say("hand size"),
    say("trunk lean"),
    say("the shoulder's bony tip"),
    say("the spine behind the neck"),
    say("chin"),
    say("neck point placed by hand"),
    say("shoulder point placed by hand"),
    say("elbow point placed by hand"),
    say("wrist point placed by hand"),
    say("palm point placed by hand"),
    say("where the edge is seen"),
    say("where the ends are seen"),
    say("light along the edge"),
    say("camera and sheet"),
    say("height above the table"),
    say("shape of the hidden outline"),
    say("sideways tilt"),
    say("height of the ribs"),
    say("usual proportion"),
)

_OF_PHOTO = re.compile(r"(?P<cause>.+), photo (?P<number>\d+)")


def cause(source: str) -> Sentence:
    """The cause that a budget names, to be translated."""
    match = _OF_PHOTO.fullmatch(source)
    if match is None:
        return Sentence(source)
    return say("{cause}, photo {number}", cause=Sentence(match["cause"]), number=match["number"])
