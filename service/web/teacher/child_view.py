"""What a child's page shows, gathered from the records and the trade's rules."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from markupsafe import Markup
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.fit.chart import Chart
from service.fit.choosing import UNSETTLED
from service.fit.decision import Action
from service.fit.errors import FitError
from service.fit.explanation import headline, to_do
from service.fit.fingers import finger_room, finger_sentences
from service.fit.growth import Growth, growth_alerts, growth_sentences
from service.fit.order import Order
from service.fit.order_drawing import drawing_svg
from service.fit.outlook import DAYS_A_MONTH, month_after, outlook
from service.fit.ranking import Ranked
from service.fit.sentences import Percent, Sentence, Translate, say
from service.fit.signs import SIGN_QUESTIONS, PlayingSigns
from service.fit.tape import Agreement
from service.fit.verdict import Verdict
from service.measuring.results import kept_build, kept_length
from service.records import audit
from service.records.audit import last_noted
from service.records.deciding import (
    Known,
    arm_length,
    candidates,
    growth_of,
    instrument_lengths,
    is_old,
    latest_arm,
    to_order,
)
from service.records.lookups import age_years, bar_since
from service.records.shelf import loans, players
from service.records.tables import (
    FAILED,
    MEASURED,
    UNDER_WORK,
    ArmRecord,
    Child,
    Instrument,
    PhotoRequest,
    TapeRecord,
    Upload,
    VerdictRecord,
)
from service.records.tapes import checked, counted_tape, of_its_time
from service.records.verdicts import made_of_now
from service.records.wanted import is_open, report_is_open, still_wanted
from service.web.plots import Forecast, PlotWords, arm_plot
from service.web.teacher.requests import REASONS
from service.words.i18n import marked
from service.words.writing import day_of

MONTH = timedelta(days=DAYS_A_MONTH)


@dataclass(frozen=True)
class Choice:
    """An instrument among those the child could play.

    Only what is shown in whole has a `verdict` and what is said of it; the `rank` says the same of it in short.
    `by_lengths` says what is known of it by its lengths alone, where something is to be settled before it is played.
    """

    instrument: Instrument
    rank: Ranked | None
    verdict: Verdict | None
    fingers: list[str]
    signs: PlayingSigns | None
    steps: list[str]
    to_do: str = ""
    by_lengths: str = ""


def child_view(records: Session, child: Child, now: datetime, translate: Translate, language: str) -> dict[str, Any]:
    """All that the child's page shows but the child itself."""
    today = day_of(now)
    arms = list(
        records.scalars(
            select(ArmRecord)
            .where(ArmRecord.child_id == child.id)
            .order_by(ArmRecord.measured_on, ArmRecord.accepted_at)
        )
    )
    latest = latest_arm(records, child.id)
    known = Known.of(records, child)
    used = records.get(Instrument, child.instrument_id) if child.instrument_id else None
    growth, growth_fault = _growth(records, child, used, translate, language)
    judged_fault, found = None, candidates(records, child)
    try:
        choices = _choices(known, latest, found, {child.instrument_id}, translate, language)
    except FitError as error:  # kept before it was refused: the page still lets it be taken back
        judged_fault = error.sentence.text(translate, language)
        choices = _choices(known, None, found, (), translate, language)
    used_choice = next((each for each in choices if used is not None and each.instrument.id == used.id), None)
    tapes = _tapes(records, child, arms, latest, translate, language)
    out, elsewhere = loans(records, [each.instrument for each in choices]), players(records, child)
    return {
        "age": age_years(child, today),
        "arms": arms,
        "latest": latest,
        "old": latest is not None and is_old(latest, today),
        "chart": known.chart,
        "used": used,
        "used_choice": used_choice,
        "doubted": known.doubted,
        "growth_fault": growth_fault,
        "outlook": _outlook(growth, latest, used_choice, translate, language),
        **_in_words(growth, latest, translate, language),
        "plot": _plot(arms, growth, known.chart, used_choice, translate, language),
        "choices": choices,
        "judged_fault": judged_fault,
        "out": out,
        "players": elsewhere,
        "at_hand": next((each for each in choices if _is_at_hand(each, {*out, *elsewhere})), None),
        "sign_questions": SIGN_QUESTIONS,
        "signs_noted": {each.instrument.id: asdict(each.signs) for each in choices if each.signs is not None},
        "to_order": _order(known, latest, growth, used_choice, translate, language),
        "order_drawing": drawing_svg(translate, language),
        "tapes": tapes,
        "tape_apart": _is_apart(tapes),
        "tape_waits": known.tape_waits,
        "sent_deleted": last_noted(records, audit.Action.SENT_DELETED, child.id),
        "waiting": records.scalars(
            select(Upload)
            .where(Upload.child_id == child.id, Upload.state.in_((MEASURED, *UNDER_WORK, FAILED)))
            .order_by(Upload.received_at)
        ).all(),
        **_requests(records, child, now),
        **_verdicts(records, child, latest, used, now),
        "bar_since": bar_since(records, latest) or bar_since(records, used),
        "instrument_names": {each.instrument.id: each.instrument.name for each in choices},
    }


