"""One case asked in every way there is, and what the answers say against one another.

``python -m tests.service.all_ways CASES [SEED]`` hunts through made-up cases and prints every contradiction; a test
asks some (`tests.service.test_all_ways`).  What pages and reports add to this is compared in
`tests.service.web.test_one_answer`.
"""

from __future__ import annotations

import json
import random
import re
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.testclient import TestClient

from service.api.fit_routes import router
from service.fit.choosing import MAY_BE_PLAYED, UNSETTLED
from service.fit.counter import Heap, heap_of
from service.fit.decision import PLAYED, Action, Decision
from service.fit.explanation import verdict_text
from service.fit.growth import Growth, growth_sentences
from service.fit.lengths import widened
from service.fit.order import Order, order_sentences
from service.fit.outlook import outlook
from service.fit.ranking import PREFERENCE, Ranked, preference
from service.fit.verdict import Verdict, judge, measured_sizes
from service.fit.weighing import ANOTHER_MM, best_size
from service.questions import assigning, growing, ordering
from service.questions.assigning import AssignQuestion
from service.questions.comparing import ClassQuestion, ComparisonQuestion, class_verdicts, ranking
from service.questions.growing import GrowthQuestion
from service.questions.ordering import OrderQuestion
from tests.service.cli.command import invoke
from tests.service.fit.test_one_judgement import CANNOT_BOTH_BE_TRUE, CHART

SIGNS = ("wrist_free", "fingers_easy", "bow_clear", "elbow_bent", "painless")
OWN_LOSSES = (None, None, None, "exchange=12", "strained=40", "small_per_mm=4,waiting=3", "exchange=1,waiting=0")
DAY = date(2031, 5, 12)


@dataclass
class Case:
    """What is typed: an arm, a shelf, what is played now and what was seen, and what wrong choices cost."""

    arm: str
    age: float
    shelf: list[dict[str, Any]]
    present: dict[str, Any] | None
    losses: str | None
    growth_mm: float

    @property
    def shared(self) -> dict[str, Any]:
        return {} if self.losses is None else {"losses": self.losses}


def made_up(chance: random.Random) -> Case:
    """Arms of every length and sureness; shelves near them, some with a short or long neck, mislabelled or cracked."""
    arm_mm = chance.uniform(322, 625)
    expanded = chance.choice([0.5, 2, 4, 8, 8, 14, 20, 30])
    shelf = [_instrument(chance, arm_mm, str(number)) for number in range(chance.choice([1, 2, 3, 6]))]
    present = None
    if chance.random() < 0.4:
        present = {name: text for name, text in _instrument(chance, arm_mm, "now").items() if name in LENGTHS}
        asked = chance.sample(SIGNS, chance.choice([1, 2, 5]))
        present |= {name: chance.random() < 0.65 for name in asked}
    return Case(
        arm=f"{arm_mm:.1f}±{expanded:g}",
        age=round(min(max((arm_mm - 250) / 27 + chance.gauss(0, 0.8), 3.2), 12.8), 2),
        shelf=shelf,
        present=present,
        losses=chance.choice(OWN_LOSSES),
        growth_mm=chance.choice([0.0, 0.0, 6.0, 12.0, 25.0]),
    )


LENGTHS = ("body_length", "total_length")


def _instrument(chance: random.Random, arm_mm: float, name: str) -> dict[str, Any]:
    body_mm = min(max(0.62 * arm_mm - 25 + chance.gauss(0, 16), 180), 360)
    expanded = chance.choice([0.5, 2, 2, 4, 8])
    lengths = {
        "body_length": f"{body_mm:.1f}±{expanded:g}",
        "total_length": f"{body_mm / chance.uniform(0.59, 0.612):.1f}±{1.5 * expanded:g}",
    }
    for missing in chance.sample(LENGTHS, chance.choice([0, 0, 0, 1])):
        del lengths[missing]
    more: dict[str, Any] = {"name": name}
    if chance.random() < 0.5:
        nearest = min(CHART.rows, key=lambda row: abs(row.body_length_mm - body_mm))
        place = CHART.sizes.index(nearest.size) + chance.choice([0, 0, 0, -1, 1])
        more["label"] = CHART.sizes[min(max(place, 0), len(CHART.sizes) - 1)]
    for state in chance.sample(("whole", "pegs_hold"), chance.choice([0, 0, 1, 2])):
        more[state] = chance.random() < 0.5
    return lengths | more


@dataclass
class Answers:
    """What every way of asking says of a case."""

    case: Case
    ranked: tuple[Ranked, ...]
    verdicts: list[Verdict]
    wanted: Order
    instead: Order
    present: Verdict | None
    growth: Growth
    said: list[str] = field(default_factory=list)
    """Contradictions, in words."""

    def differ(self, holds: bool, *words: Any) -> None:
        if not holds:
            self.said.append(" ".join(map(str, words)))


