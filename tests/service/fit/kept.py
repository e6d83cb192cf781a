"""Answers of the sizing trade as they were last looked over, so that none of their numbers moves unnoticed.

What is right is checked elsewhere, against formulas worked by hand, tables and drawing by lot.  Here whole answers are
held still: `python -m tests.service.fit.kept` writes them anew after a change that was meant, and the difference shows
what it did.  Words are left out, but for how many sentences there are.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from calibration.quantity import Contribution, Length
from service.fit.assessment import InstrumentLengths
from service.fit.assigning import assign
from service.fit.chart import Chart
from service.fit.chart_table import chart_from_entries, default_chart
from service.fit.fingers import finger_room
from service.fit.growth import DatedArm, predict
from service.fit.losses import Losses
from service.fit.order import Allowance, order
from service.fit.ranking import compare, judge_class, rank
from service.fit.setup import Build, set_up
from service.fit.shelf import read_class, read_shelf
from service.fit.signs import InstrumentCondition, PlayingSigns
from service.fit.tape import check_tape
from service.fit.verdict import Verdict, judge
from service.fit.verdict_json import verdict_json
from tests.service.fit.conftest import instrument, scaled

KEPT = Path(__file__).with_name("kept.json")
CHART = default_chart()
GOOD = PlayingSigns(True, True, True, True, True)
STRAINED = PlayingSigns(False, False, None, False, True)
OWN = chart_from_entries(
    [
        {"size": "S", "arm_from": 400, "body_length": 240, "total_length": 402},
        {"size": "M", "arm_from": 441, "arm_to": 490, "body_length": 262, "total_length": 434},
        {"size": "L", "arm_from": 480, "body_length": 290, "total_length": 478},
    ],
    "own",
    stretch_mm=9.0,
)
SHELF = (
    "name;label;body_length;total_length\nA;1/8;255±2;421\nB;1/8;246;\nC;1/4;28.1 cm;463±3\nD;;;405\nE;1/2;309;511\n"
)
CLASS = "name,arm\nP1,452±6\nP2,490±8\nP3,545±8\nP4,436±14\nP5,330±8\n"
WORDS = ("text", "headline", "to_do", "message", "label", "note")


def arm(mm: float, expanded_mm: float = 8.0) -> Length:
    return Length.stated(mm, expanded_mm / 1.96)


def verdicts() -> dict[str, Verdict]:
    """Below and from quarter size, sure and unsure, by one length and two, with signs and without."""
    eighth, quarter = instrument(255, 421, label="1/8", name="A"), instrument(280, 463, 2.0, label="1/4")
    skewed = Length(452.0, (Contribution("depth", 5.0), Contribution("sheet", 2.0, "s")), (438.0, 461.0))
    third = Losses(exchange=10.0, strained=25.0)
    return {
        "mid band": judge(arm(450), eighth, CHART),
        "edge, small": judge(arm(433), eighth, CHART),
        "edge, small, good": judge(arm(428), eighth, CHART, GOOD),
        "edge, small, strained": judge(arm(430), eighth, CHART, STRAINED),
        "mid band, wrist": judge(arm(452), eighth, CHART, PlayingSigns(wrist_free=False, bow_clear=False)),
        "pain": judge(arm(452), eighth, CHART, PlayingSigns(painless=False), InstrumentCondition(True, False, None)),
        "edge, large": judge(arm(469, 14), quarter, CHART),
        "edge, large, own losses": judge(arm(472, 14), quarter, CHART, losses=third),
        "outgrown": judge(arm(520), quarter, CHART),
        "nearly outgrown": judge(arm(505), quarter, CHART),
        "body alone": judge(arm(443), InstrumentLengths(Length.stated(252.0, 1.5), None, "1/8"), CHART),
        "total alone": judge(arm(474), InstrumentLengths(None, Length.stated(460.0, 2.0), "1/4"), CHART),
        "wrong label": judge(arm(430), instrument(235, 388, label="1/8"), CHART),
        "long neck": judge(arm(446), instrument(250, 428, label="1/8"), CHART),
        "short neck": judge(arm(446), instrument(258, 414), CHART),
        "full size": judge(arm(590), instrument(356, 588, 2.0), CHART),
        "too large": judge(arm(540), instrument(356, 588), CHART),
        "none small enough": judge(arm(310), instrument(192, 317), CHART),
        "smallest, badly known": judge(arm(332, 20), instrument(192, 317), CHART),
        "poor reading": judge(arm(500, 60), quarter, CHART),
        "common print scale": judge(
            scaled(452, 4.0, 0.01), InstrumentLengths(scaled(255, 1, 0.01), scaled(421, 2, 0.01)), CHART
        ),
        "skewed": judge(skewed, eighth, CHART),
        "own chart": judge(arm(438), instrument(262, 434, label="M"), OWN, GOOD),
        "own chart, between": judge(arm(478), instrument(290, 478), OWN),
        "strained elsewhere": judge(arm(440), eighth, CHART, played=[(instrument(249, 411), STRAINED)]),
        "strained on a larger": judge(arm(437), instrument(249, 411), CHART, played=[(eighth, STRAINED)]),
    }


def orders(found: dict[str, Verdict]) -> dict[str, Any]:
    """Alone, in place of each instrument above, with room to grow, allowed to stretch, and beyond the chart."""
    alone = {f"{mm} give or take {u}": order(arm(mm, u), CHART) for mm in (345, 402, 450, 506, 586) for u in (6, 16)}
    more = {
        "grown": order(arm(450), CHART, Allowance(12.0)),
        "grown too much": order(arm(450), CHART, Allowance(50.0)),
        "grown across sizes": order(arm(466), CHART, Allowance(12.0)),
        "stretch": order(arm(428), CHART, stretch=True),
        "badly known": order(arm(450, 60), CHART),
        "below": order(arm(322), CHART),
        "above": order(arm(690), CHART),
        "own chart": order(arm(452), OWN, Allowance(5.0), shop_u_mm=3.0),
        "own losses": order(arm(470, 24), CHART, losses=Losses(small_per_mm=20.0)),
    }
    instead = {
        f"instead of {name}": order(each.arm, each.chart, Allowance(8.0), instead_of=each)
        for name, each in found.items()
    }
    return {name: each.as_json() for name, each in (alone | more | instead).items()}


def growths() -> dict[str, Any]:
    """One reading and several, with a mistake, with a rate of its own, with an instrument and to the tables' end."""

    def history(*rows: tuple[float, float]) -> list[DatedArm]:
        return [DatedArm(age, arm(mm)) for age, mm in rows]

    eighth = instrument(255, 421)
    return {
        "one": predict(history((6.0, 440)), None, CHART, eighth).as_json(),
        "girl": predict(history((6.0, 440), (6.6, 452)), "girl", CHART, eighth, 12).as_json(),
        "boy": predict(history((9.0, 505), (9.5, 512), (10.2, 530)), "boy", CHART, instrument(310, 512), 9).as_json(),
        "fast": predict(history((6.0, 400), (7.0, 440)), None, CHART, eighth).as_json(),
        "slow": predict(history((6.0, 430), (7.0, 434)), None, CHART, eighth).as_json(),
        "mistake": predict(history((6.0, 438), (6.5, 449), (7.0, 560), (7.5, 473)), None, CHART, eighth).as_json(),
        "shrunk": predict(history((6.0, 452), (6.5, 438), (7.1, 461))).as_json(),
        "unusual": predict(history((4.0, 520))).as_json(),
        "old": predict(history((13.0, 600)), None, CHART, instrument(356, 588), 60).as_json(),
        "allowance": [
            round(predict([DatedArm(6.5, arm(450))], months=months).grown_mm(months), 3) for months in (3, 6, 12)
        ],
    }


