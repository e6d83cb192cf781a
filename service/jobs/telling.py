"""Telling teachers that photos have arrived, by mail and by push: durable, once for what arrives together, no names.

What is told is that photos have arrived and where to look; no child, no family, no number, since mails and a phone's
locked screen lie open.  Where neither is set nothing is sent, and the pages bring themselves up to date anyway.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import smtplib
import ssl
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.utils import formatdate

import httpx
from dbos import DBOS, SetWorkflowID
from sqlalchemy import select
from sqlalchemy.orm import Session

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
MAIL_TIMEOUT_S = 20.0
"""How long one try of a mail may take, s; our choice."""
NO_SUBSCRIPTION = (404, GONE)
"""A push service's answers where the browser is told no more (RFC 8030, 7.3)."""
TOO_MANY = 429
"""Push services say so where they want to be asked later (RFC 8030, 8.4)."""
PATH = "/children"
"""Page on which a teacher sees what has arrived."""
SUBJECT = marked("Photos have arrived")
WORDS = marked("Photos have arrived and wait for you:")
WHY = marked("This mail was sent because your account says so; it can be switched off there.")


@dataclass(frozen=True)
class MailRoom:
    """How mails are sent.

    Attributes
    ----------
    host, port : str, int
        The mail server (SMTP, RFC 5321).
    user, password : str
        For signing in there; empty where none is needed.
    security : {'starttls', 'tls', 'none'}
        RFC 3207, RFC 8314, or none, for a server on this machine.
    sender : str
        Address that mails come from.
    address : str
        Address of the service, without a slash at its end.
    """

    host: str
    port: int
    user: str
    password: str
    security: str
    sender: str
    address: str

    def send(self, message: EmailMessage) -> None:
        """Hand a message to the mail server.

        Raises
        ------
        OSError
            If the server cannot be reached or refuses it.
        """
        secure = ssl.create_default_context()
        if self.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(self.host, self.port, timeout=MAIL_TIMEOUT_S, context=secure)
        else:
            server = smtplib.SMTP(self.host, self.port, timeout=MAIL_TIMEOUT_S)
        with server:
            if self.security == "starttls":
                server.starttls(context=secure)
            if self.user:
                server.login(self.user, self.password)
            server.send_message(message)


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
    for occasion, subscription_id in await browsers_to_tell(request_id):
        with SetWorkflowID(f"tell:{occasion}:{subscription_id}"):
            await DBOS.start_workflow_async(tell_browser, subscription_id)
    await send_mails(request_id)


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
    return await asyncio.to_thread(_browsers_to_tell, workshop(), request_id)


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


@DBOS.step(retries_allowed=True, max_attempts=TRIES, interval_seconds=FIRST_PAUSE_S, backoff_rate=LONGER_EACH)
async def send_mails(request_id: str) -> None:
    """Send the mails, where they are sent, then note until when everything was told."""
    await asyncio.to_thread(_send_mails, workshop(), request_id)


class NotTold(Exception):
    """A push service refused a message."""


@dataclass(frozen=True)
class _PushMessage:
    """A message, ready to be sent."""

    endpoint: str
    body: bytes
    headers: dict[str, str]


def _browsers_to_tell(tools: Workshop, request_id: str) -> list[tuple[str, str]]:
    with tools.store.whole_house() as session:
        news = _news_of(session, request_id)
        if tools.push is None or news is None:
            return []
        asked, last = news
        wanted = select(PushSubscription.id).where(PushSubscription.studio_id == asked.studio_id)
        return [(f"{request_id}:{last.isoformat()}", each) for each in session.scalars(wanted)]


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


def _send_mails(tools: Workshop, request_id: str) -> None:
    """Tell of all photos of a request that were not told of yet."""
    now = tools.clock.now()
    with tools.store.whole_house() as session:
        news = _news_of(session, request_id)
        if news is None:
            return
        asked, last = news
        readers = select(Teacher).where(Teacher.studio_id == asked.studio_id, Teacher.told_by_mail)
        teachers = session.scalars(readers).all() if tools.mail is not None else []
    for teacher in teachers:
        assert tools.mail is not None
        tools.mail.send(arrival_mail(tools.mail, teacher.email, teacher.language, f"{request_id} {last.isoformat()}"))
    with tools.store.whole_house() as session:
        told = session.get(PhotoRequest, request_id)
        if told is not None:
            told.told_at = max(now, last)


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
