"""Secrets, passwords, links and headers: the parts that keep strangers out.

One secret of 32 random bytes is made on first start and kept in a file that only its owner reads.  From it come, by
HKDF with a name for each purpose (RFC 5869), separate keys: one signs links, one signs form tokens, one encrypts
photos.  A link is ``<id>.<tag>`` where the tag is an HMAC-SHA-256 (RFC 2104) over purpose and id, cut to 128 bits: it
cannot be guessed, a link for one purpose is worthless for another, and a copy of the database alone opens none.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
from base64 import b64encode, urlsafe_b64encode
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

SECRET_BYTES = 32
"""As long as the keys made of it."""
TAG_BYTES = 16
"""Half of the hash, the least that RFC 2104, section 5, recommends."""
SHORTEST_PASSWORD = 10
"""Letters; two more than NIST SP 800-63B, 5.1.1.2, asks for."""

WASM_SOURCE = "script-src 'self' 'wasm-unsafe-eval'"
"""Lets one page and its worker compile WebAssembly, and nothing else (Content Security Policy Level 3, 2.3.1)."""
CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)

CAMERA_POLICY = CONTENT_SECURITY_POLICY.replace("script-src 'self'", WASM_SOURCE)
"""For the page on which the camera helps: its networks run as WebAssembly."""

PAGE_HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), camera=(self)",
    "X-Robots-Tag": "noindex, nofollow",
}
"""Sent with every answer. Links hold their own key, so no address may leak through a referrer."""


def load_or_make_secret(file: Path) -> bytes:
    """The service's secret; made on first use, readable by its owner only.

    Raises
    ------
    ValueError
        If the file holds something else.
    """
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    try:
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        secret = file.read_bytes()
        if len(secret) != SECRET_BYTES:
            raise ValueError(f"the secret in {file} is damaged; restore it from a backup") from None
        return secret
    secret = secrets.token_bytes(SECRET_BYTES)
    with os.fdopen(handle, "wb") as out:
        out.write(secret)
        out.flush()
        os.fsync(out.fileno())
    return secret


def derived_key(secret: bytes, purpose: str) -> bytes:
    """A key of 32 bytes for one purpose (HKDF-SHA-256, RFC 5869)."""
    return HKDF(algorithm=SHA256(), length=32, salt=None, info=purpose.encode()).derive(secret)


def secret_mark(secret: bytes) -> str:
    """A mark by which a secret is known again, and which tells nothing of it."""
    return derived_key(secret, "mark of the secret").hex()


class Signer:
    """Makes and reads the tokens of links and forms.

    Parameters
    ----------
    secret : bytes
        The service's secret.
    """

    def __init__(self, secret: bytes) -> None:
        self._key = derived_key(secret, "links and forms")
        self._webhooks = derived_key(secret, "webhooks")

    def _tag(self, purpose: str, identity: str) -> str:
        digest = hmac.new(self._key, f"{purpose}\n{identity}".encode(), hashlib.sha256).digest()[:TAG_BYTES]
        return urlsafe_b64encode(digest).rstrip(b"=").decode()

    def token(self, purpose: str, identity: str) -> str:
        """Token that proves `identity` for `purpose`."""
        return f"{identity}.{self._tag(purpose, identity)}"

    def read(self, purpose: str, token: str) -> str | None:
        """Identity a token proves for `purpose`, or None."""
        identity, _, tag = token.partition(".")
        return identity if hmac.compare_digest(tag.encode(), self._tag(purpose, identity).encode()) else None

    def webhook_secret(self, identity: str) -> str:
        """Secret by which one receiver knows our webhooks, as the Standard Webhooks write it; derived, never kept."""
        return "whsec_" + b64encode(hmac.new(self._webhooks, identity.encode(), hashlib.sha256).digest()).decode()

    def form_token(self, holder: str) -> str:
        """Token a form must carry back; `holder` is the session or link it was shown to."""
        return self._tag("form", holder)

    def form_token_fits(self, holder: str, token: str) -> bool:
        """Whether a form came from a page shown to `holder`."""
        return hmac.compare_digest(token.encode(), self.form_token(holder).encode())


def fresh_token() -> str:
    """A random token of 256 bits."""
    return secrets.token_urlsafe(32)


def digest(token: str) -> str:
    """What is kept of a random token, so that a copy of the database opens no session."""
    return hashlib.sha256(token.encode()).hexdigest()


_hasher = PasswordHasher()  # Argon2id with the library's defaults, RFC 9106's second recommended option
_NOBODYS = _hasher.hash(secrets.token_urlsafe(16))


def hash_password(password: str) -> str:
    """Argon2id hash of a password."""
    return _hasher.hash(password)


def password_fits(password: str, hashed: str | None) -> bool:
    """Whether a password is right; as slow for an unknown teacher as for a known one."""
    try:
        return _hasher.verify(hashed or _NOBODYS, password) and hashed is not None
    except (Argon2Error, InvalidHashError):
        return False
