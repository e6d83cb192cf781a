"""The application: pages, HTTP interface, measuring pool and durable work in one process."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from fastapi import FastAPI
from starlette.formparsers import MultiPartParser
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from service.api import health_routes
from service.api.routes import include_interface
from service.jobs.clock import Clock
from service.jobs.keeper import Condition, Keeper
from service.jobs.mail import MailRoom
from service.jobs.running import start_jobs, stop_jobs
from service.jobs.shop import Backroom
from service.jobs.targets import TargetRules
from service.jobs.workshop import Workshop
from service.logs import write_allowed_only
from service.measuring.admission import Admission
from service.measuring.pool import Measurer, MeasuringPool
from service.records.backup import forget_half_restored
from service.records.folder import FolderLock, make_private
from service.settings import PROGRAM_VERSION, Settings
from service.web import metrics
from service.web.certificate import home_certificate
from service.web.errors import answer_errors, refused
from service.web.gate.arrival import ArrivalLimits, ArrivalRules, Arriving, Sender
from service.web.gate.invitations import first_invitation
from service.web.gate.keys import KeysOfTheInterface
from service.web.gate.middleware import PlainFailures, SafeHeaders, SameOriginForms
from service.web.gate.refusals import NoteRefusals
from service.web.house import House, open_house, own_address
from service.web.metrics import CountAnswers, Figures
from service.web.reach import HERE, NETWORK, own_addresses, reach
from service.web.routes import include_pages

if TYPE_CHECKING:
    from types import FrameType

    import uvicorn

GRACE_S = 8
"""What is being answered when the service is asked to stop gets so long, s: container managers wait ten."""
STATIC = Path(__file__).parent / "static"


def create_app(settings: Settings, pool: Measurer | None = None, clock: Clock | None = None) -> FastAPI:
    """Build the application.

    Parameters
    ----------
    settings : Settings
        Where things lie and what is switched on.
    pool : Measurer, optional
        What measures photos; by default worker processes started and ended with the application.
    clock : Clock, optional
        What tells the time; by default the machine's clock.

    Returns
    -------
    FastAPI
        An ASGI application.
    """
    # An uploaded photo stays in memory: never a plain copy on the disk.
    MultiPartParser.spool_max_size = settings.request_bytes

    app = FastAPI(
        title="Scrollreach",
        version=PROGRAM_VERSION,
        docs_url=None,  # the stock page loads scripts from elsewhere
        redoc_url=None,
        openapi_url=None,  # the stock route makes it on the loop, where everybody waits for a second
        lifespan=lambda app: _running(app, settings, pool, clock),
    )
    app.state.largest = settings.largest
    app.state.settings = settings
    app.state.figures = figures = Figures(lambda: _state_of(app))
    app.include_router(metrics.router)
    if settings.role == "worker":
        app.include_router(health_routes.router)
    else:
        include_interface(app)
        include_pages(app, settings)
    # Compressed, which pages are not: those hold keys of links, whose length an eavesdropper must not learn by trying.
    app.mount("/static", GZipMiddleware(StaticFiles(directory=STATIC), compresslevel=6), name="static")
    answer_errors(app)
    app.add_middleware(
        ArrivalLimits,
        rules=ArrivalRules(settings.request_bytes, settings.upload_seconds),
        arriving=Arriving(settings.arriving_bytes, settings.arriving_bytes // 4),
        sender=_sender,
    )
    app.add_middleware(KeysOfTheInterface, house=lambda: app.state.house)
    app.add_middleware(SameOriginForms)
    app.add_middleware(PlainFailures, answer=refused)
    app.add_middleware(CountAnswers, figures=figures)
    app.add_middleware(NoteRefusals, room=metrics.room_of)
    app.add_middleware(SafeHeaders, secure=settings.secure_cookies)
    return app


@asynccontextmanager
async def _running(app: FastAPI, settings: Settings, pool: Measurer | None, clock: Clock | None) -> AsyncIterator[None]:
    """Open what serves, one after the other; close it the other way round, also where something does not open."""
    async with AsyncExitStack() as opened:
        make_private(settings.data_folder)
        if not settings.database_url:
            lock = FolderLock(settings.data_folder)
            lock.take()
            opened.callback(lock.release)
        if pool is None:
            own_pool = opened.enter_context(MeasuringPool(settings.workers or None, settings.photo_seconds))
            own_pool.start()
            pool = own_pool
        house = open_house(settings, pool, clock)
        opened.callback(house.store.close)
        if not house.store.is_shared:  # else others may be writing into the same folder
            house.photos.sweep_halves(timedelta(0))
            forget_half_restored(settings.data_folder)
        backroom = Backroom(
            house.store, house.clock, house.signer.webhook_secrets, TargetRules(settings.webhooks_private)
        )
        workshop = _workshop(settings, house)
        opened.callback(stop_jobs)
        presence = await start_jobs(workshop, backroom, settings.jobs_url)
        opened.callback(presence.leave)
        keeper = Keeper(workshop, presence, settings.data_folder)
        app.state.house, app.state.measuring = house, house.measuring
        app.state.store, app.state.photos, app.state.clock = house.store, house.photos, house.clock
        app.state.backroom, app.state.keeper = backroom, keeper
        keeper.start()
        opened.push_async_callback(keeper.stop)
        yield


def _workshop(settings: Settings, house: House) -> Workshop:
    return Workshop(
        house.store,
        house.photos,
        house.pool,
        house.clock,
        settings.review,
        settings.role,
        house.admission.places,
        _mail_room(settings),
        house.push,
    )


def _state_of(app: FastAPI) -> tuple[Admission, Condition] | None:
    house, keeper = getattr(app.state, "house", None), getattr(app.state, "keeper", None)
    return None if house is None or keeper is None else (house.admission, keeper.condition)


def _mail_room(settings: Settings) -> MailRoom | None:
    if not settings.mail_server:
        return None
    return MailRoom(
        settings.mail_server,
        settings.mail_port,
        settings.mail_user,
        settings.mail_password,
        settings.mail_security,
        settings.mail_from,
        own_address(settings),
    )


def run(settings: Settings) -> None:
    """Serve until stopped; on the very first start, print the link with which the first teacher comes in."""
    import uvicorn

    from service.web.gate.heads import PromptHeads

    write_allowed_only()
    os.umask(0o077)  # whatever a library writes is this user's alone
    make_private(settings.data_folder)
    if not settings.database_url:
        probe = FolderLock(settings.data_folder)
        probe.take()  # before anything is read, so that a second service says one sentence and touches nothing
        probe.release()
    if settings.has_own_certificate:
        home_certificate(settings.certificate_folder, own_addresses())
    base = own_address(settings)
    first = first_invitation(settings, base) if settings.role != "worker" else None
    print(f"Scrollreach runs at {base}/ (stop with Ctrl-C).", flush=True)
    if first is not None:
        print(f"Nobody can sign in yet. Open this link once to begin: {first}", flush=True)
    if settings.role != "worker":
        _say_where(settings, base)
    app = create_app(settings)
    config = uvicorn.Config(
        app,
        host=settings.host,
        port=settings.port,
        http=PromptHeads,
        access_log=False,  # addresses hold the keys of links
        log_level="warning",
        log_config=None,
        timeout_graceful_shutdown=GRACE_S,
        server_header=False,
        proxy_headers=bool(settings.trusted_proxies),
        forwarded_allow_ips=settings.trusted_proxies or None,
        ssl_certfile=settings.certificate_file,
        ssl_keyfile=settings.certificate_key,
    )
    _server(app, config).run()


def _say_where(settings: Settings, base: str) -> None:
    """Say what else a phone needs to reach the service."""
    found = reach(base, settings.has_own_certificate)
    if found.where == HERE:
        print("Only this computer reaches it; for phones in the same Wi-Fi: scrollreach serve --share", flush=True)
    elif found.where == NETWORK:
        print("Phones in the same network reach it; families elsewhere need a public address: set", flush=True)
        print("SCROLLREACH_PUBLIC_URL, behind a proxy that answers HTTPS.", flush=True)
    if found.own_certificate:
        print(
            f"Each phone warns once of this computer's certificate, or is told to trust {base}/certificate.crt",
            flush=True,
        )


def _server(app: FastAPI, config: uvicorn.Config) -> uvicorn.Server:
    """A server that, asked to stop, first tells those who wait for a result that their photo is kept."""
    import uvicorn

    class Server(uvicorn.Server):
        def handle_exit(self, sig: int, frame: FrameType | None) -> None:
            house = getattr(app.state, "house", None)
            if house is not None:
                house.closing.set()
            super().handle_exit(sig, frame)

    return Server(config)


ANONYMOUS_PAGES = ("/sign-in", "/welcome/", "/recover")
"""Pages that read what anybody sends; every other one reads a form only after it knows who sends it."""


def _sender(scope: Scope) -> Sender:
    """Whether a request's body is read for somebody who is known by then."""
    path = scope["path"]
    if "caller" in scope.get("state", {}):
        return Sender.KNOWN
    anonymous = path == "/" or path.startswith(("/api/", *ANONYMOUS_PAGES))
    return Sender.ANONYMOUS if anonymous else Sender.KNOWN
