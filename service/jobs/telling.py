"""Telling teachers that photos have arrived, by mail and by push: durable, once for what arrives together, no names.

What is told is that photos have arrived and where to look; no child, no family, no number, since mails and a phone's
locked screen lie open.  Where neither is set nothing is sent, and the pages bring themselves up to date anyway.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.utils import formatdate

import httpx
from dbos import DBOS, SetWorkflowID
from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from service.jobs.mail import MailRoom
from service.jobs.shop import GONE
from service.jobs.targets import TargetRefused, post
from service.jobs.web_push import BrowserKeys, encrypted, headers_for
from service.jobs.workshop import Workshop, workshop
from service.logs import note_failure
from service.records.tables import FAILED, MEASURED, PhotoRequest, PushSubscription, Teacher, Upload
from service.words.i18n import marked, translator

TELL_AFTER_S = 180.0
"""What arrives within so long, s, is told together: a family takes its two photos in a few minutes; our choice."""
TRIES, FIRST_PAUSE_S, LONGER_EACH = 6, 30.0, 3.0
"""How often a mail is tried, and the pauses between, s; our choice: a server that is away comes back in minutes."""
PUSH_PAUSES_S = tuple(FIRST_PAUSE_S * LONGER_EACH**each for each in range(TRIES - 1))
"""The same pauses for a push message."""
NO_SUBSCRIPTION = (404, GONE)
"""A push service's answers where the browser is told no more (RFC 8030, 7.3)."""
TOO_MANY = 429
"""Push services say so where they want to be asked later (RFC 8030, 8.4)."""
PATH = "/children"
"""Page on which a teacher sees what has arrived."""
SUBJECT = marked("Photos have arrived")
WORDS = marked("Photos have arrived and wait for you:")
WHY = marked("This mail was sent because your account says so; it can be switched off there.")


async def tell_later(upload_id: str) -> None:
    """Have the teachers told of an upload, together with what arrives soon after; twice is once."""
    if workshop().mail is None and workshop().push is None:
        return
    request_id = await asyncio.to_thread(_request_of, workshop(), upload_id)
    if request_id is not None:
        with SetWorkflowID(f"tell:{request_id}:{int(workshop().clock.now().timestamp() // TELL_AFTER_S)}"):
            await DBOS.start_workflow_async(tell_teachers, request_id)


@DBOS.workflow()
async def tell_teachers(request_id: str) -> None:
    """Wait for what belongs together, then tell of it once."""
    await DBOS.sleep_async(TELL_AFTER_S)
    browsers = await browsers_to_tell(request_id)
    for occasion, subscription_id in browsers:
        with SetWorkflowID(f"tell:{occasion}:{subscription_id}"):
            await DBOS.start_workflow_async(tell_browser, subscription_id)
    teachers = await teachers_to_mail(request_id)
    for occasion, teacher_id in teachers:
        with SetWorkflowID(f"tell:{occasion}:{teacher_id}"):
            await DBOS.start_workflow_async(mail_teacher, teacher_id, occasion)
    occasions = [occasion for occasion, _ in (*browsers, *teachers)]
    if occasions:
        await note_told(request_id, min(occasions))


@DBOS.workflow()
async def mail_teacher(teacher_id: str, occasion: str) -> None:
    """Send one teacher a mail; by itself, so that an address that is refused holds nobody else's mail up."""
    await send_mail(teacher_id, occasion)


@DBOS.workflow()
async def tell_browser(subscription_id: str) -> None:
    """Tell one browser; by itself, so that one push service that is away holds nobody else up."""
    for pause_s in PUSH_PAUSES_S:
        if await send_push(subscription_id):
            return
        await DBOS.sleep_async(pause_s)
    await send_push(subscription_id)


@DBOS.step(retries_allowed=True, max_attempts=TRIES, interval_seconds=1.0, backoff_rate=2.0)
async def browsers_to_tell(request_id: str) -> list[tuple[str, str]]:
    """The occasion and the subscription of every browser that wants to be told."""
    return await asyncio.to_thread(_to_tell, workshop(), request_id, _browsers)


@DBOS.step(retries_allowed=True, max_attempts=TRIES, interval_seconds=1.0, backoff_rate=2.0)
async def send_push(subscription_id: str) -> bool:
    """Tell one browser, or forget it where its push service no longer knows it; whether that settles it."""
    tools = workshop()
    message = await asyncio.to_thread(_push_message, tools, subscription_id)
    if tools.push is None or message is None:
        return True
    try:
        status = await post(message.endpoint, message.body, message.headers, tools.push.rules)
    except (TargetRefused, OSError, httpx.HTTPError) as error:
        note_failure("a browser could not be told", error)
        return False
    if status in NO_SUBSCRIPTION:
        await asyncio.to_thread(_forget, tools, subscription_id)
    elif status >= 300:
        note_failure("a browser could not be told", NotTold(str(status)))
    return status != TOO_MANY and status < 500


@DBOS.step(retries_allowed=True, max_attempts=TRIES, interval_seconds=1.0, backoff_rate=2.0)
async def teachers_to_mail(request_id: str) -> list[tuple[str, str]]:
    """The occasion and the identity of every teacher who wants a mail."""
    return await asyncio.to_thread(_to_tell, workshop(), request_id, _readers_of_mail)


