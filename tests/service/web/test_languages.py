"""Every page in every language: no English sentence is left on it, and every fault of a photo has its drawing."""

from __future__ import annotations

import html
import re
from functools import cache

import pytest

import calibration.problems
import vision.problems
from calibration.problems import Problem
from service.measuring import pool as measuring
from service.measuring.outcome import ARM, INSTRUMENT
from service.records.tables import AGAIN, RECEIVED, REFUSED, PhotoRequest, Teacher, Upload, VerdictRecord
from service.web.pages import ENVIRONMENT, reading_aids
from service.web.teacher.requests import REASONS
from service.words import i18n
from tests.screenshots import pages
from tests.service.catalogue import OTHERS, source_strings
from tests.service.conftest import Place
from tests.service.seeding import Seeded, seed

OWN_WORDS = "own words "
LONG_ENOUGH = 25
"""Shorter strings may be the same in two languages, or part of a name."""
PLACE_FOR_VALUE = re.compile(r"\{\w*\}|%\(\w+\)s")
PROBLEMS = [
    each
    for room in (calibration.problems, vision.problems, measuring)
    for each in vars(room).values()
    if isinstance(each, Problem)
]


@cache
def english_parts(language: str) -> tuple[str, ...]:
    """Longer parts of source strings for which the catalogue says something else."""
    say = i18n.translator(language)
    return tuple(
        part.strip()
        for source in source_strings()
        for part in PLACE_FOR_VALUE.split(source)
        if len(part.strip()) > LONG_ENOUGH and part.strip() not in say(source)
    )


def english_left(text: str, language: str) -> list[str]:
    """Those parts that stand in a page."""
    shown = " ".join(html.unescape(text).split())
    return [part for part in english_parts(language) if part in shown]


def everybody_reads(place: Place, seeded: Seeded, language: str) -> None:
    """Set teacher, family and report to a language."""
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Teacher, seeded.teacher_id).language = language
        asked = records.get_one(PhotoRequest, seeded.request_id)
        asked.language, asked.reason = language, "arm"
        records.get_one(VerdictRecord, seeded.verdict_id).report_language = language
    place.client.cookies.set("scrollreach", seeded.session)
    place.client.headers["Accept-Language"] = language


def more_uploads(place: Place, seeded: Seeded) -> list[str]:
    """Photos in every other state, and one for each fault a photo can have; their identities."""
    faults = [(REFUSED, [{"code": each.code, "message": each.message, "advice": each.advice}]) for each in PROBLEMS]
    states = [*faults, (REFUSED, []), (RECEIVED, []), (AGAIN, [])]
    with place.house.store.for_studio(seeded.studio_id) as records:
        known = records.get_one(Upload, seeded.arm_upload_id)
        rows = [
            Upload(
                studio_id=known.studio_id,
                request_id=known.request_id,
                child_id=known.child_id,
                kind=(ARM, INSTRUMENT)[number % 2],
                client_key=f"state {number}",
                received_at=known.received_at,
                state=state,
                delete_on=known.delete_on,
                result={"usable": False, "problems": problems, "points_px": {}},
            )
            for number, (state, problems) in enumerate(states)
        ]
        records.add_all(rows)
        records.flush()
        return [row.id for row in rows]


@pytest.mark.parametrize("language", OTHERS)
def test_no_english_is_left_on_any_page(place: Place, language: str) -> None:
    seeded = seed(place.house)
    everybody_reads(place, seeded, language)
    family = f"/f/{seeded.family}"
    wanted = pages(seeded) | {each: f"{family}/photo/{each}" for each in more_uploads(place, seeded)}
    wanted |= {"nothing": "/children/none", "no-photo": f"{family}/photo/none", "wrong kind": f"{family}/piano"}
    left = {}
    for name, path in wanted.items():
        answer = place.client.get(path)
        assert f'<html lang="{language}"' in answer.text, name
        if found := english_left(answer.text, language):
            left[name] = found
    assert left == {}