def asked(case: Case) -> Answers:
    """Ask the trade's rules as every interface does: by the typed questions."""
    comparison = ComparisonQuestion(
        arm_length=case.arm, instruments=case.shelf, present=case.present, first=len(case.shelf), **case.shared
    )
    ranked = ranking(comparison)
    shelf, states = zip(*comparison.instruments, strict=True)
    seen = comparison.present
    played = () if seen is None else ((seen.lengths(), seen.signs()),)
    arm, losses = comparison.arm_length, comparison.costs
    verdicts = [
        judge(arm, own, CHART, None, state, losses=losses, played=played)
        for own, state in zip(shelf, states, strict=True)
    ]
    growth = growing.answer(
        GrowthQuestion(
            measurements=[{"age_years": case.age, "arm_length": case.arm}],
            instrument={name: case.shelf[0][name] for name in LENGTHS if name in case.shelf[0]},
            **case.shared,
        )
    )
    alone = OrderQuestion(arm_length=case.arm, growth_mm=case.growth_mm, **case.shared)
    instead = OrderQuestion(arm_length=case.arm, growth_mm=case.growth_mm, present=case.present, **case.shared)
    return Answers(
        case,
        ranked,
        verdicts,
        ordering.answer(alone),
        ordering.answer(instead),
        None if seen is None else judge(arm, seen.lengths(), CHART, seen.signs(), losses=losses),
        growth,
    )


def contradictions(found: Answers) -> list[str]:
    """What of the answers to one case cannot be true beside the rest of them."""
    _ranking_is_of_the_verdicts(found)
    _one_size_is_named(found)
    _orders_are_of_the_verdicts(found)
    _growth_is_of_the_verdict(found)
    _assigned_is_what_a_verdict_lets_play(found)
    _sentences_go_together(found)
    return found.said


def _ranking_is_of_the_verdicts(found: Answers) -> None:
    for each in found.ranked:
        alone = found.verdicts[each.place]
        found.differ(
            _known(each) == _known(alone) and abs(each.cost_days - alone.cost_days) < 1e-6,
            f"ranking: {_known(each)}, verdict: {_known(alone)}",
        )
        found.differ(heap_of(each) is heap_of(alone), f"heaps {heap_of(each)} and {heap_of(alone)}")
        (size,) = measured_sizes(CHART, [each.instrument])
        found.differ(size == alone.size, f"measures like {size} and like {alone.size}")
        found.differ(
            not alone.mislabelled or alone.instrument.label != alone.size, "mislabelled, and of the size it is sold as"
        )
        found.differ(
            heap_of(each) is not Heap.SUITS or each.action in PLAYED, f"suits at the counter, and {each.action}"
        )
    order_of = [preference(each.action, each.probabilities.too_large) for each in found.ranked]
    found.differ(order_of == sorted(order_of), f"ranking out of order: {order_of}")
    for each, after in zip(found.ranked, found.ranked[1:], strict=False):
        beside = each.against_next
        if beside is not None and beside.is_worse and not beside.is_equal:
            riskier = after.cost_days > each.cost_days - 1 or PREFERENCE[after.action] >= PREFERENCE[each.action]
            found.differ(riskier, "the next suits better and is as safe, and stands behind")


def _known(judged: Ranked | Verdict) -> tuple[str, str, str]:
    return judged.action.value, judged.decision.value, judged.size


def _is_best(verdict: Verdict) -> bool:
    """Whether an instrument is as good as of the size that serves the arm best, so that none like it comes instead."""
    best = best_size(CHART, widened(verdict.arm), losses=verdict.losses)
    return best is not None and abs(CHART.arms_from_mm[best] - verdict.shortest_arm_mm) <= ANOTHER_MM


def _one_size_is_named(found: Answers) -> None:
    """But for an instrument of the very size that would be named, and surely too small or too large."""
    others = [each for each in found.verdicts if not _is_best(each)]
    named = {each.instead.size for each in others if each.instead is not None}
    found.differ(len(named) <= 1, f"verdicts on one arm name {named} instead")
    if found.present is not None and found.present.instead is not None and named and not _is_best(found.present):
        found.differ(found.present.instead.size in named, f"{found.present.instead.size} instead, and {named}")
    for each in others:
        if each.instead is not None and found.case.present is None and found.wanted.body is not None:
            found.differ(each.instead.size in found.wanted.sizes, f"{each.instead.size} instead, {found.wanted.sizes}")