@DBOS.step(retries_allowed=True, max_attempts=TRIES, interval_seconds=FIRST_PAUSE_S, backoff_rate=LONGER_EACH)
async def send_mail(teacher_id: str, occasion: str) -> None:
    """Send one mail, if its teacher still wants it."""
    await asyncio.to_thread(_send_mail, workshop(), teacher_id, occasion)


@DBOS.step(retries_allowed=True, max_attempts=TRIES, interval_seconds=1.0, backoff_rate=2.0)
async def note_told(request_id: str, occasion: str) -> None:
    """Note until which arrival everything was told, or is being told; what is still being measured came later."""
    await asyncio.to_thread(_note_told, workshop(), request_id, occasion)


class NotTold(Exception):
    """A push service refused a message."""


@dataclass(frozen=True)
class _PushMessage:
    """A message, ready to be sent."""

    endpoint: str
    body: bytes
    headers: dict[str, str]


def _to_tell(
    tools: Workshop, request_id: str, wanted: Callable[[Workshop, str], Select[str] | None]
) -> list[tuple[str, str]]:
    """The occasion and the identities of those who want to be told of what is new in a request."""
    with tools.store.whole_house() as session:
        news = _news_of(session, request_id)
        who = wanted(tools, news[0].studio_id) if news is not None else None
        if news is None or who is None:
            return []
        return [(f"{request_id}:{news[1].isoformat()}", each) for each in session.scalars(who)]


def _browsers(tools: Workshop, studio_id: str) -> Select[str] | None:
    return select(PushSubscription.id).where(PushSubscription.studio_id == studio_id) if tools.push else None


def _readers_of_mail(tools: Workshop, studio_id: str) -> Select[str] | None:
    return select(Teacher.id).where(Teacher.studio_id == studio_id, Teacher.told_by_mail) if tools.mail else None


def _push_message(tools: Workshop, subscription_id: str) -> _PushMessage | None:
    """What a browser is told; None where it no longer wants to be, or subscribed with a secret of long ago."""
    with tools.store.whole_house() as session:
        wanted = session.get(PushSubscription, subscription_id)
        if wanted is None or tools.push is None:
            return None
        key = tools.push.key_of(wanted.signed_with)
        if key is None:
            session.delete(wanted)
            return None
        language = session.get_one(Teacher, wanted.teacher_id).language
        told = json.dumps({"words": translator(language)(SUBJECT), "lang": language, "path": PATH})
        return _PushMessage(
            wanted.endpoint,
            encrypted(told.encode(), BrowserKeys.read(wanted.point, wanted.auth)),
            headers_for(wanted.endpoint, key, tools.push.contact, tools.clock.now()),
        )


def _forget(tools: Workshop, subscription_id: str) -> None:
    with tools.store.whole_house() as session:
        gone = session.get(PushSubscription, subscription_id)
        if gone is not None:
            session.delete(gone)


def _request_of(tools: Workshop, upload_id: str) -> str | None:
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        return upload.request_id if upload is not None and upload.state in (MEASURED, FAILED) else None


def _send_mail(tools: Workshop, teacher_id: str, occasion: str) -> None:
    with tools.store.whole_house() as session:
        teacher = session.get(Teacher, teacher_id)
    if tools.mail is None or teacher is None or not teacher.told_by_mail:
        return
    try:
        tools.mail.send(arrival_mail(tools.mail, teacher.email, teacher.language, occasion))
    except OSError as error:
        note_failure("a teacher could not be told by mail", error)
        raise


def _note_told(tools: Workshop, request_id: str, occasion: str) -> None:
    told = datetime.fromisoformat(occasion.removeprefix(f"{request_id}:"))
    with tools.store.whole_house() as session:
        asked = session.get(PhotoRequest, request_id)
        if asked is not None:
            asked.told_at = max(told, asked.told_at or told)


def _news_of(session: Session, request_id: str) -> tuple[PhotoRequest, datetime] | None:
    """A request of which photos were not told of yet, and when the last of them came."""
    asked = session.get(PhotoRequest, request_id)
    new = select(Upload.received_at).where(Upload.request_id == request_id, Upload.state.in_((MEASURED, FAILED)))
    last = max(session.scalars(new), default=None)
    if asked is None or last is None or (asked.told_at is not None and last <= asked.told_at):
        return None
    return asked, last


def arrival_mail(room: MailRoom, to: str, language: str, occasion: str) -> EmailMessage:
    """The mail: that photos have arrived, and where to look; the same one has the same identity however often sent."""
    translate = translator(language)
    message = EmailMessage()
    message["From"], message["To"] = room.sender, to
    message["Subject"] = translate(SUBJECT)
    message["Date"] = formatdate()
    identity = hashlib.sha256(f"{occasion} {to}".encode()).hexdigest()[:32]
    message["Message-ID"] = f"<{identity}@{room.sender.rpartition('@')[2] or 'localhost'}>"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: nobody's holiday answers it
    message.set_content(f"{translate(WORDS)}\n\n{room.address}{PATH}\n\n{translate(WHY)}\n")
    return message
