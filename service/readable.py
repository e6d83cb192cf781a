"""Measurements as lines a person reads in a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from service.fit.sentences import Translate

if TYPE_CHECKING:
    from service.fit.verdict import Verdict

NAMES = {
    "arm_length": "Arm, side of the neck to middle of the palm",
    "neck_to_wrist": "Neck to wrist",
    "neck_to_fingertip": "Neck to fingertip",
    "shoulder_to_palm": "Shoulder to middle of the palm",
    "spine_to_palm": "Spine to middle of the palm",
    "hand_length": "Hand length",
    "hand_breadth": "Hand breadth",
    "body_length": "Body length",
    "total_length": "Total length",
    "upper_bout_width": "Upper bout",
    "middle_bout_width": "Middle bout",
    "lower_bout_width": "Lower bout",
    "string_length": "String length, nut to bridge",
}


def measurement_text(result: dict[str, Any]) -> str:
    """Lines for one photo's measurement in its JSON form: lengths with their 95 % intervals, then what to know."""
    title = result["photo"] + (f" ({result['side']} arm)" if result.get("side") else "")
    if not result["usable"]:
        return "\n".join([f"{title}: not measured.", *_problem_lines(result)])
    lengths = [f"  {label}: {length_text(result[name])}" for name, label in NAMES.items() if result.get(name)]
    main = result.get("arm_length") or result.get("body_length")
    return "\n".join([title, *lengths, f"  {_limits_text(main)}", *_problem_lines(result)])


def length_text(length: dict[str, Any]) -> str:
    """One length in its JSON form, e.g. ``512 mm (505 to 519)``."""
    return f"{length['value_mm']:.1f} mm (95 % sure: {length['low_mm']:.1f} to {length['high_mm']:.1f})"


def _limits_text(length: dict[str, Any]) -> str:
    """What limits the interval most."""
    parts = sorted(length["budget"], key=lambda part: -abs(part["contribution_mm"]))[:3]
    return "Interval mostly from: " + ", ".join(
        f"{part['source']} ({abs(part['contribution_mm']):.1f} mm)" for part in parts
    )


def _problem_lines(result: dict[str, Any]) -> list[str]:
    return [f"  {problem['message']} {problem['advice']}" for problem in result["problems"]]


def verdict_text(verdict: Verdict, translate: Translate, language: str) -> str:
    """Lines for a verdict: the decision, its reasons, and the cautions."""
    from service.fit.explanation import CAUTIONS, full_reasons, headline

    lines = [headline(verdict).text(translate, language)]
    lines += ["  " + reason.sentence.text(translate, language) for reason in full_reasons(verdict)]
    lines += [caution.sentence.text(translate, language) for caution in CAUTIONS]
    return "\n".join(lines)
