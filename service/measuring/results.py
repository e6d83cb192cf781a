"""Measurements in the JSON form that the command line, the HTTP interface and the pages share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from calibration.problems import Problem
from calibration.quantity import Length, length_from_json, length_json
from service.fit.sentences import Translate
from service.fit.setup import Build

if TYPE_CHECKING:
    from vision.arm.measure import ArmMeasurement
    from vision.instrument.measure import InstrumentMeasurement

ARM_LENGTHS = (
    "arm_length",
    "neck_to_wrist",
    "neck_to_fingertip",
    "shoulder_to_palm",
    "spine_to_palm",
    "hand_length",
    "hand_breadth",
    "neck_length",
    "shoulder_fall",
    "shoulder_run",
)
OTHER_LENGTHS = ("neck_to_wrist", "neck_to_fingertip", "shoulder_to_palm", "spine_to_palm")
"""Lengths of a photo of the arm that explain a wrong tape reading."""
INSTRUMENT_LENGTHS = (
    "body_length",
    "total_length",
    "upper_bout_width",
    "middle_bout_width",
    "lower_bout_width",
    "string_length",
)


def problems_json(problems: Iterable[Problem]) -> list[dict[str, str]]:
    """Problems as JSON, their sentences in English; see `translated`."""
    return [{"code": each.code, "message": each.message, "advice": each.advice} for each in problems]


def arm_json(measurement: ArmMeasurement) -> dict[str, Any]:
    """An arm measurement as JSON."""
    return _measurement_json(measurement, ARM_LENGTHS) | {"side": measurement.side}


def instrument_json(measurement: InstrumentMeasurement) -> dict[str, Any]:
    """An instrument measurement as JSON."""
    return _measurement_json(measurement, INSTRUMENT_LENGTHS)


def _measurement_json(measurement: ArmMeasurement | InstrumentMeasurement, names: tuple[str, ...]) -> dict[str, Any]:
    return {
        "photo": measurement.photo,
        "usable": measurement.usable,
        "problems": problems_json(measurement.problems),
        **{name: length_json(getattr(measurement, name)) for name in names},
        "points_px": {
            name: [round(float(x), 2), round(float(y), 2)] for name, (x, y) in (measurement.points_px or {}).items()
        },
    }


def is_all_used(result: Mapping[str, Any]) -> bool:
    """Whether all that was given went into what was measured: no photo refused, none left out."""
    return bool(result["usable"]) and not result.get("left_out") and not result.get("unused")


def translated(result: dict[str, Any], translate: Translate) -> dict[str, Any]:
    """A measurement in its JSON form with the sentences of its problems translated."""
    return result | {
        part: [
            problem | {"message": translate(problem["message"]), "advice": translate(problem["advice"])}
            for problem in result[part]
        ]
        for part in ("problems", "unused")
        if part in result
    }


def kept_build(result: Mapping[str, Any]) -> Build:
    """Neck and shoulder among the lengths of a measurement in its JSON form."""
    return Build(*(kept_length(result, name) for name in ("neck_length", "shoulder_fall", "shoulder_run")))


def kept_length(result: Mapping[str, Any], name: str) -> Length | None:
    """A length among those of a measurement in its JSON form; None where it was not measured."""
    stored = result.get(name)
    return length_from_json(stored) if stored else None
