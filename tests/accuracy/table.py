"""One row of the benchmark: how far measured lengths are from the truth, and whether their intervals hold it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from calibration.quantity import Length


@dataclass(frozen=True)
class Row:
    """Figures of one kind of scene under one condition.

    Attributes
    ----------
    kind, condition, quantity : str
        What was measured, on which scenes, how.
    n : int
        Photos looked at.
    refused : int
        Of these, refused.
    bias_mm, median_mm, p95_mm : float or None
        Mean error, and median and 95th percentile of its absolute value, of those measured.
    covered : float or None
        Share of truths inside the 95 % interval.
    half_width_mm : float or None
        Mean half-width of the interval.
    target : str
        What is aimed at, for the reader.
    notes : str
        Anything else worth a look, e.g. the names of refused scenes.
    """

    kind: str
    condition: str
    quantity: str
    n: int
    refused: int
    bias_mm: float | None = None
    median_mm: float | None = None
    p95_mm: float | None = None
    covered: float | None = None
    half_width_mm: float | None = None
    target: str = ""
    notes: str = ""
    extra: dict[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """Plain values for a JSON file."""
        return asdict(self)


@dataclass(frozen=True)
class Reading:
    """One measured length beside its truth; `value_mm` None where the photo was refused."""

    name: str
    truth_mm: float
    value_mm: float | None
    low_mm: float | None = None
    high_mm: float | None = None
    problems: tuple[str, ...] = ()


def row(
    kind: str, condition: str, quantity: str, readings: Sequence[Reading], target: str = "", notes: str = ""
) -> Row:
    """Sum readings up."""
    refused = [reading for reading in readings if reading.value_mm is None]
    measured = [reading for reading in readings if reading.value_mm is not None]
    if not notes and refused:
        notes = "refused: " + ", ".join(f"{r.name} ({' '.join(r.problems)})" for r in refused)
    if not measured:
        return Row(kind, condition, quantity, len(readings), len(refused), target=target, notes=notes)
    error = np.array([reading.value_mm - reading.truth_mm for reading in measured])  # type: ignore[operator]
    bounded = [reading for reading in measured if reading.low_mm is not None and reading.high_mm is not None]
    covered = half_width = None
    if bounded:
        covered = float(np.mean([r.low_mm <= r.truth_mm <= r.high_mm for r in bounded]))  # type: ignore[operator]
        half_width = float(np.mean([0.5 * (r.high_mm - r.low_mm) for r in bounded]))  # type: ignore[operator]
    size = np.abs(error)
    return Row(
        kind,
        condition,
        quantity,
        len(readings),
        len(refused),
        float(error.mean()),
        float(np.median(size)),
        float(np.percentile(size, 95)),
        covered,
        half_width,
        target,
        notes,
        extra={"bias_95_mm": float(1.96 * error.std(ddof=1) / np.sqrt(len(error))) if len(error) > 1 else None},
    )


def budget(lengths: Sequence[Length | None]) -> str:
    """What each cause of doubt brings, as the root of the mean square of its standard uncertainties, mm."""
    squares: dict[str, float] = {}
    measured = [length for length in lengths if length is not None]
    for part in (part for length in measured for part in length.budget):
        cause = part.source.partition(", photo ")[0]  # those of each photo together
        squares[cause] = squares.get(cause, 0.0) + part.contribution_mm**2 / len(measured)
    ordered = sorted(squares.items(), key=lambda each: -each[1])
    return "standard uncertainties: " + ", ".join(f"{cause} {square**0.5:.1f}" for cause, square in ordered)


def print_table(rows: Sequence[Row]) -> None:
    """Print rows as one aligned table, mm."""
    head = ("kind", "condition", "quantity", "n", "refused", "bias", "median", "95th", "covered", "+-", "target")
    lines = [head]
    for one in rows:
        figures = (one.bias_mm, one.median_mm, one.p95_mm)
        lines.append(
            (
                one.kind,
                one.condition,
                one.quantity,
                str(one.n),
                str(one.refused),
                *("-" if value is None else f"{value:.1f}" for value in figures),
                "-" if one.covered is None else f"{100 * one.covered:.0f} %",
                "-" if one.half_width_mm is None else f"{one.half_width_mm:.1f}",
                one.target,
            )
        )
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    for line in lines:
        print("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())
    for one in rows:
        if one.notes:
            print(f"  {one.kind}, {one.condition}, {one.quantity}: {one.notes}")
