"""Measurements as lines a person reads in a terminal."""

from __future__ import annotations

from typing import Any

from service.fit.causes import cause
from service.fit.lengths import BENT_ARM
from service.fit.sentences import Millimetres, Number, Sentence, Translate, say, unchanged
from service.words.lengths import LENGTHS
from vision.problems import ARM_TOO_LOW, ELBOW_BENT

CANNOT_RAISE = frozenset({ARM_TOO_LOW.code, ELBOW_BENT.code})
"""Problems of a photo that a child may be unable to mend; such an arm can still be read with a tape."""


def measurement_text(result: dict[str, Any], translate: Translate = unchanged, language: str = "en") -> str:
    """Lines for one photo's measurement in its JSON form: lengths with their 95 % intervals, then what to know.

    An arm that is not raised or straight gets the way out for a child who cannot: a tape along the bent arm.
    """
    title = _title(result).text(translate, language)
    lines = [
        length_sentence(each.name, result[code]).text(translate, language)
        for code, each in LENGTHS.items()
        if result.get(code)
    ]
    if result["usable"]:
        lines.append(_limits_text(result.get("arm_length") or result["body_length"], translate, language))
    if result["usable"] and result.get("agreement"):
        lines.append(_agreement_sentence(result).text(translate, language))
    if result["usable"] and result.get("viewpoints_deg") is not None:
        lines.append(_together_sentence(result).text(translate, language))
    lines += remarks(result, translate)
    if not result["usable"] and not CANNOT_RAISE.isdisjoint(problem["code"] for problem in result["problems"]):
        lines.append(" ".join(each.text(translate, language) for each in BENT_ARM))
    return "\n".join([title, *("  " + line for line in lines)])


def remarks(result: dict[str, Any], translate: Translate = unchanged) -> list[str]:
    """What is wrong with a photo, or to be known although it is usable: a line each, with what to do about it.

    Of several photos those that were left out are named, and those that show too little say why; where that is why
    nothing was measured, nothing else is said.
    """
    unused, left_out = result.get("unused", ()), result.get("left_out", ())
    told = () if unused and not result["usable"] else result["problems"]
    why = [say("{where}: {reason}", where=each["photo"], reason=_said(each, translate)) for each in unused]
    named = [
        say("Left out: {photo}", photo=name) for name in left_out if name not in {each["photo"] for each in unused}
    ]
    return [*(_said(each, translate) for each in told), *(each.text(translate) for each in (*why, *named))]


def _said(problem: dict[str, Any], translate: Translate) -> str:
    return f"{translate(problem['message'])} {translate(problem['advice'])}"


def _title(result: dict[str, Any]) -> Sentence:
    photo = {
        "left": say("{photo} (left arm)", photo=result["photo"]),
        "right": say("{photo} (right arm)", photo=result["photo"]),
    }.get(result.get("side") or "", Sentence(result["photo"]))
    return photo if result["usable"] else say("{photo}: not measured.", photo=photo)


def length_sentence(name: Sentence, length: dict[str, Any], decimals: int = 1) -> Sentence:
    """One length, e.g. ``Hand length: 151.2 mm (95% sure: 140.1 mm to 162.3 mm)``."""
    return say(
        "{name}: {value} (95% sure: {low} to {high})",
        name=name,
        value=Millimetres(length["value_mm"], decimals),
        low=Millimetres(length["low_mm"], decimals),
        high=Millimetres(length["high_mm"], decimals),
    )


def _limits_text(length: dict[str, Any], translate: Translate, language: str) -> str:
    """The three causes that limit the interval most."""
    largest = sorted(length["budget"], key=lambda part: -abs(part["contribution_mm"]))[:3]
    causes = [
        f"{cause(part['source']).text(translate, language)} "
        f"({Millimetres(abs(part['contribution_mm']), 1).text(language)})"
        for part in largest
    ]
    return say("Interval mostly from: {causes}", causes=", ".join(causes)).text(translate, language)


def _together_sentence(result: dict[str, Any]) -> Sentence:
    """From how many photos together, and from how different places."""
    return say(
        "Measured from {count} pictures together, taken from places {angle} degrees apart.",
        count=result["photos"],
        angle=Number(result["viewpoints_deg"], 0),
    )


def _agreement_sentence(result: dict[str, Any]) -> Sentence:
    """How well photos of one child agree that were joined."""
    return say(
        "Joined from {count} photos that agree: they scatter {ratio} times as much as their uncertainties let expect.",
        count=result["photos"],
        ratio=Number(result["agreement"]["birge_ratio"], 1),
    )