def tapes() -> dict[str, Any]:
    """Readings that agree, and each usual slip, with the photo's other lengths and without."""
    photo = arm(455)
    others = {
        "neck_to_wrist": arm(404),
        "neck_to_fingertip": arm(545),
        "shoulder_to_palm": arm(384),
        "spine_to_palm": arm(500),
    }
    readings = (457, 472, 405, 546, 383, 499, 445, 465, 545, 179, 1156, 228, 420, 640, 300)
    told = {str(mm): check_tape(arm(mm, 10), photo, others).as_json() for mm in readings}
    bare = {f"{mm}, alone": check_tape(Length.stated(mm, 5.0), photo).as_json() for mm in readings}
    common = check_tape(scaled(460, 3, 0.01), scaled(455, 4, 0.01))
    return told | bare | {"common cause": common.as_json()}


def lists() -> dict[str, Any]:
    """A shelf ranked for a child, two compared, a class for an instrument, a shelf given to a class, finger rooms."""
    shelf, arms = [lengths for lengths, _ in read_shelf(SHELF)], read_class(CLASS)
    conditions = [InstrumentCondition(True, True, False), None, InstrumentCondition(False), None, None]
    signs = [PlayingSigns(wrist_free=False), None, None, None, None]
    child = arm(447)

    def ranked(*given: Any, **more: Any) -> list[Any]:
        return [each.as_json() for each in rank(child, *given, **more)]

    pairs = [compare(child, first, second, CHART) for first in shelf for second in shelf]
    return {
        "ranked": ranked(shelf, CHART, conditions),
        "ranked, seen": ranked(shelf, CHART, conditions, signs=signs),
        "ranked, played": ranked(shelf, OWN, played=[(instrument(270, 446), STRAINED)], losses=Losses(exchange=2.0)),
        "compared": [[round(each, 6) for each in (pair.first, pair.second, pair.equal)] for pair in pairs],
        "class": {name: verdict_json(each) for name, each in judge_class(arms, shelf[0], CHART).items()},
        "loans": [each.as_json() for each in assign(arms, shelf, CHART)],
        "loans, costly exchange": [each.as_json() for each in assign(arms, shelf, CHART, Losses(exchange=40.0))],
        "fingers": [room.as_json() for each in shelf if (room := finger_room(each, Length.stated(58.0, 2.0)))],
    }


