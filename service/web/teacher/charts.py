"""The chart editor: a table or CSV, a picture that follows, and errors that say which row and why."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count, takewhile

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.datastructures import FormData

from service.fit.chart import COLUMNS, Chart
from service.fit.chart_table import chart_from_entries, default_chart, read_chart
from service.fit.errors import FitError
from service.records.deciding import chart_in_use
from service.records.tables import StudioChart
from service.web.forms.models import LONGEST_CHART_CELL, ChartChoice, ChartForm
from service.web.forms.reading import text_field
from service.web.gate.guard import Fields, Records, TheHouse, Visitor, nothing_here
from service.web.language import marked, page_language, translator
from service.web.pages import fragment, page
from service.web.plots import PlotWords, chart_plot
from service.web.teacher.deeds import did, go_done

router = APIRouter(prefix="/charts")
HEADS = {
    "size": marked("Size"),
    "arm_from": marked("Arm from"),
    "arm_to": marked("Arm to"),
    "body_length": marked("Body"),
    "total_length": marked("Total"),
}
"""What the pages call the columns; a table that is pasted may call them so."""
SPARE_ROWS = 2
"""Empty rows offered below the filled ones."""
UNITS = ("mm", "cm", "in")


@router.get("")
def charts(request: Request, who: Visitor, records: Records) -> HTMLResponse:
    """List the charts and show the one in use."""
    kept = records.scalars(select(StudioChart).order_by(StudioChart.name)).all()
    chart = chart_in_use(records)
    return page(
        request,
        "teacher/charts.html",
        charts=kept,
        own=any(each.in_use for each in kept),
        chart=chart,
        plot=_plot(request, chart),
    )


@router.get("/new")
def new_chart(request: Request, who: Visitor, records: Records) -> HTMLResponse:
    """Start a chart from the one in use."""
    chart = chart_in_use(records)
    return _editor(request, None, _Filled.of(chart, ""), chart)


@router.post("/preview")
def preview(request: Request, who: Visitor, form: Fields) -> HTMLResponse:
    """The picture of a chart that is being edited, or what is wrong with it."""
    chart, fault = _chart_of(request, form)
    return HTMLResponse(
        fragment(request, "teacher/chart_preview.html", chart=chart, fault=fault, plot=_plot(request, chart))
    )


@router.post("/new")
def make_chart(request: Request, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> Response:
    """Keep a new chart, use it where that is wished, or only show its picture."""
    chart, fault = _chart_of(request, form, records)
    wished = ChartForm.read(form)
    if chart is None or wished.show:
        return _editor_again(request, None, form, chart, fault)
    with did(records, who, parts, "chart-made") as deed:
        kept = StudioChart(
            studio_id=who.studio_id, name=chart.name, csv=chart.as_csv(), in_use=False, changed_at=parts.clock.now()
        )
        records.add(kept)
        records.flush()
        if wished.use:
            _use(records, kept.id)
    return go_done("/charts", deed)


@router.post("/use")
def use_chart(who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Use another chart; none of the studio's own means common practice."""
    chosen = ChartChoice.read(form).chart_id
    if chosen:
        _chart(records, chosen)
    with did(records, who, parts, "chart-used") as deed:
        _use(records, chosen)
    return go_done("/charts", deed)


@router.get("/{chart_id}")
def edit_chart(request: Request, chart_id: str, records: Records) -> HTMLResponse:
    """Edit a chart."""
    kept = _chart(records, chart_id)
    chart = read_chart(kept.csv, kept.name)
    return _editor(request, kept, _Filled.of(chart, kept.name), chart)


@router.post("/{chart_id}")
def change_chart(
    request: Request, chart_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields
) -> Response:
    """Keep a changed chart, or only show its picture."""
    kept = _chart(records, chart_id)
    chart, fault = _chart_of(request, form, records, kept)
    if chart is None or ChartForm.read(form).show:
        return _editor_again(request, kept, form, chart, fault)
    with did(records, who, parts, "chart-changed") as deed:
        kept.name, kept.csv, kept.changed_at = chart.name, chart.as_csv(), parts.clock.now()
    return go_done("/charts", deed)


