"""The studio's shelf: instruments with their measured lengths, from a photo or typed."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData

from calibration.quantity import length_json
from service.fit.assessment import InstrumentLengths
from service.fit.chart import Chart
from service.fit.errors import FitError
from service.fit.lengths import parse_length
from service.fit.signs import CONDITION_QUESTIONS
from service.fit.verdict import measured_sizes
from service.jobs.running import start_measuring
from service.measuring.admission import Rank
from service.measuring.outcome import INSTRUMENT
from service.measuring.results import kept_length
from service.records.deciding import chart_in_use, instrument_lengths
from service.records.erase import remove_instrument
from service.records.photos import MOST_VIEWS
from service.records.shelf import LONGEST_SHELF_NAME, REMARKS
from service.records.tables import FAILED, MEASURED, RECEIVED, REFUSED, Instrument, Upload
from service.records.uploads import Sent, keep_upload
from service.settings import PROGRAM_VERSION
from service.web.forms.models import InstrumentForm, PhotoForm, answers
from service.web.forms.reading import photo_fields
from service.web.gate.guard import Fields, Records, TheHouse, Visitor, nothing_here
from service.web.language import marked, page_language, translator
from service.web.pages import go_to, page
from service.web.teacher.deeds import did, go_done
from service.words.i18n import LANGUAGES
from service.words.names import by_name, plain
from service.words.writing import day_of, written_number

router = APIRouter(prefix="/instruments")
NO_NAME = marked("Please give the instrument a name or a shelf number.")
NO_PHOTO = marked("Please choose a photo of the instrument.")


@router.get("")
def shelf(request: Request, who: Visitor, records: Records, q: str = "", size: str = "") -> HTMLResponse:
    """List the instruments; of a search, those whose name holds the words and that measure like a size."""
    chart = chart_in_use(records)
    kept = by_name(records.scalars(select(Instrument).where(Instrument.child_id.is_(None))))
    reviews = records.scalars(
        select(Upload).where(Upload.child_id.is_(None), Upload.state.in_((MEASURED, RECEIVED, REFUSED, FAILED)))
    ).all()
    every = list(zip(kept, _like(chart, kept), strict=True))
    words = q.strip()[:LONGEST_SHELF_NAME]
    rows = [(own, like) for own, like in every if plain(words) in plain(own.name) and size in ("", like)]
    search: dict[str, Any] = {"q": words, "size": size, "sizes": [row.size for row in chart.rows], "many": len(every)}
    return page(
        request, "teacher/instruments.html", **search, rows=rows, reviews=reviews, names={i.id: i.name for i in kept}
    )


@router.get("/new")
def new_instrument(request: Request, who: Visitor) -> HTMLResponse:
    """Ask about a new instrument."""
    return _form_page(request, None)


@router.post("/new")
def make_instrument(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Put an instrument with typed lengths on the shelf."""
    instrument = Instrument(studio_id=who.studio_id, measured_on=day_of(parts.clock.now()), automatic=None)
    fault = _fill(request, instrument, form)
    if fault is not None:
        return _form_page(request, None, form, fault)
    with did(records, who, parts, "instrument-made") as deed:
        records.add(instrument)
    return go_done("/instruments", deed)


@router.get("/photo")
def photo_page(request: Request, who: Visitor) -> HTMLResponse:
    """Ask for a photo of an instrument for the shelf."""
    return page(
        request, "teacher/instrument_photo.html", client_key=secrets.token_hex(16), most_views=MOST_VIEWS, problem=None
    )


@router.post("/photo")
async def photo_sent(request: Request, who: Visitor, parts: TheHouse, form: Fields) -> Response:
    """Measure an instrument of the shelf in a photo; it is reviewed like a family's."""
    contents = await photo_fields(form, ("photo",), parts.settings.largest, MOST_VIEWS)
    if not contents:
        key = secrets.token_hex(16)
        return page(
            request, "teacher/instrument_photo.html", 422, client_key=key, most_views=MOST_VIEWS, problem=NO_PHOTO
        )
    parts.admission.check_room(Rank.KNOWN)
    typed = PhotoForm.read(form)
    key = typed.client_key or secrets.token_hex(16)
    sent = Sent(contents, who.studio_id, INSTRUMENT, key, reference=typed.reference)
    upload_id = await run_in_threadpool(keep_upload, parts.store, parts.photos, sent, parts.clock.now())
    await start_measuring(upload_id)
    return go_to("/instruments")


