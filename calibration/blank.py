"""Blank things of known size, for families without a printer; how they are found: `blank_sheet`."""

from __future__ import annotations

from enum import StrEnum

from calibration.sheet import CARD_HEIGHT_MM, CARD_WIDTH_MM, Paper


class Blank(StrEnum):
    """Blank things of known size: A4 (ISO 216), Letter (ANSI/ASME Y14.1), a card (ISO/IEC 7810, ID-1)."""

    A4 = "a4"
    LETTER = "letter"
    CARD = "card"

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the thing held upright, mm."""
        if self is Blank.CARD:
            return CARD_HEIGHT_MM, CARD_WIDTH_MM
        paper = Paper(self.value)
        return paper.width_mm, paper.height_mm

    @property
    def tolerance_mm(self) -> float:
        """Half width of the rectangular distribution of either side, mm.

        ISO 216: +-2 mm for lengths of 150 to 600 mm; taken for Letter, too, whose tolerances mills choose.  ISO/IEC
        7810: +-0.13 mm for either side of a card, limits as new (all from memory).
        """
        return 0.13 if self is Blank.CARD else 2.0
