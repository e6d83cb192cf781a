"""Figures for whoever runs the service, in the form that Prometheus reads: counts and times, nothing about anybody.

Labels are rooms, ranks, kinds of answers: no address, no identity, no length.  They are given to this machine alone, or
to whoever shows the token of the settings.  Each process counts for itself and is asked for itself.
"""

from __future__ import annotations

import hmac
import time
from collections.abc import Callable, Iterable

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.jobs.keeper import Condition
from service.measuring.admission import Admission, Rank
from service.settings import Settings
from service.web.gate.guard import nothing_here
from service.web.gate.keys import is_local

router = APIRouter()
SECONDS = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0)
"""Bounds of the histogram of answers, s: our choice, about a factor of three apart."""
ROOMS = {"api": "interface", "f": "family", "r": "report", "static": "static", "children": "teacher"}
ROOMS |= {"reviews": "teacher", "instruments": "teacher", "charts": "teacher", "requests": "teacher"}
ROOMS |= {"counter": "teacher", "class": "teacher", "deeds": "teacher", "news": "teacher"}
ROOMS |= {"welcome": "sign-in", "sign-out": "sign-in", "recover": "sign-in"}
ROOMS |= {"verdicts": "teacher", "studio": "owner", "account": "account", "sign-in": "sign-in", "": "quick"}


def room_of(path: str) -> str:
    """Which part of the service an address belongs to."""
    return ROOMS.get(path.split("/")[1] if "/" in path else "?", "other")


class Figures:
    """What one process counts.

    Parameters
    ----------
    state : callable
        The line for measuring and the condition as last looked at; None while the service starts.
    """

    def __init__(self, state: Callable[[], tuple[Admission, Condition] | None]) -> None:
        self.registry = CollectorRegistry()
        self.answers = Counter(
            "scrollreach_answers", "Requests answered.", ("room", "method", "status"), registry=self.registry
        )
        self.seconds = Histogram(
            "scrollreach_answer_seconds", "Time to the answer.", ("room",), buckets=SECONDS, registry=self.registry
        )
        self.registry.register(_OfTheMoment(state))

    def text(self) -> bytes:
        """All figures as Prometheus reads them."""
        return generate_latest(self.registry)


class _OfTheMoment(Collector):
    """Figures that are looked up when they are asked for."""

    def __init__(self, state: Callable[[], tuple[Admission, Condition] | None]) -> None:
        self._state = state

    def collect(self) -> Iterable[Metric]:
        """How long the line is and how the service is."""
        now = self._state()
        if now is None:
            return
        admission, condition = now
        line = GaugeMetricFamily("scrollreach_waiting", "Who waits for a place to measure.", labels=("rank",))
        for rank in Rank:
            line.add_metric((rank.name.lower(),), admission.waiting(rank))
        yield line
        for name, words, value in (
            ("measuring", "Photos that are being measured.", admission.running()),
            ("photo_seconds", "Mean time of a photo, s.", admission.mean_s),
            ("photos_waiting", "Photos that are acknowledged and not yet measured.", condition.waiting),
            ("oldest_seconds", "How long the oldest of them waits, s.", condition.oldest_s),
            ("disk_free_bytes", "Room where the data lie, bytes.", condition.disk_free_bytes),
            ("database_answers", "1 where the records answer.", condition.database),
            ("workers_answer", "1 where a measuring process answers.", condition.workers),
            ("faults", "Things that are wrong, as /api/v1/health names them.", len(condition.faults())),
        ):
            yield GaugeMetricFamily(f"scrollreach_{name}", words, value=float(value))


class CountAnswers:
    """Counts every answer and its time.

    Parameters
    ----------
    app : ASGI application
    figures : Figures
    """

    def __init__(self, app: ASGIApp, figures: Figures) -> None:
        self.app, self.figures = app, figures

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun, status = time.perf_counter(), 0

        async def send_noted(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self.app(scope, receive, send_noted)
        finally:
            room = room_of(scope["path"])
            method = scope["method"] if scope["method"] in ("GET", "POST", "HEAD", "PUT", "DELETE") else "other"
            self.figures.answers.labels(room, method, str(status)).inc()
            self.figures.seconds.labels(room).observe(time.perf_counter() - begun)


def may_read(settings: Settings, request: Request) -> bool:
    """Whether whoever asks may see the figures: by the token where there is one, else from this machine alone."""
    if settings.metrics_token:
        shown = request.headers.get("authorization", "").removeprefix("Bearer ")
        return hmac.compare_digest(shown.encode(), settings.metrics_token.encode())
    return is_local(settings)


@router.get("/metrics", include_in_schema=False)
def metrics(request: Request) -> Response:
    """Figures for Prometheus; nothing is here for anybody else."""
    settings: Settings = request.app.state.settings
    if not may_read(settings, request):
        raise nothing_here()
    figures: Figures = request.app.state.figures
    return Response(figures.text(), media_type=CONTENT_TYPE_LATEST)
