"""The second factor: codes of six digits that a phone makes from the time (RFC 6238), and recovery codes.

A code is taken within one time step of now, as RFC 6238, 5.2, recommends, and none is taken twice.  Its key is kept
sealed with a key from the service's secret, so a copy of the database alone makes no code.

A recovery code is 120 random bits, so that a plain digest of it can be kept (NIST SP 800-63B, 5.1.2.2: at least 112).
It works once: in place of a code of six digits, or to choose a new password.
"""

from __future__ import annotations

import hmac
import secrets
from base64 import b32encode, b64decode, b64encode
from datetime import datetime
from unicodedata import decimal, normalize

import pyotp
from sqlalchemy import delete, or_, update
from sqlalchemy.orm import Session

from service.records.database import changed
from service.records.tables import RecoveryCode, Teacher
from service.security import Sealer, digest

STEP_S = 30
"""Time step, s: RFC 6238, 5.2."""
CODES = 8
"""Recovery codes made at once: our choice."""
CODE_BYTES, GROUP = 15, 4
"""Random bytes of a recovery code, 120 bits, and the letters of it that stand together to be read; our choice."""
ISSUER = "Scrollreach"


def offer_key(teacher: Teacher, sealer: Sealer) -> str:
    """The key of a second factor that is not switched on yet, in base 32; made where there is none."""
    kept = _key(teacher, sealer)
    if kept is None:
        kept = pyotp.random_base32()
        teacher.factor_key = b64encode(sealer.seal(teacher.id, kept.encode())).decode()
    return kept


def address_of(key: str, email: str) -> str:
    """The key as the address that a phone's camera reads from a QR code."""
    return pyotp.TOTP(key).provisioning_uri(name=email, issuer_name=ISSUER)


def code_fits(session: Session, teacher: Teacher, sealer: Sealer, code: str, now: datetime) -> bool:
    """Whether a code of six digits is right, for the first time; it is then used up, also for who comes meanwhile."""
    key = _key(teacher, sealer)
    step = None if key is None else matching_step(key, code, int(now.timestamp()) // STEP_S)
    if step is None:
        return False
    not_used = or_(Teacher.factor_step.is_(None), Teacher.factor_step < step)
    return changed(session, update(Teacher).where(Teacher.id == teacher.id, not_used).values(factor_step=step)) == 1


def matching_step(key: str, code: str, step: int) -> int | None:
    """Time step, at most one from `step`, to which a code belongs; None where it belongs to none."""
    typed = _plain(code)
    maker = pyotp.TOTP(key, interval=STEP_S)
    steps = (each for each in (step, step - 1, step + 1) if _same(maker.at(each * STEP_S), typed))
    return next(steps, None)


def switch_off(teacher: Teacher) -> None:
    """Forget the second factor."""
    teacher.factor_key = teacher.factor_since = teacher.factor_step = None


def new_codes(session: Session, teacher: Teacher) -> list[str]:
    """Make recovery codes in place of the former ones; they can be shown only now."""
    session.execute(delete(RecoveryCode).where(RecoveryCode.teacher_id == teacher.id))
    codes = [b32encode(secrets.token_bytes(CODE_BYTES)).decode() for _ in range(CODES)]
    for code in codes:
        session.add(RecoveryCode(studio_id=teacher.studio_id, teacher_id=teacher.id, code_digest=digest(code)))
    return ["-".join(code[at : at + GROUP] for at in range(0, len(code), GROUP)) for code in codes]


def use_code(session: Session, teacher: Teacher, typed: str) -> bool:
    """Whether a recovery code is right; it is then used up."""
    plain = _plain(typed).upper().translate(str.maketrans("018", "OIB"))
    own = RecoveryCode.teacher_id == teacher.id
    return changed(session, delete(RecoveryCode).where(own, RecoveryCode.code_digest == digest(plain))) == 1


def _plain(code: str) -> str:
    """Letters and digits alone, as a code has them: keyboards write digits full-width or in a script of their own."""
    signs = (sign for sign in normalize("NFKC", code) if sign.isalnum())
    return "".join(str(decimal(sign, sign)) for sign in signs)


def _key(teacher: Teacher, sealer: Sealer) -> str | None:
    sealed = sealer.open(teacher.id, b64decode(teacher.factor_key)) if teacher.factor_key else None
    return sealed.decode() if sealed is not None else None


def _same(right: str, typed: str) -> bool:
    return hmac.compare_digest(right.encode(), typed.encode())