def _orders_are_of_the_verdicts(found: Answers) -> None:
    for wanted in (found.wanted, found.instead):
        found.differ(
            (wanted.open_by is not None) == (wanted.body is not None and not wanted.decided and wanted.beyond is None),
            f"open by {wanted.open_by}, decided {wanted.decided}",
        )
    now = found.present
    if now is not None:
        held = found.instead.body is None
        settling = now.action in UNSETTLED or now.action is Action.MEASURE
        found.differ(not settling or held, f"{now.action} first, and an order")
        if now.instead is not None and not held:
            found.differ(now.instead.size in found.instead.sizes, f"{now.instead.size} instead, {found.instead.sizes}")
    wanted = found.wanted if found.case.present is None else found.instead
    if not wanted.decided or wanted.body is None or wanted.total is None:
        return
    for each in found.verdicts:
        lengths = each.instrument
        if lengths.body is None or lengths.total is None:
            continue
        inside = wanted.body.from_mm <= lengths.body.value_mm <= wanted.body.to_mm
        inside &= wanted.total.from_mm <= lengths.total.value_mm <= wanted.total.to_mm
        if inside and max(lengths.body.standard_uncertainty_mm, lengths.total.standard_uncertainty_mm) <= 2.0:
            refused = each.action not in MAY_BE_PLAYED | {Action.REPAIR}
            found.differ(not refused, f"ordered for certain, and {each.action} {each.decision}")


def _growth_is_of_the_verdict(found: Answers) -> None:
    verdict, growth = found.verdicts[0], found.growth
    if found.case.present is None:
        found.differ(growth.known is verdict.decision, f"growth knows {growth.known}, the verdict {verdict.decision}")
        if verdict.action is Action.LARGER and verdict.instead is not None:
            same = growth.next_size == verdict.instead.size
            found.differ(same, f"growth: {growth.next_size} next, the verdict: {verdict.instead.size}")
    told = " ".join(each.text() for each in growth_sentences(growth))
    if "already too small" in told:
        found.differ(verdict.by_lengths.too_small >= 0.95, "growth: already too small, not so the verdict")
    if verdict.decision is Decision.TOO_SMALL and found.case.present is None:
        found.differ("already too small" in told, f"verdict: too small; growth: {told}")


def _assigned_is_what_a_verdict_lets_play(found: Answers) -> None:
    if found.case.present is not None:
        return
    question = AssignQuestion(arms={"P": found.case.arm}, instruments=found.case.shelf, **found.case.shared)
    (loan,) = assigning.answer(question)
    first = found.ranked[0]
    if loan.instrument is None:
        found.differ(first.action not in PLAYED, f"to be ordered for the child, and {first.action} of the shelf")
        assert loan.wanted is not None
        alone = ordering.answer(OrderQuestion(arm_length=found.case.arm, **found.case.shared))
        found.differ(loan.wanted == alone, "two orders for one arm")
        return
    given = next(each for each in found.ranked if each.instrument.name == loan.instrument.name)
    found.differ(given.action is loan.action and given.action in PLAYED, f"given out, and {given.action}")
    found.differ(given.cost_days <= first.cost_days + 1.6, f"given at {given.cost_days}, ranked at {first.cost_days}")


NEVER_BESIDE_ONE_ANOTHER = (
    *CANNOT_BOTH_BE_TRUE,
    (r"Take a smaller instrument|Take a larger instrument", r"Have it repaired"),
    (r"This instrument fits the child", r"The present instrument is already too small"),
    (r"is too large for the child", r"The present instrument is already too small"),
    (r"No violin of the chart is small enough", r"The arm is longer than the chart's largest"),
    (r"on the small side", r"Take a smaller"),
)


def _sentences_go_together(found: Answers) -> None:
    verdict = found.verdicts[0]
    texts = verdict_text(verdict, full=True).splitlines()
    if found.case.present is None:
        texts += [each.text() for each in outlook(found.growth, DAY, verdict)]
        if verdict.action in (Action.SMALLER, Action.LARGER):
            texts += [each.text() for each in order_sentences(found.wanted)]
    everything = "\n".join(texts)
    for first, second in NEVER_BESIDE_ONE_ANOTHER:
        both = re.search(first, everything) and re.search(second, everything)
        found.differ(not both, f"“{first}” and “{second}” in\n{everything}")
    if found.present is not None:
        everything = verdict_text(found.present, full=True) + "\n"
        everything += "\n".join(each.text() for each in order_sentences(found.instead))
        for first, second in NEVER_BESIDE_ONE_ANOTHER:
            both = re.search(first, everything) and re.search(second, everything)
            found.differ(not both, f"now and order: “{first}” and “{second}” in\n{everything}")


