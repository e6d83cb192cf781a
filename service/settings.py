"""Settings of the running service: defaults, then a file, then the environment; the last one said wins.

The file is ``scrollreach.toml`` in the folder where the program starts (or the one named by ``SCROLLREACH_SETTINGS``);
the environment names are the settings' names in capitals with ``SCROLLREACH_`` in front.  `described` lists them all,
so that the program documents itself.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from difflib import get_close_matches
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict, TomlConfigSettingsSource

from vision.clip_files import MAX_BYTES as MAX_FILM_BYTES
from vision.clip_files import is_clip
from vision.photo import MAX_BYTES

PREFIX = "SCROLLREACH_"
PROGRAM_VERSION = version("scrollreach")
LARGEST_PHOTO_MEGABYTES = MAX_BYTES // 2**20
"""What the measuring rooms read at all; a larger limit would accept photos only to refuse them."""
PHOTOS_AT_FULL_SIZE = 2
"""Photos of the largest size that one request may hold: a child's and an instrument's.  Eight as phones take them, of
some 5 MB each, fit as well; so do a film and a photo."""
LARGEST_FILM_MEGABYTES = MAX_FILM_BYTES // 2**20
WORDS_BYTES = 2**20
"""Room in a request for everything that is not a photo."""
MOST_PHOTO_DAYS = 90
"""Longest a studio may keep photos, days; our choice: a term, and what was measured stays anyway."""
MOST_LINK_DAYS = 60
"""Longest a family's link may stay open, days; our choice."""
SETTINGS_FILE = "scrollreach.toml"


@dataclass(frozen=True)
class LargestFiles:
    """Largest files accepted, bytes."""

    photo_bytes: int
    film_bytes: int

    def of(self, content: bytes) -> int:
        """The largest of this file's kind."""
        return self.film_bytes if is_clip(content) else self.photo_bytes

    @property
    def any_bytes(self) -> int:
        """The largest of any kind."""
        return max(self.photo_bytes, self.film_bytes)