@router.get("/{instrument_id}")
def instrument_page(request: Request, instrument_id: str, records: Records) -> HTMLResponse:
    """Show an instrument, to change it."""
    return _form_page(request, _instrument(records, instrument_id))


@router.post("/{instrument_id}")
def change_instrument(
    request: Request, instrument_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> Response:
    """Change an instrument."""
    instrument = _instrument(records, instrument_id)
    with did(records, who, parts, "instrument-changed", instrument.child_id) as deed:
        fault = _fill(request, instrument, form)
    if fault is not None:
        return _form_page(request, instrument, form, fault)
    return go_done(f"/children/{instrument.child_id}" if instrument.child_id else "/instruments", deed)


@router.get("/{instrument_id}/delete")
def delete_page(request: Request, instrument_id: str, records: Records) -> HTMLResponse:
    """Ask once more before an instrument is deleted."""
    return page(request, "teacher/instrument_delete.html", instrument=_instrument(records, instrument_id))


@router.post("/{instrument_id}/delete")
def delete_instrument(
    instrument_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> RedirectResponse:
    """Delete an instrument and its photos."""
    instrument = _instrument(records, instrument_id)
    with did(records, who, parts, "instrument-deleted", instrument.child_id) as deed:
        remove_instrument(records, parts.photos, instrument)
    return go_done("/instruments", deed)


def _instrument(records: Session, instrument_id: str) -> Instrument:
    instrument = records.get(Instrument, instrument_id)
    if instrument is None:
        raise nothing_here()
    return instrument


def _fill(request: Request, instrument: Instrument, form: FormData) -> str | None:
    """Take over the fields of a form; what is wrong, where something is."""
    language = page_language(request)
    filled = InstrumentForm.read(form)
    if not filled.name:
        return translator(language)(NO_NAME)
    kept = dict(instrument.lengths or {})
    typed = {}
    try:
        for field, kind in (("body_length", "body"), ("total_length", "total")):
            text = getattr(filled, field)
            if text not in {_as_typed(kept, field, code) for code in LANGUAGES}:  # the page may have spoken another
                typed[field] = length_json(parse_length(text, kind)) if text else None
        kept |= typed
        InstrumentLengths(kept_length(kept, "body_length"), kept_length(kept, "total_length"), filled.label)
    except FitError as error:
        return error.sentence.text(translator(language), language)
    instrument.name = filled.name
    instrument.label = filled.label or None
    instrument.lengths = kept
    instrument.notes = answers(form, CONDITION_QUESTIONS) | {REMARKS: filled.words}
    if typed:
        instrument.measured_by = "typed"
    instrument.program_version = PROGRAM_VERSION
    return None


def _as_typed(lengths: dict[str, Any], field: str, language: str) -> str:
    """A kept length as a form shows it: with its expanded uncertainty, as the language writes numbers."""
    kept = lengths.get(field)
    if not kept:
        return ""
    value, half = kept["value_mm"], (kept["high_mm"] - kept["low_mm"]) / 2
    return f"{written_number(value, language, 1)}±{written_number(half, language, 1)}"


def _form_page(
    request: Request, instrument: Instrument | None, form: FormData | None = None, fault: str | None = None
) -> HTMLResponse:
    if form is not None:
        filled = InstrumentForm.read(form)
    elif instrument is not None:
        filled = InstrumentForm(
            name=instrument.name,
            label=instrument.label or "",
            body_length=_as_typed(instrument.lengths, "body_length", page_language(request)),
            total_length=_as_typed(instrument.lengths, "total_length", page_language(request)),
            words=instrument.notes.get(REMARKS, ""),
        )
    else:
        filled = InstrumentForm()
    return page(
        request,
        "teacher/instrument_form.html",
        422 if fault else 200,
        instrument=instrument,
        filled=filled,
        problem=fault,
        conditions=CONDITION_QUESTIONS,
        notes=instrument.notes if instrument and instrument.notes else {},
    )


def _like(chart: Chart, instruments: Sequence[Instrument]) -> list[str]:
    """The size that each measures like; none of one that is no violin, so that it can be seen."""
    lengths = [_lengths_or_none(each) for each in instruments]
    sizes = iter(measured_sizes(chart, [each for each in lengths if each is not None]))
    return ["" if each is None else next(sizes) for each in lengths]


def _lengths_or_none(instrument: Instrument) -> InstrumentLengths | None:
    try:
        return instrument_lengths(instrument)
    except FitError:
        return None