def _is_at_hand(choice: Choice, away: Collection[str]) -> bool:
    """Whether an instrument could be given out now."""
    is_whole = choice.rank is not None and choice.rank.action is not Action.REPAIR
    return is_whole and choice.instrument.id not in away


def _requests(records: Session, child: Child, now: datetime) -> dict[str, Any]:
    """The links to the family, what each still asks for, and what was asked for once more."""
    requests = records.scalars(
        select(PhotoRequest).where(PhotoRequest.child_id == child.id).order_by(PhotoRequest.created_at.desc())
    ).all()
    wanted = {asked.id: still_wanted(records, asked) for asked in requests}
    again = [
        (asked, each, REASONS.get(each.reason or ""))
        for asked in requests
        if is_open(asked, now)
        for each in wanted[asked.id]
        if each.again
    ]
    waits = any(is_open(asked, now) and wanted[asked.id] for asked in requests)
    return {"requests": requests, "wanted": wanted, "again": again, "open_requests": waits}


def _verdicts(
    records: Session, child: Child, latest: ArmRecord | None, used: Instrument | None, now: datetime
) -> dict[str, Any]:
    """The verdicts that were kept, the last first, and what became of the one that counts."""
    verdicts = records.scalars(
        select(VerdictRecord).where(VerdictRecord.child_id == child.id).order_by(VerdictRecord.made_at.desc())
    ).all()
    decided = _decided(verdicts, latest, used)
    return {
        "verdicts": verdicts,
        "decided": decided,
        "decided_before": decided is not None and not made_of_now(records, decided),
        "decided_is_read": decided is not None and report_is_open(decided, now),
    }


def _decided(
    verdicts: Sequence[VerdictRecord], latest: ArmRecord | None, used: Instrument | None
) -> VerdictRecord | None:
    """The verdict on the instrument in use that was made of the latest arm."""
    if latest is None or used is None:
        return None
    return next((each for each in verdicts if (each.arm_record_id, each.instrument_id) == (latest.id, used.id)), None)


def side_by_side(
    records: Session, child: Child, pair: tuple[str, str], translate: Translate, language: str
) -> dict[str, Any] | None:
    """Two instruments compared for a child, the better suited first; None where one of them or an arm is not known."""
    latest = latest_arm(records, child.id)
    chosen = [each for each in candidates(records, child) if each.id in pair]
    if latest is None or len(chosen) != 2:
        return None
    choices = _choices(Known.of(records, child), latest, chosen, set(pair), translate, language)
    until = []
    for choice in choices:
        growth, _ = _growth(records, child, choice.instrument, translate, language)
        until.append(_outlook(growth, latest, choice, translate, language)[:1])
    return {"pair": choices, "until": until, "against": _against(choices).text(translate, language)}


def _against(choices: Sequence[Choice]) -> Sentence:
    """Which of two suits better, and how sure that is."""
    one, other = (each.instrument.name for each in choices)
    found = choices[0].rank.against_next if choices[0].rank is not None else None
    if found is None or found.is_equal:
        return say("{one} suits as well as {other}.", one=one, other=other)
    if found.is_better:
        return say("{one} suits better than {other}: {p} sure.", one=one, other=other, p=Percent(found.first))
    if found.is_worse:
        return say(
            "{other} is likelier to suit better than {one} ({p}), but more can go wrong with it.",
            one=one,
            other=other,
            p=Percent(found.second),
        )
    return say("{one} can hardly be told from {other}.", one=one, other=other)


def _growth(
    records: Session, child: Child, used: Instrument | None, translate: Translate, language: str
) -> tuple[Growth | None, str | None]:
    try:
        return growth_of(records, child, used), None
    except FitError as error:
        return None, error.sentence.text(translate, language)


def _outlook(
    growth: Growth | None, latest: ArmRecord | None, used: Choice | None, translate: Translate, language: str
) -> list[str]:
    if growth is None or latest is None:
        return []
    verdict = used.verdict if used is not None else None
    return [each.text(translate, language) for each in outlook(growth, latest.measured_on, verdict)]


