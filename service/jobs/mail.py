"""The mail server through which teachers are told (SMTP, RFC 5321)."""

from __future__ import annotations

import smtplib
import ssl
from dataclasses import dataclass
from email.message import EmailMessage

MAIL_TIMEOUT_S = 20.0
"""How long one try of a mail may take, s; our choice."""


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