class Settings(BaseSettings):
    """Everything that can be set about the service."""

    model_config = SettingsConfigDict(env_prefix=PREFIX, extra="forbid", frozen=True)

    data_folder: Path = Field(
        Path("scrollreach-data"), description="Folder of the database, the photos and the secret."
    )
    database_url: str = Field(
        "",
        description="PostgreSQL database that several machines share, postgresql://...; empty is a file of SQLite.",
        repr=False,
    )
    photos_url: str = Field(
        "",
        description="Object store that several machines share, s3://, gs:// or az://...; empty is the data folder.",
    )
    role: Literal["all", "web", "worker"] = Field(
        "all",
        description="What this process does: web answers, worker measures what web took in, all does both; several "
        "processes need a database that they share.",
    )
    host: str = Field("127.0.0.1", description="Address to listen on.")
    port: Annotated[int, Field(ge=1, le=65535)] = Field(8000, description="Port to listen on.")
    public_url: str = Field(
        "",
        description="Address under which families reach the service, for links; empty takes the request's own where "
        "its name is this machine's or allowed.",
    )
    allowed_hosts: str = Field(
        "",
        description="Further names, with commas, under which links may be made where no public address is set.",
    )
    trusted_proxies: str = Field(
        "",
        description="Addresses, with commas, of proxies whose X-Forwarded-For is believed; empty believes nobody.",
    )
    secure_cookies: bool = Field(
        False, description="Send cookies over HTTPS only and ask browsers to stay on HTTPS: switch on behind TLS."
    )
    certificate_file: Path | None = Field(
        None,
        description="Certificate to answer HTTPS with, PEM; not needed behind a proxy that does, nor with --share.",
    )
    certificate_key: Path | None = Field(None, description="Key of the certificate, PEM.")
    quick_page: bool = Field(True, description="Offer the page without sign-in at /: two photos in, verdict out.")
    review: bool = Field(
        True, description="Keep a measured photo, encrypted, until the teacher has reviewed it; off deletes it at once."
    )
    photo_days: Annotated[int, Field(ge=1, le=MOST_PHOTO_DAYS)] = Field(
        14, description="Days after which every photo still kept is deleted."
    )
    link_days: Annotated[int, Field(ge=1, le=MOST_LINK_DAYS)] = Field(
        14, description="Days a family's link stays open, unless chosen."
    )
    report_days: Annotated[int, Field(ge=1, le=365)] = Field(60, description="Days a report's link stays open.")
    session_days: Annotated[int, Field(ge=1, le=90)] = Field(
        14, description="Days after which a teacher signs in again, however busy the browser."
    )
    idle_hours: Annotated[int, Field(ge=1, le=24 * 30)] = Field(
        8, description="Hours after which a browser that nobody uses is signed out."
    )
    upload_megabytes: Annotated[int, Field(ge=1, le=LARGEST_PHOTO_MEGABYTES)] = Field(
        25, description="Largest photo accepted, in megabytes."
    )
    film_megabytes: Annotated[int, Field(ge=1, le=LARGEST_FILM_MEGABYTES)] = Field(
        35, description="Largest film accepted, in megabytes; five seconds have 10 in 1080p, 30 in 4K."
    )
    upload_seconds: Annotated[int, Field(ge=5, le=3600)] = Field(
        180, description="Longest time one request may take to arrive, in seconds."
    )
    open_interface: Literal["auto", "on", "off"] = Field(
        "auto",
        description="Whether strangers may use the HTTP interface without a key; auto: only where the service listens "
        "to this machine alone.",
    )
    interface_tries: Annotated[int, Field(ge=1)] = Field(
        120, description="Requests a minute to the HTTP interface from one address without a key."
    )
    webhooks_private: bool = Field(
        False,
        description="Let webhooks and push messages go to addresses of the own network, and without TLS: for a till in "
        "the same house.",
    )
    stranger_seconds: Annotated[int, Field(ge=10)] = Field(
        300,
        description="Seconds of measuring in ten minutes that one address without a key may cause, however few its "
        "photos.",
    )
    arriving_megabytes: Annotated[int, Field(ge=64, le=65536)] = Field(
        256, description="Memory for photos that are arriving at the same time, in megabytes."
    )
    second_factor: Literal["offered", "needed"] = Field(
        "offered", description="Whether teachers may set a second factor up, or have to before anything else."
    )
    metrics_token: str = Field(
        "", description="Token for the figures at /metrics; without one they are given to this machine alone."
    )
    workers: Annotated[int, Field(ge=0, le=64)] = Field(0, description="Measuring processes; 0 means one a core.")
    photo_seconds: Annotated[float, Field(ge=2, le=600)] = Field(
        12.0, description="Longest time one photo may be worked at, in seconds; a good one takes about one."
    )
    sign_in_tries: Annotated[int, Field(ge=1)] = Field(5, description="Sign-in tries a minute for one e-mail address.")
    quick_tries: Annotated[int, Field(ge=1)] = Field(
        20, description="Tries of the quick page in ten minutes per address."
    )
    family_tries: Annotated[int, Field(ge=1)] = Field(60, description="Photos an hour through one family's link.")
    mail_server: str = Field(
        "", description="Mail server (SMTP) through which teachers are told that photos have arrived; empty sends none."
    )
    mail_port: Annotated[int, Field(ge=1, le=65535)] = Field(587, description="Port of the mail server.")
    mail_security: Literal["starttls", "tls", "none"] = Field(
        "starttls", description="How the way to the mail server is secured; none is for a server on this machine."
    )
    mail_user: str = Field("", description="Name for signing in at the mail server; empty signs in nowhere.")
    mail_password: str = Field("", description="Password for signing in at the mail server.", repr=False)
    mail_from: str = Field("", description="Address that mails to teachers come from.")
    push_contact: str = Field(
        "",
        description="Where push services reach whoever runs this service, mailto:... or https://...; with it teachers "
        "may let their browsers tell them that photos have arrived; empty offers that to nobody.",
    )

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Order of the sources: what the caller says, the environment, the file."""
        file = Path(os.environ.get(PREFIX + "SETTINGS", SETTINGS_FILE))
        return init_settings, env_settings, TomlConfigSettingsSource(settings_cls, toml_file=file)

    @model_validator(mode="after")
    def _roles_share(self) -> Self:
        if self.role != "all" and not self.database_url:
            raise ValueError(
                f"A process of its own for {self.role} needs a database that all share: set {PREFIX}DATABASE_URL."
            )
        return self

    @model_validator(mode="after")
    def _mails_come_from_somewhere(self) -> Self:
        if self.mail_server and "@" not in self.mail_from:
            raise ValueError(f"Mails need an address that they come from: set {PREFIX}MAIL_FROM.")
        return self

    @model_validator(mode="after")
    def _pushes_come_from_somebody(self) -> Self:
        if self.push_contact and not self.push_contact.startswith(("mailto:", "https://")):
            raise ValueError(
                f"Push services want an address of whoever sends: begin {PREFIX}PUSH_CONTACT with mailto:."
            )
        return self

    @field_validator("certificate_file", "certificate_key", mode="before")
    @classmethod
    def _empty_is_none(cls, value: Any) -> Any:
        return value or None

    @model_validator(mode="after")
    def _certificate_is_whole(self) -> Self:
        if (self.certificate_file is None) != (self.certificate_key is None):
            raise ValueError(
                f"A certificate needs its key and a key its certificate: set {PREFIX}CERTIFICATE_FILE and "
                f"{PREFIX}CERTIFICATE_KEY."
            )
        return self

    @property
    def certificate_folder(self) -> Path:
        """Folder of the certificate that this machine made for its own network."""
        return self.data_folder / "certificate"

    @property
    def has_own_certificate(self) -> bool:
        """Whether the certificate is the one made here."""
        return self.certificate_file is not None and self.certificate_file.parent == self.certificate_folder

    @property
    def database_file(self) -> Path:
        """File of the records."""
        return self.data_folder / "records.sqlite"

    @property
    def database(self) -> Path | str:
        """Where the records are."""
        return self.database_url or self.database_file

    @property
    def jobs_url(self) -> str:
        """Database in which durable work notes how far it has come."""
        return self.database_url or f"sqlite:///{self.data_folder / 'jobs.sqlite'}"

    @property
    def photo_folder(self) -> Path:
        """Folder of encrypted photos."""
        return self.data_folder / "photos"

    @property
    def secret_file(self) -> Path:
        """File of the secret that signs links and encrypts photos."""
        return self.data_folder / "secret"

    @property
    def upload_bytes(self) -> int:
        """Largest photo accepted, in bytes."""
        return self.upload_megabytes * 2**20

    @property
    def largest(self) -> LargestFiles:
        """Largest photo and film accepted."""
        return LargestFiles(self.upload_bytes, self.film_megabytes * 2**20)

    @property
    def request_bytes(self) -> int:
        """Largest request accepted, all its photos together, in bytes."""
        film_and_photo = self.largest.film_bytes + self.upload_bytes
        return max(PHOTOS_AT_FULL_SIZE * self.upload_bytes, film_and_photo) + WORDS_BYTES

    @property
    def arriving_bytes(self) -> int:
        """Memory for photos that are arriving, in bytes."""
        return self.arriving_megabytes * 1024 * 1024


@dataclass(frozen=True, slots=True)
class SettingLine:
    """One setting as shown to whoever runs the program."""

    name: str
    variable: str
    default: Any
    value: Any
    description: str


def described(settings: Settings) -> list[SettingLine]:
    """Every setting with its name in the file, in the environment, its default, its value and its meaning."""
    return [
        SettingLine(name, PREFIX + name.upper(), field.default, _shown(settings, name), field.description or "")
        for name, field in Settings.model_fields.items()
    ]


def _shown(settings: Settings, name: str) -> Any:
    """A setting's value as the environment may hold it, and nothing where it is none; a password is not shown."""
    value = getattr(settings, name)
    if isinstance(value, bool):
        return str(value).lower()
    if name == "database_url" and value:
        return _without_password(value)
    return "(set)" if name.endswith(("password", "token")) and value else "" if value is None else value


