"""A kept verdict as the teacher sees it, and the report that a family opens by its own link."""

from __future__ import annotations

from datetime import date, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.measuring.outcome import INSTRUMENT
from service.records.audit import Action, note
from service.records.photos import OVERLAY
from service.records.tables import ACCEPTED, ArmRecord, Child, Studio, Teacher, Upload, VerdictRecord
from service.records.verdicts import made_of_now
from service.records.wanted import report_is_open
from service.report.content import Report, make_report
from service.report.pdf import PAPERS, report_pdf
from service.web.forms.models import ShareForm
from service.web.gate.guard import REPORT, Fields, Reader, Records, TheHouse, Visitor, nothing_here
from service.web.house import House, base_url
from service.web.pages import page
from service.web.reach import reach
from service.web.teacher.deeds import did, go_done
from service.web.teacher.requests import qr_svg
from service.words.writing import day_of

router = APIRouter()


@router.get("/verdicts/{verdict_id}")
def verdict_page(request: Request, verdict_id: str, parts: TheHouse, records: Records) -> HTMLResponse:
    """Show a verdict with all its reasons, and how to share it."""
    verdict = _verdict(records, verdict_id)
    shared = report_is_open(verdict, parts.clock.now())
    link = f"{base_url(request, parts.settings)}/r/{parts.signer.token(REPORT, verdict.id)}" if shared else None
    return page(
        request,
        "teacher/verdict.html",
        kept=verdict,
        child=records.get_one(Child, verdict.child_id),
        link=link,
        is_old=not made_of_now(records, verdict),
        qr=qr_svg(link) if link else None,
        reach=reach(link or "", parts.settings.has_own_certificate),
        arm_day=date.fromisoformat(verdict.inputs["arm"]["measured_on"]),
        instrument_day=date.fromisoformat(verdict.inputs["instrument"]["measured_on"]),
    )


@router.post("/verdicts/{verdict_id}/share")
def share(verdict_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Open the report's link for the family."""
    verdict = _verdict(records, verdict_id)
    wished = ShareForm.read(form)
    with did(records, who, parts, "report-sent", verdict.child_id) as deed:
        verdict.report_language = wished.language or verdict.report_language
        verdict.report_note = wished.note
        verdict.report_expires_at = parts.clock.now() + timedelta(days=parts.settings.report_days)
        verdict.report_revoked_at = None
        note(records, who.studio_id, Action.REPORT_SHARED, parts.clock.now(), who.teacher_id, verdict.child_id)
    return go_done(f"/verdicts/{verdict.id}", deed)


@router.post("/verdicts/{verdict_id}/unshare")
def unshare(verdict_id: str, who: Visitor, parts: TheHouse, records: Records, form: Fields) -> RedirectResponse:
    """Close the report's link."""
    verdict = _verdict(records, verdict_id)
    with did(records, who, parts, "report-closed", verdict.child_id) as deed:
        verdict.report_revoked_at = parts.clock.now()
    return go_done(f"/verdicts/{verdict_id}", deed)


@router.get("/verdicts/{verdict_id}/report.pdf")
def teacher_pdf(verdict_id: str, parts: TheHouse, records: Records, paper: str = "a4") -> Response:
    """The report as PDF, for the teacher."""
    return _pdf(parts, records, _verdict(records, verdict_id), paper)


@router.get("/r/{token}")
def report_page(request: Request, who: Reader, parts: TheHouse) -> HTMLResponse:
    """The report, printable."""
    with parts.store.for_studio(who.studio_id) as records:
        verdict = _verdict(records, who.verdict_id)
        pictures = list(_pictures(parts, records, verdict))
        return page(
            request, "report.html", report=_report(records, verdict), token=who.token, pictures=pictures, kept=verdict
        )


@router.get("/r/{token}/report.pdf")
def report_file(who: Reader, parts: TheHouse, paper: str = "a4") -> Response:
    """The report as PDF."""
    with parts.store.for_studio(who.studio_id) as records:
        return _pdf(parts, records, _verdict(records, who.verdict_id), paper)


@router.get("/r/{token}/{kind}.jpg")
def report_picture(who: Reader, parts: TheHouse, kind: str) -> Response:
    """A picture of the report, face blurred."""
    with parts.store.for_studio(who.studio_id) as records:
        picture = _pictures(parts, records, _verdict(records, who.verdict_id)).get(kind)
    if picture is None:
        raise nothing_here()
    return Response(picture, media_type="image/jpeg")


def _verdict(records: Session, verdict_id: str) -> VerdictRecord:
    verdict = records.get(VerdictRecord, verdict_id)
    if verdict is None:
        raise nothing_here()
    return verdict


def _report(records: Session, verdict: VerdictRecord) -> Report:
    language = verdict.report_language
    teacher = records.get(Teacher, verdict.teacher_id) if verdict.teacher_id else None
    return make_report(
        verdict.inputs,
        verdict.said_in(language),
        nickname=records.get_one(Child, verdict.child_id).nickname,
        teacher=teacher.name if teacher else "",
        studio=records.get_one(Studio, verdict.studio_id).name,
        day=day_of(verdict.made_at),
        note=verdict.report_note,
        language=language,
    )


def _pdf(parts: House, records: Session, verdict: VerdictRecord, paper: str) -> Response:
    if paper not in PAPERS:
        raise nothing_here()
    pictures = list(_pictures(parts, records, verdict).items())
    content = report_pdf(_report(records, verdict), pictures, verdict.report_language, paper)
    return Response(
        content, media_type="application/pdf", headers={"Content-Disposition": 'inline; filename="report.pdf"'}
    )


def _pictures(parts: House, records: Session, verdict: VerdictRecord) -> dict[str, bytes]:
    """The pictures that are still kept: of the arm that was judged, and of the instrument."""
    arm = records.get(ArmRecord, verdict.arm_record_id) if verdict.arm_record_id else None
    uploads = {"arm": arm.upload_id if arm else None}
    if verdict.instrument_id:
        uploads["instrument"] = records.scalars(
            select(Upload.id)
            .where(Upload.instrument_id == verdict.instrument_id, Upload.kind == INSTRUMENT, Upload.state == ACCEPTED)
            .order_by(Upload.received_at.desc())
        ).first()
    found = {kind: parts.photos.get(upload_id, OVERLAY) for kind, upload_id in uploads.items() if upload_id}
    return {kind: picture for kind, picture in found.items() if picture is not None}
