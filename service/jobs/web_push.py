"""A message for a browser's push service: encrypted for that browser alone, and signed by this service.

RFC 8291 (aes128gcm) hides what is said from the push service that carries it; RFC 8292 (VAPID) says who sends, so that
a copy of the subscriptions alone is worth nothing.  Both are a few lines over `cryptography`; the libraries at hand
bring clients for HTTP of their own, which would go past the checks of `service.jobs.targets`, or three more parts to
keep.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from service.jobs.targets import TargetRules
from service.security import from_base64url, to_base64url

CURVE = ec.SECP256R1()
"""P-256: what both standards name."""
POINT_BYTES, AUTH_BYTES, SALT_BYTES = 65, 16, 16
"""An uncompressed point of it; the browser's secret and the salt (RFC 8291, 3.2; RFC 8188, 2.1)."""
RECORD_BYTES = 4096
"""Size of a record: what every push service takes (RFC 8030, 7.2)."""
LAST_RECORD = b"\x02"
"""Ends the words of the last record, here the only one (RFC 8188, 2)."""
TOKEN_LASTS = timedelta(hours=12)
"""How long a signature counts: half of the longest that RFC 8292, 2, allows; our choice."""
KEPT_FOR = timedelta(days=1)
"""How long a push service keeps it for a browser that is away; our choice: later the pages tell anyway."""
TOPIC = "photos"
"""What was not delivered yet is replaced by the next message of the same topic (RFC 8030, 5.4)."""


@dataclass(frozen=True, slots=True)
class BrowserKeys:
    """What a browser gave to encrypt for it.

    Attributes
    ----------
    point : bytes
        Its public key, an uncompressed point of 65 bytes.
    auth : bytes
        Its secret of 16 bytes.
    """

    point: bytes
    auth: bytes

    @classmethod
    def read(cls, point: str, auth: str) -> BrowserKeys:
        """From base64url, as browsers write them.

        Raises
        ------
        ValueError
            If they are no such keys.
        """
        keys = cls(from_base64url(point), from_base64url(auth))
        ec.EllipticCurvePublicKey.from_encoded_point(CURVE, keys.point)
        if (len(keys.point), len(keys.auth)) != (POINT_BYTES, AUTH_BYTES):
            raise ValueError("keys of another length")
        return keys


@dataclass(frozen=True)
class PushRoom:
    """How messages are sent to browsers.

    Attributes
    ----------
    contact : str
        Where a push service reaches whoever runs this one: ``mailto:`` or ``https:`` (RFC 8292, 2.1).
    keys : sequence of ec.EllipticCurvePrivateKey
        Keys that sign, the present one first.
    rules : TargetRules
        Where messages may go: a browser names its push service, and anybody may pose as a browser.
    """

    contact: str
    keys: Sequence[ec.EllipticCurvePrivateKey]
    rules: TargetRules

    @property
    def public_key(self) -> str:
        """What a browser is given to subscribe with, base64url."""
        return to_base64url(point_of(self.keys[0]))

    def key_of(self, public_key: str) -> ec.EllipticCurvePrivateKey | None:
        """The key that a browser subscribed with; None where the secret has changed since."""
        return next((key for key in self.keys if to_base64url(point_of(key)) == public_key), None)


def point_of(key: ec.EllipticCurvePrivateKey) -> bytes:
    """The public key, an uncompressed point of 65 bytes."""
    return key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def encrypted(
    words: bytes, browser: BrowserKeys, salt: bytes | None = None, own: ec.EllipticCurvePrivateKey | None = None
) -> bytes:
    """A body of ``aes128gcm`` that one browser reads (RFC 8291, 3.4; RFC 8188, 2).

    Parameters
    ----------
    words : bytes
        Fewer than 3993.
    browser : BrowserKeys
    salt : bytes, optional
        16 random bytes; fresh ones where none are given.
    own : ec.EllipticCurvePrivateKey, optional
        A key for this message alone; a fresh one where none is given.

    Returns
    -------
    bytes
        Header and one record.
    """
    salt, own = salt or secrets.token_bytes(SALT_BYTES), own or ec.generate_private_key(CURVE)
    key, nonce = message_key(own, browser.point, salt, browser.auth, point_of(own), browser.point)
    header = salt + RECORD_BYTES.to_bytes(4, "big") + bytes([POINT_BYTES]) + point_of(own)
    return header + AESGCM(key).encrypt(nonce, words + LAST_RECORD, None)


def message_key(
    own: ec.EllipticCurvePrivateKey, other: bytes, salt: bytes, auth: bytes, sender: bytes, receiver: bytes
) -> tuple[bytes, bytes]:
    """Key of 16 bytes and nonce of 12 that sender and receiver both find (RFC 8291, 3.3 and 3.4)."""
    shared = own.exchange(ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(CURVE, other))
    secret = _hkdf(auth, shared, b"WebPush: info\0" + receiver + sender, 32)
    return (
        _hkdf(salt, secret, b"Content-Encoding: aes128gcm\0", 16),
        _hkdf(salt, secret, b"Content-Encoding: nonce\0", 12),
    )


def _hkdf(salt: bytes, secret: bytes, info: bytes, length: int) -> bytes:
    return HKDF(algorithm=SHA256(), length=length, salt=salt, info=info).derive(secret)


def headers_for(endpoint: str, key: ec.EllipticCurvePrivateKey, contact: str, now: datetime) -> dict[str, str]:
    """What goes with a message: who sends it, signed (RFC 8292, 3), and how long it is kept (RFC 8030, 5.2)."""
    parts = urlsplit(endpoint)
    claims = {"aud": f"{parts.scheme}://{parts.netloc}", "exp": int((now + TOKEN_LASTS).timestamp()), "sub": contact}
    said = f"{_json({'typ': 'JWT', 'alg': 'ES256'})}.{_json(claims)}"
    r, s = decode_dss_signature(key.sign(said.encode(), ec.ECDSA(SHA256())))
    token = f"{said}.{to_base64url(r.to_bytes(32, 'big') + s.to_bytes(32, 'big'))}"  # RFC 7518, 3.4
    return {
        "Authorization": f"vapid t={token}, k={to_base64url(point_of(key))}",
        "Content-Encoding": "aes128gcm",
        "Content-Type": "application/octet-stream",
        "TTL": str(int(KEPT_FOR.total_seconds())),
        "Topic": TOPIC,
    }


def _json(part: Mapping[str, object]) -> str:
    return to_base64url(json.dumps(part, separators=(",", ":")).encode())