def _without_password(address: str) -> str:
    """The address of a database with stars for its password; no part of one that cannot be read."""
    from sqlalchemy import make_url  # what only reads settings need not wait for it
    from sqlalchemy.exc import ArgumentError

    try:
        return make_url(address).render_as_string(hide_password=True)
    except (ArgumentError, ValueError):
        return "(set)"


def misspelt() -> list[str]:
    """What is set in the environment and is no setting, a sentence each; so is a file of settings that is not there."""
    known = {PREFIX + name.upper() for name in Settings.model_fields} | {PREFIX + "SETTINGS"}
    found = []
    for name in sorted(set(os.environ) - known):
        if name.startswith(PREFIX):
            near = get_close_matches(name, known, 1)
            found.append(f"{name} is no setting{f'; did you mean {near[0]}?' if near else '.'}")
    file = os.environ.get(PREFIX + "SETTINGS")
    if file is not None and not Path(file).is_file():
        found.append(f"{PREFIX}SETTINGS names {file}, and there is no such file.")
    return found


def faults(error: ValidationError) -> list[str]:
    """What is wrong with the settings, one line a setting."""
    return [
        f"{PREFIX}{'.'.join(str(part) for part in fault['loc']).upper()}: {fault['msg']} (it is {fault['input']!r})."
        if fault["loc"]
        else str(fault["ctx"]["error"])  # about several settings together, in words of ours
        for fault in error.errors()
    ]
