"""Labels for the instruments of the shelf."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from service.fit.chart import Chart
from service.fit.sentences import Translate
from service.fit.verdict import measured_sizes
from service.records.deciding import chart_in_use, instrument_lengths
from service.records.shelf import KINDS, on_shelf
from service.records.tables import Instrument, Studio
from service.report.labels import Label, labels_pdf
from service.report.pdf import PAPERS
from service.web.gate.guard import Records, TheHouse, Visitor, nothing_here
from service.web.house import base_url
from service.web.language import marked, page_language, translator
from service.web.pages import page
from service.web.reach import ANYWHERE, reach
from service.words.lengths import LENGTHS
from service.words.names import by_name
from service.words.writing import written_day, written_mm, written_number

router = APIRouter(prefix="/counter")


@router.get("/labels")
def labels_page(request: Request, who: Visitor, records: Records, parts: TheHouse) -> HTMLResponse:
    """Choose the instruments for which labels are printed; first told where their codes will not open."""
    address = base_url(request, parts.settings)
    is_near = reach(address, parts.settings.has_own_certificate).where != ANYWHERE
    return page(request, "counter/labels.html", shelf=by_name(on_shelf(records)), near=address if is_near else None)


@router.get("/labels.pdf")
def labels_file(request: Request, who: Visitor, records: Records, parts: TheHouse, paper: str = "a4") -> Response:
    """Labels as PDF: of the instruments that were chosen, or of all."""
    if paper not in PAPERS:
        raise nothing_here()
    chosen = set(request.query_params.getlist("own"))
    shelf = [each for each in by_name(on_shelf(records)) if not chosen or each.id in chosen]
    if not shelf:
        raise nothing_here()
    language = page_language(request)
    studio = records.get_one(Studio, who.studio_id).name
    base, chart = base_url(request, parts.settings), chart_in_use(records)
    labels = [_label(each, chart, studio, base, translator(language), language) for each in shelf]
    content = labels_pdf(labels, translator(language)(marked("Labels")), language, paper)
    headers = {"Content-Disposition": 'inline; filename="labels.pdf"'}
    return Response(content, media_type="application/pdf", headers=headers)


def _label(own: Instrument, chart: Chart, studio: str, base: str, translate: Translate, language: str) -> Label:
    (size,) = measured_sizes(chart, [instrument_lengths(own)])
    if own.label:
        sizes = translate(marked("sold as %(label)s, measures like %(size)s")) % {"label": own.label, "size": size}
    else:
        sizes = translate(marked("measures like %(size)s")) % {"size": size}
    kept = [(name, own.lengths[name]) for name in KINDS if own.lengths.get(name)]
    measured = translate(marked("Measured on %(day)s.")) % {"day": written_day(own.measured_on, language)}
    return Label(
        own.name,
        sizes,
        tuple((LENGTHS[name].name.text(translate, language), _with_doubt(each, language)) for name, each in kept),
        measured,
        studio,
        f"{base}/instruments/{own.id}",
    )


def _with_doubt(length: dict[str, Any], language: str) -> str:
    half = (length["high_mm"] - length["low_mm"]) / 2
    return f"{written_number(length['value_mm'], language, 1, all_of_them=True)} ± {written_mm(half, language, 1)}"
