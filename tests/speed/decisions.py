"""Work for the speed benchmark: one verdict, and a ranking of a large shelf."""

from collections.abc import Callable

from calibration.quantity import Contribution, Length
from service.fit.assessment import InstrumentLengths
from service.fit.chart_table import default_chart
from service.fit.ranking import Ranked, rank
from service.fit.verdict import Verdict, judge


def shelf(size: int) -> list[InstrumentLengths]:
    """As many instruments, each measured from a photo with a budget of several causes."""

    def length(value: float, number: int, u: float) -> Length:
        causes = [Contribution(f"cause {each}", u / 2) for each in range(4)]
        return Length(value, (*causes, Contribution("print scale", 0.003 * value, f"print-scale:a4-{number % 4 + 1}")))

    bodies = [195 + 160 * number / size for number in range(size)]
    return [
        InstrumentLengths(length(body, number, 1.0), length(body / 0.605, number, 1.5), name=str(number))
        for number, body in enumerate(bodies)
    ]


def arm() -> Length:
    """An arm measured from a photo that shows the sheet of some of the instruments."""
    causes = [Contribution(f"cause {each}", 2.0) for each in range(6)]
    return Length(455.0, (*causes, Contribution("print scale", 0.003 * 455, "print-scale:a4-1")))


def verdict() -> Verdict:
    """Judge one instrument."""
    return judge(arm(), shelf(1)[0], default_chart())


def ranking(listed: list[InstrumentLengths]) -> tuple[Ranked, ...]:
    """Rank a shelf for one child."""
    return rank(arm(), listed, default_chart())


def decision_tasks() -> list[tuple[str, Callable[[], object]]]:
    """What the speed benchmark times, with its titles."""
    listed = shelf(5000)
    return [("one verdict", verdict), ("ranking 5000 instruments for one child", lambda: ranking(listed))]
