"""Telling teachers by mail that photos have arrived: durable, one mail for what arrives together, and nobody's name.

A mail says that photos have arrived and where to look; no child, no family, no number, since a mail lies open in many
places.  Where no mail server is set nothing is sent, and the pages bring themselves up to date anyway.
"""

from __future__ import annotations

import asyncio
import hashlib
import smtplib
import ssl
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import formatdate

from dbos import DBOS, SetWorkflowID
from sqlalchemy import select

from service.jobs.workshop import Workshop, workshop
from service.records.tables import FAILED, MEASURED, PhotoRequest, Teacher, Upload
from service.words.i18n import marked, translator

TELL_AFTER_S = 180.0
"""What arrives within so long, s, is told together: a family takes its two photos in a few minutes; our choice."""
MAIL_TRIES, MAIL_TIMEOUT_S = 6, 20.0
"""How often a mail is tried and how long each try may take; our choice: a mail server that is away comes back in
minutes."""
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
    if workshop().mail is None:
        return
    request_id = await asyncio.to_thread(_request_of, workshop(), upload_id)
    if request_id is not None:
        with SetWorkflowID(f"tell:{request_id}:{int(workshop().clock.now().timestamp() // TELL_AFTER_S)}"):
            await DBOS.start_workflow_async(tell_teachers, request_id)


@DBOS.workflow()
async def tell_teachers(request_id: str) -> None:
    """Wait for what belongs together, then tell of it once."""
    await DBOS.sleep_async(TELL_AFTER_S)
    await send_mails(request_id)


@DBOS.step(retries_allowed=True, max_attempts=MAIL_TRIES, interval_seconds=30.0, backoff_rate=3.0)
async def send_mails(request_id: str) -> None:
    """Send the mails, then note until when everything was told."""
    await asyncio.to_thread(_send_mails, workshop(), request_id)


def _request_of(tools: Workshop, upload_id: str) -> str | None:
    with tools.store.whole_house() as session:
        upload = session.get(Upload, upload_id)
        return upload.request_id if upload is not None and upload.state in (MEASURED, FAILED) else None


def _send_mails(tools: Workshop, request_id: str) -> None:
    """Tell of all photos of a request that were not told of yet."""
    if tools.mail is None:
        return
    now = tools.clock.now()
    with tools.store.whole_house() as session:
        asked = session.get(PhotoRequest, request_id)
        new = select(Upload.received_at).where(Upload.request_id == request_id, Upload.state.in_((MEASURED, FAILED)))
        last = max(session.scalars(new), default=None)
        if asked is None or last is None or (asked.told_at is not None and last <= asked.told_at):
            return
        teachers = session.scalars(
            select(Teacher).where(Teacher.studio_id == asked.studio_id, Teacher.told_by_mail)
        ).all()
    for teacher in teachers:
        tools.mail.send(arrival_mail(tools.mail, teacher.email, teacher.language, f"{request_id} {last.isoformat()}"))
    with tools.store.whole_house() as session:
        told = session.get(PhotoRequest, request_id)
        if told is not None:
            told.told_at = max(now, last)


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
    message.set_content(f"{translate(WORDS)}\n\n{room.address}/children\n\n{translate(WHY)}\n")
    return message
