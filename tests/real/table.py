"""Lines of the table: a name and what was counted or measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Line:
    """One line of the table."""

    what: str
    measured: str


def figures(sizes: ArrayLike) -> str:
    """Median and 95th percentile of errors without sign."""
    return "{:.1f} / {:.1f}".format(*np.percentile(np.asarray(sizes, float), (50, 95)))


def share(right: Sequence[bool]) -> str:
    """How many of how many, and in per cent."""
    if not right:
        return "none to count"
    return f"{sum(right)} of {len(right)} ({100 * float(np.mean(right)):.0f} %)"


def print_lines(lines: Sequence[Line]) -> None:
    """Print the lines, aligned."""
    width = max(len(line.what) for line in lines)
    for line in lines:
        print(f"{line.what:{width}}  {line.measured}")