def elsewhere(case: Case, client: TestClient, folder: Path) -> list[str]:
    """What HTTP and command line say otherwise than one another, or than the rules."""
    said, found = [], asked(case)

    def same(words: str, *answers: Any) -> None:
        if any(each != answers[0] for each in answers):
            said.append(f"{words} differ: {answers}")

    def http(path: str, body: dict[str, Any]) -> Any:
        answer = client.post(f"/api/v1/{path}", json=body | case.shared)
        assert answer.status_code == 200, answer.text
        return answer.json()

    shelf, children = folder / "shelf.csv", folder / "class.csv"
    columns = ("name", "label", *LENGTHS, "whole", "pegs_hold")
    spelled = {True: "yes", False: "no"}
    rows = [",".join(spelled.get(own.get(each), own.get(each) or "") for each in columns) for own in case.shelf]  # type: ignore[call-overload]
    shelf.write_text("\n".join([",".join(columns), *rows]))
    children.write_text(f"name,arm\nP,{case.arm}\n")
    losses = [] if case.losses is None else ["--losses", case.losses]
    now = _present_typed(case)
    arm = ["--arm-mm", case.arm]

    def command(*words: str) -> Any:
        done = invoke([*words, *losses, "--json"])
        assert done.exit_code in (0, 3), done.output
        return json.loads(done.stdout)

    body = {"arm_length": case.arm} | ({} if case.present is None else {"present": case.present})
    listed = {"instruments": case.shelf}
    ranked = [each.as_json() for each in found.ranked]
    asked_http = http("comparisons", body | listed)["ranking"]
    asked_shell = command("compare", *arm, "--shelf", str(shelf), *now, "--first", "50")["ranking"]
    same("rankings", ranked, *([{k: each[k] for k in ranked[0]} for each in got] for got in (asked_http, asked_shell)))
    growth_mm = {"growth_mm": case.growth_mm}
    same(
        "orders",
        found.instead.as_json(),
        http("orders", body | growth_mm),
        command("order", *arm, *now, "--growth-mm", str(case.growth_mm)),
    )
    own = case.shelf[0]
    typed = [word for name in LENGTHS if name in own for word in (f"--{name[:-7]}-mm", own[name])]
    lengths = {name: own[name] for name in LENGTHS if name in own}
    at = [{"age_years": case.age, "arm_length": case.arm}]
    same(
        "growth",
        found.growth.as_json(),
        http("growth-predictions", {"measurements": at, "instrument": lengths}),
        command("growth", "--at", f"{case.age}={case.arm}", *typed),
    )
    if case.present is None:
        label = ["--label", own["label"]] if "label" in own else []
        by_fit = command("fit", *arm, *typed, *label)["verdict"]
        of_class = http("class-verdicts", {"arms": {"P": case.arm}, "instrument": own})["children"][0]
        one = class_verdicts(ClassQuestion(arms={"P": case.arm}, instrument=own, **case.shared))["P"]
        same("verdicts", *((each["probabilities"], each["decision"], each["instead"]) for each in (by_fit, of_class)))
        same("actions", of_class["action"], one.action.value, found.verdicts[0].action.value)
        if own.get("whole") is not False:
            same("what to do", by_fit["to_do"], of_class["to_do"])
        same(
            "loans",
            http("assignments", {"arms": {"P": case.arm}} | listed)["loans"],
            command("assign", "--shelf", str(shelf), "--class", str(children))["loans"],
        )
    return said


def _present_typed(case: Case) -> list[str]:
    if case.present is None:
        return []
    lengths = [case.present.get(name, "") for name in LENGTHS]
    seen = {name.replace("_", "-"): case.present[name] for name in SIGNS if name in case.present}
    signs = [f"--{name}={'yes' if good else 'no'}" for name, good in seen.items()]
    return ["--present", ",".join(lengths), *signs]


def interface() -> TestClient:
    """The questions over HTTP, without the rest of the service."""
    app = FastAPI()
    app.include_router(router)
    return TestClient(app)


def hunt(cases: int, seed: str, every: int) -> Iterator[tuple[int, Case, list[str]]]:
    """Cases with what contradicts itself in their answers; of each `every` also what HTTP and command line say."""
    chance, client = random.Random(seed), interface()
    with tempfile.TemporaryDirectory() as folder:
        for number in range(cases):
            case = made_up(chance)
            try:
                said = contradictions(asked(case))
                said += elsewhere(case, client, Path(folder)) if number % every == 0 else []
            except ValueError as error:
                if "proportion" not in str(error):
                    said = [f"{type(error).__name__}: {error}"]
            yield number, case, said


def main() -> None:
    cases, seed = int(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "1"
    for number, case, said in hunt(cases, seed, 20):
        for each in said:
            print(number, case, each, sep="\n  ", flush=True)


if __name__ == "__main__":
    main()