def _in_words(growth: Growth | None, latest: ArmRecord | None, translate: Translate, language: str) -> dict[str, Any]:
    """Growth with its sentences, and its band by the calendar, every third month."""
    if growth is None or latest is None:
        return {"growth": None, "growth_words": [], "growth_alerts": [], "growth_rows": []}
    return {
        "growth": growth,
        "growth_words": [each.text(translate, language) for each in growth_sentences(growth)],
        "growth_alerts": [each.text(translate, language) for each in growth_alerts(growth)],
        "growth_rows": [
            {"month": month_after(latest.measured_on, each.months).text(language), "point": each}
            for each in growth.points
            if each.months % 3 == 0
        ],
    }


def _plot(
    arms: Sequence[ArmRecord],
    growth: Growth | None,
    chart: Chart,
    used: Choice | None,
    translate: Translate,
    language: str,
) -> Markup | None:
    if not arms:
        return None
    measured = [(arm.measured_on, arm_length(arm)) for arm in arms]
    last = max(day for day, _ in measured)
    forecast = [
        Forecast(last + MONTH * point.months, point.likely_mm, point.low_mm, point.high_mm)
        for point in (growth.points if growth else ())
    ]
    band = None
    if used is not None and used.verdict is not None:
        band = (used.verdict.shortest_arm_mm, used.verdict.longest_arm_mm)
    words = PlotWords(
        translate(marked("The arm over time; the table below has the numbers.")),
        translate(marked("Arm length, mm")),
        translate(marked("Size")),
        translate(marked("Day of measuring")),
    )
    return arm_plot(measured, forecast, chart, words, language, band)


def _choices(
    known: Known,
    latest: ArmRecord | None,
    instruments: Sequence[Instrument],
    in_whole: Collection[str | None],
    translate: Translate,
    language: str,
) -> list[Choice]:
    """Instruments for a child, what suits best first; as they come where no arm is known.

    Those `in_whole`, by identity, come with all that is said of them.
    """
    if latest is None:
        return [Choice(each, None, None, [], known.signs.get(each.id), []) for each in instruments]
    arm, build = arm_length(latest), kept_build(latest.lengths)
    hand = kept_length(latest.lengths, "hand_breadth")
    found = []
    for place in known.ranked(arm, instruments):
        own = instruments[place.place]
        room = finger_room(instrument_lengths(own), hand)
        words = [each.text(translate, language) for each in finger_sentences(room)] if room else []
        choice = Choice(own, place, None, words, known.signs.get(own.id), [])
        if own.id in in_whole:
            verdict = known.verdict(arm, own, build)
            choice = replace(
                choice,
                verdict=verdict,
                steps=[each.sentence().text(translate, language) for each in verdict.steps[:3]],
                to_do=to_do(verdict).text(translate, language),
                by_lengths=headline(verdict).text(translate, language) if verdict.action in UNSETTLED else "",
            )
        found.append(choice)
    return found


def _order(
    known: Known,
    latest: ArmRecord | None,
    growth: Growth | None,
    used: Choice | None,
    translate: Translate,
    language: str,
) -> dict[str, Any] | None:
    """What to order, with half a year's growth allowed where the age is known."""
    if latest is None:
        return None
    played = (None, None) if used is None else (used.instrument, used.verdict)
    return order_view(lambda: to_order(known, arm_length(latest), growth, *played), translate, language)


def order_view(found: Callable[[], Order], translate: Translate, language: str) -> dict[str, Any]:
    """What an order says, or why there can be none."""
    try:
        return found().as_json(translate, language)
    except FitError as error:
        return {"message": [error.sentence.text(translate, language)], "body_length": None}


def _tapes(
    records: Session,
    child: Child,
    arms: Sequence[ArmRecord],
    latest: ArmRecord | None,
    translate: Translate,
    language: str,
) -> list[dict[str, Any]]:
    """The tape readings, the last first, each compared with the photo of its time."""
    readings = records.scalars(
        select(TapeRecord).where(TapeRecord.child_id == child.id).order_by(TapeRecord.taken_on)
    ).all()
    found = []
    for each in reversed(readings):
        near = of_its_time(each, arms)
        check = None if near is None else checked(each, near)
        counts = near is not None and counted_tape(near) == each.id
        found.append(
            {
                "tape": each,
                "check": check.as_json(translate, language) if check is not None else None,
                "counts": counts,
                "of_latest": near is latest,
                "can_count": not counts and near is latest and check is not None and check.combined is not None,
            }
        )
    return found


def _is_apart(tapes: Sequence[dict[str, Any]]) -> bool:
    """Whether a tape disagrees with the photo of the latest arm, and no reading agrees with it."""
    outcomes = {each["check"]["outcome"] for each in tapes if each["of_latest"] and each["check"] is not None}
    return Agreement.INCONSISTENT in outcomes and Agreement.CONSISTENT not in outcomes
