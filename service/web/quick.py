"""The page without sign-in: two photos in, verdict and pictures out, nothing stored."""

from __future__ import annotations

import base64
from functools import partial

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData

from service.fit.errors import FitError
from service.measuring.admission import Rank, pays
from service.measuring.outcome import Outcome
from service.measuring.same_child import unused
from service.questions.asked import asked
from service.questions.fitting import FitAnswer, FitQuestion, answer
from service.records.photos import MOST_VIEWS
from service.web.forms.models import QuickForm
from service.web.forms.reading import photo_fields
from service.web.gate.arrival import address_of
from service.web.gate.guard import OpenFields, TheHouse
from service.web.house import House
from service.web.language import page_language, translator
from service.web.pages import page

router = APIRouter()


@router.get("/")
def quick_page(request: Request, parts: TheHouse) -> HTMLResponse:
    """Ask for the two photos."""
    return _page(request, 200)


@router.post("/")
async def quick_verdict(request: Request, parts: TheHouse, form: OpenFields) -> Response:
    """Measure, judge, and show; forget everything."""
    address = address_of(request.scope)
    filled = QuickForm.read(form)
    language = page_language(request)
    late = await run_in_threadpool(parts.limiter.work_late_s, address)
    if late is None and not await run_in_threadpool(parts.limiter.allows, "quick", address):
        late = await run_in_threadpool(parts.limiter.retry_after_s, "quick", address)
    if late is not None:
        answered = _page(request, 429, filled, problem="often")
        answered.headers["Retry-After"] = str(late)
        return answered
    pays.set(partial(parts.limiter.work_done, address))
    try:
        question = await _question(form, filled, parts)
        found = await answer(parts.measuring[Rank.STRANGER], question)
    except FitError as error:
        return _page(request, 422, filled, words=error.sentence.text(translator(language), language))
    said = found.as_json(translator(language), language)
    return _page(request, 200 if found.verdict else 422, filled, answer=found, verdict=said["verdict"])


async def _question(form: FormData, filled: QuickForm, parts: House) -> FitQuestion:
    most = parts.settings.largest
    child = await photo_fields(form, ("child_photo",), most, MOST_VIEWS)
    instrument = await photo_fields(form, ("instrument_photo",), most, MOST_VIEWS)
    return asked(
        FitQuestion,
        child_photos=tuple((photo, "child") for photo in child),
        instrument_photos=tuple((photo, "instrument") for photo in instrument),
        **{name: typed for name, typed in filled if typed},
    )


def _page(
    request: Request,
    status: int,
    filled: QuickForm | None = None,
    problem: str | None = None,
    words: str | None = None,
    answer: FitAnswer | None = None,
    verdict: dict[str, object] | None = None,
) -> HTMLResponse:
    return page(
        request,
        "quick.html",
        status,
        filled=filled or QuickForm(),
        problem=problem,
        words=words,
        most_views=MOST_VIEWS,
        verdict=verdict,
        child=_shown(_of_the_child(answer)) if answer else None,
        unused=unused(answer.child_photos) if answer else [],
        instrument=_shown(answer.instrument) if answer else None,
    )


def _of_the_child(answer: FitAnswer) -> Outcome | None:
    """What is shown of the child: where none of several photos could be measured, the first says why."""
    none_usable = not any(each.result["usable"] for each in answer.child_photos)
    return answer.child_photos[0] if none_usable and answer.child_photos else answer.child


def _shown(outcome: Outcome | None) -> dict[str, object] | None:
    """A measurement and its picture, inside the page itself: there is no other place where it could lie."""
    if outcome is None:
        return None
    picture = outcome.overlay_jpeg if outcome.result["usable"] else None
    return {"result": outcome.result, "picture": _inside(picture), "refusal": _inside(outcome.refusal_jpeg)}


def _inside(picture: bytes | None) -> str | None:
    return f"data:image/jpeg;base64,{base64.b64encode(picture).decode()}" if picture else None