@pytest.mark.parametrize("language", OTHERS)
def test_no_english_is_left_where_a_form_is_refused(place: Place, language: str) -> None:
    seeded = seed(place.house)
    everybody_reads(place, seeded, language)
    family, token = f"/f/{seeded.family}", place.house.signer.form_token(seeded.family)
    desk = place.house.signer.form_token(seeded.sign_in_id)
    tries = {
        f"{family}/consent": {"form_token": token},
        f"{family}/sheet": {"form_token": token, "bar_mm": "15 cm"},
        f"{family}/arm": {"form_token": token},
        f"{family}/delete/": {"form_token": "wrong"},
        "/": {"body_length": "long", "total_length": "420"},
        "/sign-in": {"email": seeded.email, "password": "wrong"},
        f"/welcome/{seeded.invitation}": {"name": "", "email": "nobody", "password": "a", "twice": "b"},
        "/children/new": {"form_token": desk, "nickname": ""},
        "/instruments/new": {"form_token": desk, "name": "A", "body_length": "500", "total_length": "400"},
        "/instruments/photo": {"form_token": desk},
        "/charts/new": {"form_token": desk, "name": "", "csv": "size\n1/8\n"},
        f"/children/{seeded.child_id}/tape": {"form_token": desk, "reading": "long"},
        "/studio/delete": {"form_token": desk, "password": "wrong"},
    }
    for path, fields in tries.items():
        answer = place.client.post(path, data=fields)
        assert 400 <= answer.status_code < 500, (path, answer.status_code)
        assert f'<html lang="{language}"' in answer.text, path
        assert english_left(answer.text, language) == [], path


def test_english_is_noticed() -> None:
    page = "<p>Print the sheet, keep it flat and fully in view, and take the photo again.</p>"
    assert english_left(page, "de") == ["Print the sheet, keep it flat and fully in view, and take the photo again."]
    assert english_left("<p>Das Blatt ausdrucken</p>", "de") == []


@pytest.mark.parametrize("problem", PROBLEMS, ids=lambda each: each.code)
def test_every_fault_has_its_drawing(problem: Problem) -> None:
    drawings = ENVIRONMENT.get_template("drawings.html").make_module(reading_aids("en"))
    for kind in (ARM, INSTRUMENT):
        drawn = str(drawings.for_problem(problem.code, kind, problem.advice))  # type: ignore[attr-defined]
        assert html.escape(problem.advice, quote=False).replace("'", "&#39;")[:30] in drawn.replace("\u00a0", " ")
        assert drawn != str(drawings.for_problem("something else", kind, problem.advice))  # type: ignore[attr-defined]
        height = float(re.findall(r'viewBox="0 0 340 (\S+)"', drawn)[0])
        for y, radius in re.findall(r'class="d-spot" cx="\S+" cy="(\S+)" r="(\S+)"', drawn):
            assert float(y) + float(radius) <= height, "the ring around the fault is cut off"


def test_every_sentence_changes_with_the_language(place: Place) -> None:
    # finds sentences that were never marked for the catalogue, which the catalogue itself cannot know
    seeded = seed(place.house, mark=OWN_WORDS)
    said = {}
    for language in ("en", "de"):
        everybody_reads(place, seeded, language)
        said[language] = {name: sentences(place.client.get(path).text) for name, path in pages(seeded).items()}
    same = {name: said["en"][name] & said["de"][name] for name in said["en"]}
    assert {name: found for name, found in same.items() if found} == {}


def sentences(text: str) -> set[str]:
    """What is read on a page or read out: texts of more than three words, without what people typed themselves."""
    body = re.sub(r"<(script|style|textarea|code)\b.*?</\1>|https?://\S+", " ", text, flags=re.DOTALL)
    spoken = re.findall(r'(?:aria-label|alt|title|placeholder|data-busy)="([^"]*)"', body)
    parts = [" ".join(html.unescape(part).split()) for part in re.split(r"<[^>]*>", body) + spoken]
    return {part for part in parts if len(re.findall(r"[^\W\d_]{2,}", part)) > 3 and OWN_WORDS not in part}


@pytest.mark.parametrize("reason", REASONS)
def test_every_reason_has_its_drawing(reason: str) -> None:
    drawings = ENVIRONMENT.get_template("drawings.html").make_module(reading_aids("en"))
    assert str(drawings.for_problem(f"again {reason}", ARM)) != str(drawings.for_problem("", ARM))  # type: ignore[attr-defined]
