"""Changing the secret: a new one signs and seals from now on, and what the former one sealed is sealed anew.

Every moment of it can be cut off: the former secret is kept until its last day, the service reads with both, and the
next rotation first finishes what is left of this one.
"""

from __future__ import annotations

from base64 import b64decode, b64encode
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from sqlalchemy import select

from service.records.database import Store
from service.records.photo_places import PhotoPlace
from service.records.photos import PhotoFolder
from service.records.tables import Teacher
from service.security import FACTOR_KEYS, Sealer, Secrets, forget_former_secret, load_secrets, renew_secret


@dataclass(frozen=True, slots=True)
class Rotated:
    """What was sealed anew, and photos that no secret opens."""

    photos: int
    factors: int
    unreadable: int


def finish(store: Store, photos: PhotoFolder, secrets: Secrets) -> Rotated:
    """Seal with the present secret whatever the former one sealed; doing it twice is doing it once."""
    sealer, factors = Sealer(secrets, FACTOR_KEYS), 0
    with store.whole_house() as session:
        for teacher in session.scalars(select(Teacher).where(Teacher.factor_key.is_not(None))):
            sealed = b64decode(teacher.factor_key or "")
            key = None if sealer.is_present(teacher.id, sealed) else sealer.open(teacher.id, sealed)
            if key is not None:
                teacher.factor_key = b64encode(sealer.seal(teacher.id, key)).decode()
                factors += 1
    anew, unreadable = photos.reseal()
    return Rotated(anew, factors, unreadable)


def rotate(file: Path, store: Store, place: PhotoPlace, today: date, links_days: int) -> Rotated:
    """Change the secret.

    Parameters
    ----------
    file : Path
        Of the secret.
    store : Store
        At which nobody works meanwhile.
    place : PhotoPlace
        Where the sealed photos lie.
    today : date
    links_days : int
        How long what the former secret signed still counts; 0 ends it at once.

    Raises
    ------
    FolderError
        If the secret is not the one of the records.
    """
    before = load_secrets(file, today)
    store.check_secret(*before.marks)
    finish(store, PhotoFolder(place, before), before)
    after = renew_secret(file, today + timedelta(days=links_days))
    store.check_secret(*after.marks)
    done = finish(store, PhotoFolder(place, after), after)
    if links_days == 0:
        forget_former_secret(file)
    return done
