"""The teacher's and the shop's other questions over HTTP: tape checks, orders, growth, comparisons, loans, charts."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Response

from service.api.answer_models import AssignmentOut, ChartOut, ClassOut, ComparisonOut, GrowthOut, OrderOut, TapeOut
from service.api.callers import Scope, needs
from service.api.problem_details import RESPONSES
from service.fit.chart_table import default_chart
from service.fit.fingers import finger_room
from service.fit.order_drawing import drawing_svg
from service.fit.verdict_json import verdict_json
from service.questions import assigning, growing, ordering, tape
from service.questions.asked import ChartIn, Language
from service.questions.assigning import AssignQuestion
from service.questions.comparing import ClassQuestion, ComparisonQuestion, class_verdicts, ranking
from service.questions.growing import GrowthQuestion
from service.questions.ordering import OrderQuestion
from service.questions.tape import TapeQuestion
from service.words.i18n import SOURCE_LANGUAGE, translator

router = APIRouter(prefix="/api/v1", responses=RESPONSES, dependencies=[needs(Scope.DECIDE)])


@router.post("/tape-checks", response_model=TapeOut, summary="Does the tape agree with the photo?")
def tape_checks(question: TapeQuestion) -> dict[str, Any]:
    """Compare a tape reading with the photo's arm, and name the likely slip where they disagree."""
    return tape.answer(question).as_json(translator(question.language), question.language)


@router.post("/orders", response_model=OrderOut, summary="What to order for this arm?")
def orders(question: OrderQuestion) -> dict[str, Any]:
    """Limits of body and total length that any shop can check, and what to ask the shop to measure."""
    return ordering.answer(question).as_json(translator(question.language), question.language)


@router.get(
    "/order-drawing.svg",
    response_class=Response,
    responses={200: {"content": {"image/svg+xml": {}}}},
    summary="Where a shop measures",
)
def order_drawing(language: Language = SOURCE_LANGUAGE) -> Response:
    """Drawing of body length and total length to send with an order."""
    return Response(drawing_svg(translator(language), language), media_type="image/svg+xml")


@router.post("/growth-predictions", response_model=GrowthOut, summary="How will the arm grow?")
def growth_predictions(question: GrowthQuestion) -> dict[str, Any]:
    """The arm over the coming months, when the present instrument is outgrown, and measurements that look wrong."""
    return growing.answer(question).as_json(translator(question.language), question.language)


@router.post("/comparisons", response_model=ComparisonOut, summary="Which of these instruments suits this arm?")
def comparisons(question: ComparisonQuestion) -> dict[str, Any]:
    """Rank instruments for one child; neighbours with the probability that the first suits better."""
    found = []
    for each in ranking(question):
        room = finger_room(each.instrument)
        told = None if room is None else room.as_json(translator(question.language), question.language)
        found.append(each.as_json() | {"finger_room": told})
    return {"ranking": found}


@router.post("/class-verdicts", response_model=ClassOut, summary="Which of these children does this instrument suit?")
def class_verdicts_page(question: ClassQuestion) -> dict[str, Any]:
    """One instrument for a class of children, those it suits best first."""
    translate = translator(question.language)
    found = class_verdicts(question)
    return {
        "children": [{"name": name} | verdict_json(each, translate, question.language) for name, each in found.items()]
    }


@router.post("/assignments", response_model=AssignmentOut, summary="Who gets which of these instruments?")
def assignments(question: AssignQuestion) -> dict[str, Any]:
    """Give the instruments of a shelf to a class at the least expected loss, and say what remains to be ordered."""
    translate = translator(question.language)
    return {"loans": [each.as_json(translate, question.language) for each in assigning.answer(question)]}


@router.get("/charts/default", response_model=ChartOut, summary="The default chart of sizes")
def chart_default() -> dict[str, Any]:
    """Common practice among teachers and shops, no source."""
    return default_chart().as_json()


@router.post("/charts", response_model=ChartOut, summary="Check a chart of sizes")
def charts(chart: ChartIn) -> dict[str, Any]:
    """Check a teacher's chart and return it complete; the error says which row is wrong and why."""
    return chart.chart().as_json()
