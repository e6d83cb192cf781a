"""What the page of a review shows: the photo's points, and beside it length, interval and what verdict would follow.

`service.web.teacher.review` changes what is under review; here nothing is changed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from hashlib import sha256
from itertools import count
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.fit.assessment import InstrumentLengths
from service.fit.errors import FitError
from service.fit.lengths import check_plausible
from service.fit.verdict import Verdict, judge
from service.fit.verdict_json import verdict_json
from service.jobs.moving import MOVABLE, views_of
from service.measuring.outcome import ARM, INSTRUMENT
from service.measuring.results import kept_build, kept_length
from service.records.deciding import Known, dated_arms, is_doubted, latest_arm, verdict_for
from service.records.photos import ORIGINAL
from service.records.tables import ACCEPTED, MEASURED, Child, Instrument, Upload
from service.web.forms.models import AcceptForm
from service.web.house import House
from service.web.language import marked, page_language, translator
from service.web.pages import fragment, page
from service.web.teacher.requests import REASONS
from service.words.names import instrument_of
from service.words.writing import day_of, written_number


def review_page(
    request: Request,
    parts: House,
    records: Session,
    upload: Upload,
    refused: dict[str, str] | None = None,
    status: int = 200,
    changed: bool = False,
    typed: dict[str, str] | None = None,
    called: AcceptForm | None = None,
    fault: FitError | None = None,
) -> HTMLResponse:
    """The page.

    `refused` says why the photo cannot be measured by what somebody said of it, which is `typed`; `changed` that what
    was to be accepted is no longer what stood on the page; `fault` why it cannot be accepted, `called` as it was typed.
    """
    child = records.get_one(Child, upload.child_id) if upload.child_id else None
    say = translator(page_language(request))
    words = beside(request, records, child, upload, upload.corrected or upload.result or {})
    views = views_of(upload)
    return page(
        request,
        "teacher/review.html",
        status,
        upload=upload,
        refused=refused,
        changed=changed,
        seen=acceptable(upload, upload.corrected or upload.result or {}),
        child=child,
        views=views,
        moved=json.dumps((upload.corrected or {}).get("moved_px", {})),
        waiting=_waiting(records),
        names=[
            (name, say(words)) for name, words in MOVABLE[upload.kind].items() if views and name in views[0].points_px
        ],
        reasons=_reasons(upload),
        can_measure=can_measure(parts, upload),
        can_retry=parts.photos.has(upload.id, ORIGINAL),
        stated=typed or _stated(upload, page_language(request)),
        called=called or _called(records, child, upload, page_language(request)),
        fault=fault and fault.sentence,
        live=words.html,
        more=words.more,
        short=words.short,
    )


def _stated(upload: Upload, language: str) -> dict[str, str]:
    """What was said of a photo, as its form (`ToldForm`) has it."""
    return {
        "reference": upload.reference or "",
        "touches": {None: "", True: "yes", False: "no"}[upload.against_wall],
        "higher": upload.higher or "",
        "height_mm": "" if upload.height_mm is None else written_number(upload.height_mm, language, 1),
    }


def can_measure(parts: House, upload: Upload) -> bool:
    """Whether points can be moved."""
    return upload.state == MEASURED and bool(views_of(upload)) and parts.photos.has(upload.id, ORIGINAL)


@dataclass(frozen=True, slots=True)
class Beside:
    """What stands beside a photo, as HTML.

    Attributes
    ----------
    html : str
        Length, interval and verdict, or why there is none.
    more : str
        Everything that was measured.
    short : str
        A few letters, for a small screen.
    """

    html: str
    more: str
    short: str


def beside(request: Request, records: Session, child: Child | None, upload: Upload, result: dict[str, Any]) -> Beside:
    """What stands beside the photo, for a result."""
    language = page_language(request)
    translate = translator(language)
    verdict = words = None
    doubted = child is not None and _is_doubted(records, child, upload, result)
    try:
        check_possible(upload, result)
        found = _verdict(records, child, upload, result, doubted) if child is not None else None
        verdict = verdict_json(found, translate, language) if found is not None else None
    except FitError as error:
        words = error.sentence.text(translate, language)
    shown = {"upload": upload, "result": result, "verdict": verdict, "words": words, "beyond": _beyond(upload, result)}
    shown["doubted"] = doubted
    html, more, short = (
        fragment(request, f"teacher/review_{form}.html", **shown) for form in ("live", "more", "short")
    )
    return Beside(html, more, short.strip())


def _beyond(upload: Upload, result: dict[str, Any]) -> dict[str, Any]:
    """Lengths as the program found them, by name, where moved points give one outside of what it had held possible."""
    found = only_lengths(upload.result or {}) if result.get("usable") and result.get("moved_px") else {}
    shown = ("arm_length",) if upload.kind == ARM else ("body_length", "total_length")
    return {
        name: found[name]
        for name in shown
        if name in found and not found[name]["low_mm"] <= result[name]["value_mm"] <= found[name]["high_mm"]
    }


def _is_doubted(records: Session, child: Child, upload: Upload, result: dict[str, Any]) -> bool:
    """Whether the child's arms contradict this one once it is accepted, or in an instrument's photo the last one."""
    arms = dated_arms(records, child.id)
    found = kept_length(result, "arm_length") if upload.kind == ARM and result.get("usable") else None
    if found is not None:
        arms = sorted([*arms, (day_of(upload.received_at), found)], key=lambda dated: dated[0])
    return is_doubted(child, arms)


def _verdict(records: Session, child: Child, upload: Upload, result: dict[str, Any], doubted: bool) -> Verdict | None:
    """The verdict that would follow: this arm with the instrument in use or last sent, or the other way round."""
    if not result.get("usable"):
        return None
    if upload.kind == ARM:
        instrument = records.get(Instrument, child.instrument_id) if child.instrument_id else None
        arm_found = kept_length(result, "arm_length")
        if instrument is not None and arm_found is not None:
            return verdict_for(records, child, arm_found, instrument, kept_build(result), doubted)
        sent = _sent_with(records, upload, INSTRUMENT)
        return _judged(records, child, result, sent, doubted) if sent else None
    arm = latest_arm(records, child.id)
    if arm is not None:
        return _judged(records, child, arm.lengths, result, doubted)
    sent = _sent_with(records, upload, ARM)
    return _judged(records, child, sent, result, doubted) if sent else None


def _judged(
    records: Session, child: Child, arm: dict[str, Any], instrument: dict[str, Any], doubted: bool
) -> Verdict | None:
    """The verdict on an instrument that is not among the records; what was seen on the child's others counts."""
    length = kept_length(arm, "arm_length")
    if length is None:
        return None
    lengths = InstrumentLengths(kept_length(instrument, "body_length"), kept_length(instrument, "total_length"))
    known = Known.of(records, child)
    return judge(
        length,
        lengths,
        known.chart,
        losses=known.losses,
        played=known.elsewhere(),
        build=kept_build(arm),
        doubted=doubted,
    )


