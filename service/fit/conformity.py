"""How far a limit for what is measured lies inside the limit for what is true (JCGM 106:2012, ISO/IEC Guide 98-4).

A measured value with standard uncertainty u stands for a normal distribution of the true value.  A *guard band*
w = r u moves the limit at which something is accepted inwards, so that the risk of accepting what does not conform
stays below a chosen one (clause 8.3; ILAC-G8:09/2019, 4.2.2): r = 1.96 for 2.5 %, 1.645 for 5 %.
"""

from __future__ import annotations

from statistics import NormalDist


def guard_factor(risk: float) -> float:
    """Width of the guard band in standard uncertainties that keeps a one-sided risk below `risk`.

    Examples
    --------
    >>> round(guard_factor(0.025), 2)
    1.96
    """
    return NormalDist().inv_cdf(1 - risk)
