"""Secrets, passwords, links and headers: the parts that keep strangers out.

One secret of 32 random bytes is made on first start and kept in a file that only its owner reads.  From it come, by
HKDF with a name for each purpose (RFC 5869), separate keys: one signs links and form tokens, one encrypts photos, one
the keys of second factors.  A link is ``<id>.<tag>`` where the tag is an HMAC-SHA-256 (RFC 2104) over purpose and id,
cut to 128 bits: it cannot be guessed, a link for one purpose is worthless for another, and a copy of the database alone
opens none.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
from base64 import b64encode, urlsafe_b64decode, urlsafe_b64encode
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

SECRET_BYTES = 32
"""As long as the keys made of it."""
NONCE_BYTES = 12
"""What AES-GCM asks for (NIST SP 800-38D, 5.2.1.1)."""
TAG_BYTES = 16
"""Half of the hash, the least that RFC 2104, section 5, recommends."""
PRIVATE_FOLDER, PRIVATE_FILE = 0o700, 0o600
"""Its owner alone reads, writes and enters (POSIX)."""
HALF = ".half"
"""Ends the name of what is not wholly written."""

WASM_SOURCE = "script-src 'self' 'wasm-unsafe-eval'"
"""Lets one page and its worker compile WebAssembly, and nothing else (Content Security Policy Level 3, 2.3.1)."""
FACTOR_KEYS = "second factors"
"""Purpose of the key that seals the keys of second factors."""

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
    file.parent.mkdir(parents=True, exist_ok=True, mode=PRIVATE_FOLDER)
    secret = secrets.token_bytes(SECRET_BYTES)
    try:
        _write_new(file, secret)
    except FileExistsError:
        secret = file.read_bytes()
    if len(secret) != SECRET_BYTES:
        raise ValueError(f"the secret in {file} is damaged; restore it from a backup")
    return secret


def load_secrets(file: Path, today: date) -> Secrets:
    """The secret, and the former one until its last day.

    Raises
    ------
    ValueError
        If a file holds something else.
    """
    now = load_or_make_secret(file)
    try:
        kept = json.loads(_former_file(file).read_text())
        former, until = bytes.fromhex(kept["secret"]), date.fromisoformat(kept["until"])
    except FileNotFoundError:
        return Secrets(now)
    except (ValueError, KeyError, TypeError):
        raise ValueError(f"the former secret in {_former_file(file)} is damaged; restore it from a backup") from None
    return Secrets(now, former if today <= until else None)


def renew_secret(file: Path, until: date) -> Secrets:
    """Make a new secret; the present one becomes the former one, and counts until a day.

    The former one is on the disk before the new one is, so that no moment lacks it.
    """
    former = load_or_make_secret(file)
    write_private(_former_file(file), json.dumps({"secret": former.hex(), "until": until.isoformat()}).encode())
    fresh = secrets.token_bytes(SECRET_BYTES)
    write_private(file, fresh)
    return Secrets(fresh, former)


def forget_former_secret(file: Path) -> None:
    """Delete the former secret: what was made with it alone counts no more."""
    _former_file(file).unlink(missing_ok=True)


def _former_file(file: Path) -> Path:
    return file.with_name("former-secret")


def write_private(file: Path, content: bytes) -> None:
    """Write a file whole or not at all, readable by its owner only; on return it and its name are on the disk.

    Raises
    ------
    OSError
        If it cannot be written; what had that name before is still there.
    """
    half = file.with_name(f"{file.name}.{secrets.token_hex(4)}{HALF}")
    _write_new(half, content)
    try:
        half.replace(file)
    except OSError:
        half.unlink(missing_ok=True)
        raise
    folder = os.open(file.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _write_new(file: Path, content: bytes) -> None:
    """Write a file that is not there yet; none is left where that fails."""
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE_FILE)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
    except OSError:
        file.unlink(missing_ok=True)
        raise


def derived_key(secret: bytes, purpose: str) -> bytes:
    """A key of 32 bytes for one purpose (HKDF-SHA-256, RFC 5869)."""
    return HKDF(algorithm=SHA256(), length=32, salt=None, info=purpose.encode()).derive(secret)


def secret_mark(secret: bytes) -> str:
    """A mark by which a secret is known again, and which tells nothing of it."""
    return derived_key(secret, "mark of the secret").hex()


@dataclass(frozen=True, slots=True)
class Secrets:
    """The service's secret, and the one before it while what was made with that still counts."""

    now: bytes
    former: bytes | None = None

    @property
    def marks(self) -> tuple[str, str | None]:
        """Marks of both (`secret_mark`); None for a former one that is not there."""
        return secret_mark(self.now), None if self.former is None else secret_mark(self.former)

    def keys(self, purpose: str) -> tuple[bytes, ...]:
        """The keys for a purpose, the present one first."""
        return tuple(derived_key(secret, purpose) for secret in (self.now, self.former) if secret is not None)