def _sent_with(records: Session, upload: Upload, kind: str) -> dict[str, Any] | None:
    """What was measured in the other photo of the same request."""
    other = records.scalars(
        select(Upload)
        .where(Upload.request_id == upload.request_id, Upload.kind == kind, Upload.state.in_((MEASURED, ACCEPTED)))
        .order_by(Upload.received_at.desc())
    ).first()
    return (other.corrected or other.result) if other is not None else None


def drawn_over(upload: Upload, found: dict[str, Any]) -> dict[str, Any]:
    """What is drawn over each picture, by what the names of its points end in."""
    now = found.get("drawn_views")
    if now is None:
        return {each.suffix: each.drawn_px for each in views_of(upload)}
    return {each.suffix: now[each.number - 1] for each in views_of(upload) if each.number <= len(now)}


def seen_mark(upload: Upload) -> str:
    """What a page shows of a measurement and would accept, as a digest: it goes back with the button.

    Another teacher may move a point meanwhile, or the family tell how long its sheet's bar is.
    """
    kept = upload.corrected or upload.result or {}
    told = {name: kept.get(name) for name in ("moved_px", "points_px")} | only_lengths(kept)
    return sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:16]


def acceptable(upload: Upload, result: dict[str, Any]) -> str:
    """The mark by which a result can be accepted; empty where it cannot."""
    try:
        check_possible(upload, result)
    except FitError:
        return ""
    return seen_mark(upload) if result.get("usable") else ""


def check_possible(upload: Upload, result: dict[str, Any], label: str | None = None) -> None:
    """Refuse what no arm and no violin can be: kept, it could be held against nothing.

    Raises
    ------
    FitError
        Where what was measured, or its `label`, is of something else.
    """
    if not result.get("usable"):
        return
    if upload.kind != ARM:
        InstrumentLengths(kept_length(result, "body_length"), kept_length(result, "total_length"), label)
    elif (arm := kept_length(result, "arm_length")) is not None:
        check_plausible(round(arm.value_mm, 1), "arm")


def only_lengths(result: dict[str, Any]) -> dict[str, Any]:
    """The lengths of a result, without all that is said beside them."""
    return {name: value for name, value in result.items() if isinstance(value, dict) and "value_mm" in value}


def _called(records: Session, child: Child | None, upload: Upload, language: str) -> AcceptForm | None:
    """What the instrument is called, or a name to begin with; None for an arm."""
    if upload.kind == ARM:
        return None
    known = records.get(Instrument, upload.instrument_id) if upload.instrument_id else None
    if known is not None:
        return AcceptForm(name=known.name, label=known.label or "")
    return AcceptForm(name=name_to_begin_with(records, child, language), label=upload.label or "")


def name_to_begin_with(records: Session, child: Child | None, language: str) -> str:
    """What an instrument is called until somebody names it: after its child, or by its place on the shelf."""
    translate = translator(language)
    if child is not None:
        own = records.scalars(select(Instrument.name).where(Instrument.child_id == child.id))
        return instrument_of(child.nickname, translate, frozenset(own))
    taken = records.scalars(select(Instrument.name).where(Instrument.child_id.is_(None))).all()
    names = (translate(marked("Instrument %(number)s")) % {"number": number} for number in count(len(taken) + 1))
    return next(name for name in names if name not in taken)


def _reasons(upload: Upload) -> dict[str, str]:
    """The reasons for asking again that suit a kind of photo."""
    others = {"instrument"} if upload.kind == ARM else {"arm", "sleeve"}
    return {code: words for code, words in REASONS.items() if code not in others}


def _waiting(records: Session) -> int:
    """How many photos are to be reviewed."""
    return records.scalar(select(func.count()).select_from(Upload).where(Upload.state == MEASURED)) or 0
