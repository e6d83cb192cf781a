"""How high a sheet lies over what the instrument lies on, as somebody says it or as it is taken to be."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SheetHeight:
    """How far a sheet lies above what the instrument lies on.

    Attributes
    ----------
    mm : float
        Negative where it lies below.
    spread_mm : float
        Its standard uncertainty, mm; else that of a ruler's reading of a book, our judgement.
    """

    mm: float
    spread_mm: float = 1.0


ON_A_BOOK = SheetHeight(30.0, 10.0)
"""Where the sheet lies on a book and nobody says how thick it is: books between one and five centimetres, about that of
the scenes used in development."""
IN_ITS_CASE = SheetHeight(-25.0, 10.0)
"""Where the instrument lies in its open case, or on a cushion, the sheet beside it lower down, and nobody says by how
much: shell and padding are one to four centimetres thick (common practice, no source); our judgement."""
