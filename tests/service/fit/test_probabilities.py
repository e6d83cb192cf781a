"""Monte Carlo against the analytic probabilities, for random arms and instruments."""

import numpy as np

from calibration.quantity import Length
from service.fit.assessment import PRIOR_SD_MM, InstrumentLengths
from service.fit.chart_table import default_chart
from service.fit.decision import CLASS_ORDER
from service.fit.verdict import judge

CASES, DRAWS = 200, 40_000
LARGEST_DIFFERENCE = 0.02


def test_two_hundred_random_cases_agree_with_drawing_them():
    """Lengths drawn about their readings (JCGM 101:2008), weighed by the prior of the margin, N(0, 40 mm).

    The 200 readings were never looked at one by one; the seed is the day's.
    """
    chart, rng = default_chart(), np.random.default_rng(20311105)
    worst = 0.0
    for _ in range(CASES):
        row = chart.rows[rng.integers(len(chart.rows))]
        arm, u_arm = row.arm_from_mm + rng.uniform(-25, 60), rng.uniform(1.5, 8.0)
        body, u_body = row.body_length_mm + rng.normal(0, 4), rng.uniform(0.5, 2.5)
        total, u_total = body / rng.uniform(0.595, 0.61), rng.uniform(0.8, 3.5)
        bodies, totals = rng.normal(body, u_body, DRAWS), rng.normal(total, u_total, DRAWS)
        margin = (
            rng.normal(arm, u_arm, DRAWS)
            - (chart.shortest_arm_mm(bodies, "body") + chart.shortest_arm_mm(totals, "total")) / 2
        )
        inverse = (chart.reciprocal_width(bodies, "body") + chart.reciprocal_width(totals, "total")) / 2
        weight = np.exp(-(margin**2) / (2 * PRIOR_SD_MM**2))
        weight /= weight.sum()
        drawn = {
            "too_large": weight[margin < -chart.stretch_mm].sum(),
            "stretch": weight[(margin >= -chart.stretch_mm) & (margin < 0)].sum(),
            "too_small": weight[margin * inverse > 1].sum(),
        }
        drawn["fits"] = 1 - sum(drawn.values())
        p = judge(
            Length.stated(arm, u_arm),
            InstrumentLengths(Length.stated(body, u_body), Length.stated(total, u_total)),
            chart,
        ).probabilities
        worst = max(worst, *(abs(getattr(p, name) - drawn[name]) for name in CLASS_ORDER))
    assert worst <= LARGEST_DIFFERENCE
