"""`scrollreach studio`: a second studio beside the first, and the way back in for whoever lost everything."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service.records.tables import OWNER, Teacher
from tests.service.cli.command import invoke
from tests.service.conftest import Place
from tests.service.seeding import seed

FIELDS = {"name": "Ben", "email": "ben@example.org", "password": "eleven quiet violas hum"}


@pytest.fixture
def place(open_place: Callable[..., Place], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Place:
    """A running service, and commands that work on its folder."""
    monkeypatch.setenv("SCROLLREACH_DATA_FOLDER", str(tmp_path / "data"))
    place = open_place()
    place.clock.moment = datetime.now(UTC)  # the command has no other clock
    return place


def link_in(text: str) -> str:
    found = re.search(r"http://127\.0\.0\.1:8000(/welcome/[\w-]+)", text)
    assert found is not None, text
    return found.group(1)


def test_a_further_studio_has_an_owner_and_sees_nothing_of_the_first(place: Place) -> None:
    first = seed(place.house)
    link = link_in(invoke(["studio", "add", "Studio Birke"]).output)
    assert place.client.post(link, data=FIELDS | {"twice": FIELDS["password"]}).status_code == 303
    assert place.client.get("/studio").status_code == 200, "who comes in by it is an owner"
    assert "Studio Birke" in place.client.get("/studio").text
    assert place.client.get(f"/children/{first.child_id}").status_code == 404
    listed = invoke(["studio", "list"]).output.splitlines()
    assert len(listed) == 2
    assert re.fullmatch(r"[0-9a-f]{32}  Studio Linde  teachers: 1, children: 2", listed[1])
    assert listed[0].endswith("Studio Birke  teachers: 1, children: 0")


def test_who_lost_password_and_phone_is_let_in(place: Place) -> None:
    seeded = seed(place.house)
    with place.house.store.for_studio(seeded.studio_id) as records:
        teacher = records.get_one(Teacher, seeded.teacher_id)
        teacher.factor_key, teacher.factor_since = "x", place.clock.now()
    link = link_in(invoke(["studio", "let-in", seeded.email, "--without-second-factor"]).output)
    answer = place.client.post(link, data={"password": FIELDS["password"], "twice": FIELDS["password"]})
    assert answer.headers["location"] == "/children"
    with place.house.store.for_studio(seeded.studio_id) as records:
        teacher = records.get_one(Teacher, seeded.teacher_id)
        assert (teacher.role, teacher.factor_since) == (OWNER, None)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["studio", "add", " "], "A studio's name has 1 to 80 letters."),
        (["studio", "add", "x" * 81], "A studio's name has 1 to 80 letters."),
        (["studio", "let-in", "nobody@example.org"], "No teacher has the e-mail address nobody@example.org."),
    ],
)
def test_mistakes_are_said_in_a_sentence(place: Place, words: list[str], said: str) -> None:
    done = invoke(words)
    assert done.exit_code == 2
    assert said in done.output


def test_where_no_service_is_nobody_is_listed_and_nothing_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SCROLLREACH_DATA_FOLDER", str(tmp_path / "elsewhere"))
    for words in (["studio", "list"], ["studio", "let-in", "ben@example.org"]):
        done = invoke(words)
        assert (done.exit_code, "There is no service in" in done.output) == (2, True)
    assert not (tmp_path / "elsewhere").exists()


def test_a_link_says_where_it_may_be_another(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "instead of http://127.0.0.1:8000" in invoke(["studio", "add", "Studio Erle"]).stderr
    monkeypatch.setenv("SCROLLREACH_PUBLIC_URL", "https://studio.example")
    assert invoke(["studio", "add", "Studio Eibe"]).stderr == ""
