"""Lengths and instruments that the fit tests share."""

import pytest

from calibration.quantity import Contribution, Length
from service.fit.assessment import InstrumentLengths
from service.fit.chart import Chart
from service.fit.chart_table import default_chart


@pytest.fixture(scope="session")
def chart() -> Chart:
    return default_chart()


def instrument(body: float, total: float | None = None, u: float = 1.0, **more) -> InstrumentLengths:
    """An instrument of these lengths, mm; the total length as customary for the body if not given."""
    total = body / 0.605 if total is None else total
    return InstrumentLengths(Length.stated(body, u), Length.stated(total, 1.5 * u), **more)


def scaled(value: float, own_u: float, scale_u: float, key: str = "print-scale:a4-1") -> Length:
    """A length with a relative uncertainty of a print scale, shared by key, and one of its own, mm."""
    return Length(value, (Contribution("own", own_u), Contribution("print scale", scale_u * value, key)))
