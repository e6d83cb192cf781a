"""Labelled photographs of violins: masks and lengths in the picture, no sheet needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.problems import Refused
from tests.real.table import Line, figures, share
from tests.vision.trace import trace_instrument
from vision.photo import load_photo

Mask = NDArray[np.bool_]

ENOUGH_OVERLAP, ENOUGH_LENGTH = 0.95, 2.0
"""What counts as right: intersection over union, and error of both lengths in per cent."""


@dataclass(frozen=True)
class ViolinReading:
    """One labelled violin.

    Attributes
    ----------
    photo : str
    flags : tuple of str
        What the labels say of the photograph.
    body_overlap, whole_overlap : float
        Intersection over union with the labelled body and instrument; 0 where nothing was found.
    body_error, total_error : float or None
        Of the lengths in the picture, per cent; None where nothing was found.
    refused : str
        Codes of the problems where nothing was found.
    """

    photo: str
    flags: tuple[str, ...]
    body_overlap: float = 0.0
    whole_overlap: float = 0.0
    body_error: float | None = None
    total_error: float | None = None
    refused: str = ""

    @property
    def measures(self) -> bool:
        """Whether both lengths are right."""
        return are_right(self.body_error, self.total_error)


def are_right(*errors: float | None) -> bool:
    """Whether every length was found, and within `ENOUGH_LENGTH` per cent."""
    return all(error is not None and abs(error) <= ENOUGH_LENGTH for error in errors)


def read_violins(index: Sequence[dict[str, Any]], folder: Path) -> list[ViolinReading]:
    """Every labelled violin of the photographs that are there; names those that are missing."""
    readings = []
    for entry in index:
        if (folder / entry["file"]).exists():
            readings.append(read_violin(entry, folder / entry["file"]))
        else:
            print(f"missing: violins/{entry['file']}")
    return readings


def read_violin(entry: dict[str, Any], path: Path) -> ViolinReading:
    """Trace one photograph and hold it against its labels."""
    flags = tuple(name for name, value in entry.get("flags", {}).items() if value is True)
    try:
        photo = load_photo(path)
        traced = trace_instrument(photo)
    except Refused as refusal:
        return ViolinReading(entry["file"], flags, refused=" ".join(problem.code for problem in refusal.problems))
    return ViolinReading(
        entry["file"],
        flags,
        overlap(_mask(entry, "body", photo.size_px), traced.body),
        overlap(_mask(entry, "instrument", photo.size_px), traced.whole),
        100 * (traced.body_length_px / entry["body_px"] - 1),
        100 * (traced.total_length_px / entry["total_px"] - 1),
    )


def overlap(label: Mask, found: Mask) -> float:
    """Intersection over union."""
    union = float((label | found).sum())
    return float((label & found).sum()) / union if union else 1.0


def _mask(entry: dict[str, Any], kind: str, size_px: tuple[int, int]) -> Mask:
    """The labelled outline, filled; the finer one where there is one."""
    line = np.array(entry.get(f"{kind}_fine") or entry[kind], float)
    mask = np.zeros(size_px[::-1], np.uint8)
    cv2.fillPoly(mask, [np.round(line * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


def violin_lines(readings: Sequence[ViolinReading]) -> list[Line]:
    """The table's lines about violins."""
    found = [each for each in readings if each.body_error is not None and each.total_error is not None]
    lines = [
        Line("violin: refused", share([bool(each.refused) for each in readings])),
        Line("violin: both lengths within 2 %", share([each.measures for each in readings])),
        Line("violin: overlap >= .95, body", share([each.body_overlap >= ENOUGH_OVERLAP for each in readings])),
        Line("violin: overlap >= .95, whole", share([each.whole_overlap >= ENOUGH_OVERLAP for each in readings])),
    ]
    for title, errors in (
        ("body", [each.body_error for each in found]),
        ("total", [each.total_error for each in found]),
    ):
        if errors:
            numbers = np.array(errors, float)
            lines.append(Line(f"violin: {title} length", f"mean {numbers.mean():+.1f}; {figures(np.abs(numbers))}"))
    return lines


def as_json(readings: Sequence[ViolinReading]) -> list[dict[str, Any]]:
    """Plain values of every violin."""
    return [asdict(reading) for reading in readings]
