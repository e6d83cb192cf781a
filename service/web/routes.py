"""All pages of the service."""

from __future__ import annotations

from fastapi import FastAPI

from service.settings import Settings
from service.web import public, quick, reports
from service.web.family import camera, phone
from service.web.family import pages as family
from service.web.gate import invitations, recovery, sign_in
from service.web.teacher import (
    account,
    charts,
    children,
    classes,
    counter,
    deeds,
    instruments,
    labels,
    news,
    orders,
    people,
    push,
    requests,
    review,
    shelf_table,
    studio,
)


def include_pages(app: FastAPI, settings: Settings) -> None:
    """Add every page; the quick page only where it is switched on."""
    if settings.quick_page:
        app.include_router(quick.router, include_in_schema=False)
    for_strangers = (public, sign_in, invitations, recovery, phone, camera, family, reports)
    for_teachers = (
        children,
        requests,
        review,
        instruments,
        counter,
        orders,
        labels,
        shelf_table,
        classes,
        charts,
        deeds,
        news,
        account,
        push,
        studio,
        people,
    )
    for room in (*for_strangers, *for_teachers):
        app.include_router(room.router, include_in_schema=False)