def set_ups() -> dict[str, Any]:
    """Short necks and long, sloping shoulders and level, and nothing measured."""

    def length(mm: float | None) -> Length | None:
        return None if mm is None else Length.stated(mm, 6.0)

    builds = [(None, None, None), (40.0, 20.0, 95.0), (62.0, None, 80.0), (85.0, 55.0, 90.0), (120.0, 120.0, 70.0)]
    return {
        f"{small}, {each}": set_up(small, Build(*map(length, each))).as_json()
        for small in (True, False)
        for each in builds
    }


def charts() -> dict[str, Any]:
    """What each length asks of an arm, on the chart, between its sizes and beyond them."""

    def values(chart: Chart) -> dict[str, Any]:
        lengths = {
            "body": (150.0, 192.0, 243.0, 262.0, 300.0, 356.0, 370.0),
            "total": (300.0, 360.0, 421.0, 500.0, 620.0),
        }
        ways = (chart.shortest_arm_mm, chart.reciprocal_width, chart.position)
        return {kind: [[round(float(way(mm, kind)), 6) for mm in at] for way in ways] for kind, at in lengths.items()}

    return {chart.name: chart.as_json() | values(chart) for chart in (CHART, OWN)}


PARTS: dict[str, Callable[[], Any]] = {
    "verdicts": lambda: {name: verdict_json(each) for name, each in verdicts().items()},
    "orders": lambda: orders(verdicts()),
    "growths": growths,
    "tapes": tapes,
    "lists": lists,
    "set_ups": set_ups,
    "charts": charts,
}
"""What is kept, by its name in the file."""


def answers(part: str) -> Any:
    """One part as JSON, without words."""
    return json.loads(json.dumps(without_words(PARTS[part]())))


def without_words(found: Any) -> Any:
    """The same with the number of sentences in place of sentences."""
    if isinstance(found, dict):
        return {name: _counted(value) if name in WORDS else without_words(value) for name, value in found.items()}
    return [without_words(each) for each in found] if isinstance(found, (list, tuple)) else found


def _counted(words: Any) -> Any:
    return len(words) if isinstance(words, list) else words is not None


def main() -> None:
    """Write all anew, a case a line."""
    argparse.ArgumentParser(prog="python -m tests.service.fit.kept", description=__doc__).parse_args()
    lines = []
    for part in PARTS:
        found = answers(part)
        cases = found.items()
        told = ",\n".join(
            f" {json.dumps(str(name))}: {json.dumps(case, separators=(',', ':'))}" for name, case in cases
        )
        lines.append(f"{json.dumps(part)}: {{\n{told}\n}}")
    KEPT.write_text("{\n" + ",\n".join(lines) + "\n}\n")


if __name__ == "__main__":
    main()