@router.post("/{chart_id}/delete")
def delete_chart(chart_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Delete a chart; where it was in use, common practice is used again."""
    with did(records, who, parts, "chart-deleted") as deed:
        records.delete(_chart(records, chart_id))
    return go_done("/charts", deed)


def _chart(records: Session, chart_id: str) -> StudioChart:
    kept = records.get(StudioChart, chart_id)
    if kept is None:
        raise nothing_here()
    return kept


def _use(records: Session, chart_id: str) -> None:
    for each in records.scalars(select(StudioChart)):
        each.in_use = each.id == chart_id


def _name_is_taken(records: Session, name: str, kept: StudioChart | None) -> bool:
    others = (each.name for each in records.scalars(select(StudioChart)) if kept is None or each.id != kept.id)
    return name.casefold() in {each.casefold() for each in others}


def _rows_of(chart: Chart) -> list[dict[str, str]]:
    return [
        dict(zip(COLUMNS, (row.size, *(f"{value:g}" if value < 1e9 else "" for value in numbers)), strict=True))
        for row in chart.rows
        for numbers in [(row.arm_from_mm, row.arm_to_mm, row.body_length_mm, row.total_length_mm)]
    ]


def _typed_rows(form: FormData) -> dict[int, dict[str, str]]:
    """The rows that are not empty, by their numbers in the table, from 1."""
    sent = takewhile(lambda n: any(f"{column}-{n}" in form for column in COLUMNS), count())
    rows = {n + 1: {column: text_field(form, f"{column}-{n}", LONGEST_CHART_CELL) for column in COLUMNS} for n in sent}
    return {number: row for number, row in rows.items() if any(row.values())}


def _with_gaps(rows: dict[int, dict[str, str]]) -> list[dict[str, str]]:
    """The table with its empty rows in between, so that a row keeps the number by which it is refused."""
    return [rows.get(number, dict.fromkeys(COLUMNS, "")) for number in range(1, max(rows, default=0) + 1)]


def _chart_of(
    request: Request, form: FormData, records: Session | None = None, kept: StudioChart | None = None
) -> tuple[Chart | None, str | None]:
    """The chart a form describes, or what is wrong with it in the reader's words.

    Its name is compared with those of the studio's other charts where these are at hand.
    """
    language = page_language(request)
    translate = translator(language)
    typed = ChartForm.read(form)
    name, unit = typed.name or translate(marked("Our chart")), typed.unit or "mm"
    stretch = typed.stretch.replace(",", ".")
    try:
        stretch_mm = float(stretch) if stretch else default_chart().stretch_mm
    except ValueError:
        return None, translate(marked("The stretch is not a number."))
    if records is not None and _name_is_taken(records, name, kept):
        return None, translate(marked("Another chart has this name. Please give this one a name of its own."))
    try:
        if typed.csv:
            heads = {translate(words): column for column, words in HEADS.items()}
            return read_chart(typed.csv, name, unit, stretch_mm, heads), None
        rows = _typed_rows(form)
        return chart_from_entries([*rows.values()], name, unit, stretch_mm, numbers=[*rows]), None
    except FitError as error:
        return None, error.sentence.text(translate, language)


def _editor_again(
    request: Request, kept: StudioChart | None, form: FormData, chart: Chart | None, fault: str | None
) -> HTMLResponse:
    """The editor with what was typed; its rows in mm where they make a chart, else as they were typed or pasted."""
    typed = ChartForm.read(form)
    if chart is not None:
        filled = _Filled(typed.name, _rows_of(chart), "mm", typed.stretch)
    else:
        filled = _Filled(typed.name, _with_gaps(_typed_rows(form)), typed.unit or "mm", typed.stretch, typed.csv)
    return _editor(request, kept, filled, chart, fault)


@dataclass(frozen=True, slots=True)
class _Filled:
    """What stands in the editor's fields: the name, the table's rows, their unit, the stretch in mm, pasted CSV."""

    name: str
    rows: list[dict[str, str]]
    unit: str
    stretch: str
    csv: str = ""

    @classmethod
    def of(cls, chart: Chart, name: str) -> _Filled:
        """A chart to begin with."""
        return cls(name, _rows_of(chart), "mm", f"{chart.stretch_mm:g}")


def _editor(
    request: Request, kept: StudioChart | None, filled: _Filled, chart: Chart | None, fault: str | None = None
) -> HTMLResponse:
    return page(
        request,
        "teacher/chart_form.html",
        422 if fault else 200,
        kept=kept,
        filled=filled,
        rows=filled.rows + [dict.fromkeys(COLUMNS, "")] * SPARE_ROWS,
        columns=COLUMNS,
        units=UNITS,
        chart=chart,
        fault=fault,
        plot=_plot(request, chart),
    )


def _plot(request: Request, chart: Chart | None) -> str | None:
    if chart is None:
        return None
    language = page_language(request)
    translate = translator(language)
    words = PlotWords(
        translate(marked("Arm lengths that each size suits, in mm; the table below has the numbers.")),
        translate(marked("Arm length, mm")),
        translate(marked("Body / total, mm")),
    )
    return chart_plot(chart, words, language)