class Sealer:
    """Encrypts what is kept, each bound to its name (AES-256-GCM, NIST SP 800-38D), so that nothing can be swapped.

    Parameters
    ----------
    secrets : Secrets
        New things are sealed with the present one; what the former one sealed is still opened.
    purpose : str
        What the key is for.
    """

    def __init__(self, secrets: Secrets, purpose: str) -> None:
        self._ciphers = tuple(AESGCM(key) for key in secrets.keys(purpose))

    def seal(self, name: str, content: bytes) -> bytes:
        """Encrypt."""
        nonce = secrets.token_bytes(NONCE_BYTES)
        return nonce + self._ciphers[0].encrypt(nonce, content, name.encode())

    def open(self, name: str, sealed: bytes) -> bytes | None:
        """Decrypt; None where it was tampered with or sealed with a secret that is not known."""
        return next((found for cipher in self._ciphers if (found := _opened(cipher, name, sealed)) is not None), None)

    def is_present(self, name: str, sealed: bytes) -> bool:
        """Whether the present secret opens it."""
        return _opened(self._ciphers[0], name, sealed) is not None


def _opened(cipher: AESGCM, name: str, sealed: bytes) -> bytes | None:
    try:
        return cipher.decrypt(sealed[:NONCE_BYTES], sealed[NONCE_BYTES:], name.encode())
    except (InvalidTag, ValueError):
        return None


class Signer:
    """Makes and reads the tokens of links and forms.

    Parameters
    ----------
    secrets : Secrets
        New tokens are made with the present one; those of the former one are still read.
    """

    def __init__(self, secrets: Secrets) -> None:
        self._keys = secrets.keys("links and forms")
        self._webhooks = secrets.keys("webhooks")
        self._push = tuple(_signing_key(secret) for secret in secrets.keys("push messages"))

    def token(self, purpose: str, identity: str) -> str:
        """Token that proves `identity` for `purpose`."""
        return f"{identity}.{_tag(self._keys[0], purpose, identity)}"

    def read(self, purpose: str, token: str) -> str | None:
        """Identity a token proves for `purpose`, or None."""
        identity, _, tag = token.partition(".")
        return identity if self._fits(purpose, identity, tag) else None

    def webhook_secrets(self, identity: str) -> tuple[str, ...]:
        """Secrets by which one receiver knows our webhooks, as the Standard Webhooks write them; derived, never kept.

        The present one comes first, the former one after it while that counts: a receiver needs time to learn.
        """
        digests = (hmac.new(key, identity.encode(), hashlib.sha256).digest() for key in self._webhooks)
        return tuple("whsec_" + b64encode(digest).decode() for digest in digests)

    def push_keys(self) -> tuple[ec.EllipticCurvePrivateKey, ...]:
        """Keys that sign what is pushed to browsers (RFC 8292), the present one first; derived, never kept."""
        return self._push

    def form_token(self, holder: str) -> str:
        """Token a form must carry back; `holder` is the session or link it was shown to."""
        return _tag(self._keys[0], "form", holder)

    def form_token_fits(self, holder: str, token: str) -> bool:
        """Whether a form came from a page shown to `holder`."""
        return self._fits("form", holder, token)

    def _fits(self, purpose: str, identity: str, tag: str) -> bool:
        return any(hmac.compare_digest(tag.encode(), _tag(key, purpose, identity).encode()) for key in self._keys)


def _signing_key(secret: bytes) -> ec.EllipticCurvePrivateKey:
    """A key of P-256 made of a secret: 128 bits more than it needs, reduced (FIPS 186-5, A.2.1)."""
    bits = HKDF(algorithm=SHA256(), length=48, salt=None, info=b"P-256").derive(secret)
    curve = ec.SECP256R1()
    return ec.derive_private_key(int.from_bytes(bits, "big") % (curve.group_order - 1) + 1, curve)


def _tag(key: bytes, purpose: str, identity: str) -> str:
    return to_base64url(hmac.new(key, f"{purpose}\n{identity}".encode(), hashlib.sha256).digest()[:TAG_BYTES])


def to_base64url(content: bytes) -> str:
    """Base64url without padding (RFC 7515, 2)."""
    return urlsafe_b64encode(content).rstrip(b"=").decode()


def from_base64url(text: str) -> bytes:
    """The bytes of base64url, with padding or without.

    Raises
    ------
    ValueError
        If it is none.
    """
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


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
