"""Accounts: second factor, recovery codes, roles, ends of sessions, passwords that are refused, who did what."""

from __future__ import annotations

import re
from base64 import b32encode
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pyotp
import pytest
from httpx import Response
from sqlalchemy import select

from service.records.tables import OWNER, TEACHER, ArmRecord, AuditEntry, Invitation, RecoveryCode, SignIn, Teacher
from service.security import digest
from service.web.gate.passwords import TRIED_FIRST, password_fault
from service.web.gate.second_factor import STEP_S, matching_step
from tests.service.conftest import Place
from tests.service.reviewing import as_seen
from tests.service.seeding import PASSWORD, Seeded, seed
from tests.service.web.test_strangers import everything, form, routes

NEW_PASSWORD = "eleven quiet violas hum"


@pytest.fixture
def seeded(place: Place) -> Seeded:
    found = seed(place.house)
    place.client.cookies.set("scrollreach", found.session)
    return found


@contextmanager
def changed(place: Place, seeded: Seeded) -> Iterator[Teacher]:
    with place.house.store.for_studio(seeded.studio_id) as records:
        yield records.get_one(Teacher, seeded.teacher_id)


def post(place: Place, path: str, seeded: Seeded, **fields: str) -> Response:
    """Send a teacher's form."""
    token = place.house.signer.form_token(seeded.sign_in_id)
    answer: Response = place.client.post(path, data={"form_token": token, **fields})
    return answer


def second_teacher(place: Place, seeded: Seeded, role: str = TEACHER) -> tuple[str, str]:
    """Let somebody join by an invitation; identity of the teacher and the cookie of the session."""
    shown = post(place, "/studio/invite", seeded, role=role).text
    link = re.search(r"/welcome/[\w-]+", shown)
    assert link is not None
    place.client.cookies.clear()
    assert "Studio Linde" in place.client.get(link.group()).text, "or nobody knows who invites"
    fields = {"name": "Ben", "email": "ben@example.org", "password": NEW_PASSWORD, "twice": NEW_PASSWORD}
    answer = place.client.post(link.group(), data=fields)
    assert answer.status_code == 303, answer.text
    session = place.client.cookies.get("scrollreach")
    place.client.cookies.clear()
    place.client.cookies.set("scrollreach", seeded.session)
    with place.house.store.whole_house() as records:
        teacher = records.scalars(select(Teacher).where(Teacher.email == "ben@example.org")).one()
    assert teacher.role == role
    return teacher.id, str(session)


def switched_on(place: Place, seeded: Seeded) -> tuple[pyotp.TOTP, list[str]]:
    """Set a second factor up as a teacher does; what makes its codes, and the recovery codes shown."""
    offered = post(place, "/account/second-factor", seeded, password=PASSWORD).text
    assert 'class="qr"' in offered
    key = re.search(r'class="key">([A-Z2-7 ]+)<', offered)
    assert key is not None
    maker = pyotp.TOTP(key.group(1).replace(" ", ""))
    wrong = post(place, "/account/second-factor/on", seeded, code="000000")
    assert wrong.status_code == 422
    with changed(place, seeded) as teacher:
        assert teacher.factor_since is None, "it is on only once a code has proven the phone"
    shown = post(place, "/account/second-factor/on", seeded, code=maker.at(place.clock.now())).text
    codes = re.findall(r"<code>([A-Z2-7-]+)</code>", shown)
    assert len(codes) == 8
    return maker, codes


def signing_in(place: Place, password: str = PASSWORD) -> str:
    """Give the right password; the tag to go on with."""
    place.client.cookies.clear()
    answer = place.client.post("/sign-in", data={"email": "linde@example.org", "password": password})
    assert answer.status_code == 200
    assert "scrollreach=" not in answer.headers.get("set-cookie", ""), "the password alone opens nothing"
    tag = re.search(r'name="halfway" value="([^"]+)"', answer.text)
    assert tag is not None
    return tag.group(1)


def with_code(place: Place, halfway: str, code: str) -> int:
    return int(place.client.post("/sign-in/code", data={"halfway": halfway, "code": code}).status_code)


def test_codes_are_those_of_the_standard() -> None:
    # RFC 6238, appendix B, SHA-1: the last six of the eight digits given there
    key = b32encode(b"12345678901234567890").decode()
    for seconds, code in ((59, "287082"), (1111111109, "081804"), (1234567890, "005924"), (20000000000, "353130")):
        step = seconds // STEP_S
        assert matching_step(key, code, step) == step
        assert matching_step(key, f"{code[:3]} {code[3:]}", step + 1) == step
        for zero in "０٠۰०":  # as keyboards of other scripts write digits
            assert matching_step(key, "".join(chr(ord(zero) + int(digit)) for digit in code), step) == step
        assert matching_step(key, code, step + 2) is None, "a code is taken within one step of now"
        assert matching_step(key, code[:5], step) is None


def test_a_second_factor_is_asked_for_and_a_code_works_once(place: Place, seeded: Seeded) -> None:
    maker, _ = switched_on(place, seeded)
    place.clock.forward(minutes=5)
    code = maker.at(place.clock.now())
    assert with_code(place, signing_in(place), "123456") == 401
    assert with_code(place, signing_in(place), code) == 303
    assert with_code(place, signing_in(place), code) == 401, "what somebody looked at over a shoulder is used up"


def test_an_open_invitation_is_seen_and_withdrawn(place: Place, seeded: Seeded) -> None:
    link = re.search(r"/welcome/[\w-]+", post(place, "/studio/invite", seeded, role=OWNER).text)
    other = seed(place.house, "Studio Birke")
    assert link is not None
    with place.house.store.whole_house() as session:
        invited = session.scalars(select(Invitation).where(Invitation.role == OWNER)).one().id
    assert invited in place.client.get("/studio").text

    def withdraw(by: Seeded) -> int:
        place.client.cookies.set("scrollreach", by.session)
        return post(place, "/studio/invitations/withdraw", by, invitation_id=invited).status_code

    assert [withdraw(other), withdraw(seeded), withdraw(seeded)] == [404, 303, 404]
    assert invited not in place.client.get("/studio").text
    assert "invitation withdrawn" in place.client.get("/studio/history").text
    closed = place.client.get(link.group())
    assert closed.status_code == 404
    assert 'href="/sign-in">Sign in</a>' in closed.text
    assert "ask the teacher" not in closed.text, "whoever was invited is one"


def test_a_service_can_ask_every_teacher_for_a_second_factor(open_place: Callable[..., Place]) -> None:
    place = open_place(second_factor="needed")
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    for path in ("/children", f"/children/{seeded.child_id}", "/studio", "/studio/export.json", "/instruments"):
        assert place.client.get(path).headers["location"] == "/account?told=factor-needed", path
    sent_away = post(place, f"/children/{seeded.child_id}/delete", seeded).headers["location"]
    assert "asks every teacher for a second factor" in place.client.get(sent_away).text
    switched_on(place, seeded)
    assert place.client.get(f"/children/{seeded.child_id}").status_code == 200


def test_guessing_codes_is_limited(place: Place, seeded: Seeded) -> None:
    switched_on(place, seeded)
    halfway = signing_in(place)
    answers = [with_code(place, halfway, "000000") for _ in range(6)]
    assert answers[-1] == 429
    late = place.client.post("/sign-in/code", data={"halfway": halfway, "code": "0"})
    assert int(late.headers["retry-after"]) > 0


def test_halfway_ends_in_minutes_with_the_password_and_cannot_be_made_up(place: Place, seeded: Seeded) -> None:
    maker, _ = switched_on(place, seeded)
    halfway = signing_in(place)
    place.clock.forward(minutes=11)
    assert with_code(place, halfway, maker.at(place.clock.now())) == 401
    halfway = signing_in(place)
    with changed(place, seeded) as teacher:
        teacher.password_hash += "x"
    assert with_code(place, halfway, maker.at(place.clock.now())) == 401
    assert with_code(place, f"{seeded.teacher_id}-99999999999-x.{'A' * 22}", maker.at(place.clock.now())) == 401


def test_the_key_is_not_in_the_database(place: Place, seeded: Seeded) -> None:
    maker, codes = switched_on(place, seeded)
    kept = everything(place, seeded.studio_id)
    assert maker.secret not in kept
    assert all(code not in kept and code.replace("-", "") not in kept for code in codes)


def test_a_recovery_code_stands_in_for_the_phone_once(place: Place, seeded: Seeded) -> None:
    _, codes = switched_on(place, seeded)
    assert with_code(place, signing_in(place), codes[0].lower()) == 303
    assert with_code(place, signing_in(place), codes[0]) == 401


def test_a_sole_owner_gets_back_in_without_anybodys_help(place: Place, seeded: Seeded) -> None:
    shown = post(place, "/account/codes", seeded, password=PASSWORD).text
    code = re.findall(r"<code>([A-Z2-7-]+)</code>", shown)[0]
    fields = {"email": seeded.email, "code": code, "password": NEW_PASSWORD, "twice": NEW_PASSWORD}
    assert place.client.post("/recover", data=fields | {"code": "A" * 24}).status_code == 401
    assert place.client.post("/recover", data=fields | {"email": "nobody@example.org"}).status_code == 401
    assert (
        place.client.post("/recover", data=fields | {"password": "password123", "twice": "password123"}).status_code
        == 422
    )
    recovered = place.client.post("/recover", data=fields).headers["location"]
    assert "Sign in with it now." in place.client.get(recovered).text
    assert place.client.get("/children").headers["location"] == "/sign-in", "former sessions have ended"
    assert place.client.post("/recover", data=fields).status_code == 401, "a code works once"
    answer = place.client.post("/sign-in", data={"email": seeded.email, "password": NEW_PASSWORD})
    assert answer.headers["location"] == "/children"


def test_guessing_recovery_codes_is_limited(place: Place, seeded: Seeded) -> None:
    fields = {"email": seeded.email, "code": "x", "password": NEW_PASSWORD, "twice": NEW_PASSWORD}
    answers = [place.client.post("/recover", data=fields) for _ in range(11)]
    assert [each.status_code for each in answers] == [401] * 10 + [429]
    assert int(answers[-1].headers["Retry-After"]) > 60
    assert "Too many tries. Please wait an hour." in answers[-1].text


def test_a_new_password_link_does_not_stand_for_the_phone(place: Place, seeded: Seeded) -> None:
    switched_on(place, seeded)
    with place.house.store.whole_house() as session:
        session.add(
            Invitation(
                studio_id=seeded.studio_id,
                teacher_id=seeded.teacher_id,
                token_digest=digest("t"),
                expires_at=place.clock.now().replace(year=2032),
            )
        )
    place.client.cookies.clear()
    answer = place.client.post("/welcome/t", data={"password": NEW_PASSWORD, "twice": NEW_PASSWORD})
    assert "Sign in with it now." in place.client.get(answer.headers["location"]).text
    assert "scrollreach=" not in answer.headers.get("set-cookie", "")
    signing_in(place, NEW_PASSWORD)


def test_what_changes_an_account_asks_for_the_password(place: Place, seeded: Seeded) -> None:
    before = everything(place, seeded.studio_id)
    for path in ("/account/second-factor", "/account/codes", "/account/second-factor/off", "/account/password"):
        answer = post(place, path, seeded, password="wrong", new=NEW_PASSWORD, twice=NEW_PASSWORD)
        assert answer.status_code == 422, path
        assert "The present password is not right." in answer.text
    assert everything(place, seeded.studio_id) == before


@pytest.mark.parametrize(
    ("path", "fields", "said"),
    [
        ("/account/settings", {"language": "en"}, "Saved."),
        ("/account/password", {"new": NEW_PASSWORD, "twice": NEW_PASSWORD}, "Every other browser is signed out."),
        ("/account/second-factor/off", {}, "The second factor is switched off."),
        ("/account/revoke", {}, "Signed out there."),
        ("/studio/settings", {"photo_days": "9"}, "Saved."),
        ("/studio/losses", {"exchange": "7"}, "Saved."),
    ],
)
def test_what_was_done_is_said_where_it_would_not_be_seen(
    place: Place, seeded: Seeded, path: str, fields: dict[str, str], said: str
) -> None:
    after = post(place, path, seeded, password=PASSWORD, **fields).headers["location"]
    assert said in place.client.get(after).text
    assert said not in place.client.get(after.partition("?")[0]).text
    assert place.client.get(after.partition("?")[0] + "?told=<b>nothing").status_code == 200


def test_guesses_of_the_password_count_before_everything_is_deleted(place: Place, seeded: Seeded) -> None:
    for _ in range(place.house.settings.sign_in_tries):
        answer = post(place, "/studio/delete", seeded, password="wrong")
        assert answer.status_code == 403
        assert "The present password is not right." in answer.text
    late = post(place, "/studio/delete", seeded, password=PASSWORD)
    assert late.status_code == 403, "whoever may guess on is never told that a guess was right"
    assert "Too many tries." in late.text
    assert place.client.get("/children").status_code == 200


def test_a_changed_password_signs_out_every_other_browser(place: Place, seeded: Seeded) -> None:
    place.client.cookies.clear()
    place.client.post("/sign-in", data={"email": seeded.email, "password": PASSWORD})
    elsewhere = place.client.cookies.get("scrollreach")
    place.client.cookies.clear()
    place.client.cookies.set("scrollreach", seeded.session)
    weak = post(place, "/account/password", seeded, password=PASSWORD, new="qwertzuiop", twice="qwertzuiop")
    assert weak.status_code == 422
    assert (
        post(place, "/account/password", seeded, password=PASSWORD, new=NEW_PASSWORD, twice=NEW_PASSWORD).status_code
        == 303
    )
    assert place.client.get("/children").status_code == 200
    place.client.cookies.clear()
    place.client.cookies.set("scrollreach", str(elsewhere))
    assert place.client.get("/children").status_code == 303


@pytest.mark.parametrize(
    ("path", "field"),
    [("/verdicts/{verdict_id}/share", "note"), ("/instruments/{shelf_id}", "words"), ("/charts/new", "csv")],
)
def test_what_was_written_at_length_can_be_copied_where_the_session_has_ended(
    place: Place, seeded: Seeded, path: str, field: str
) -> None:
    place.client.cookies.set("scrollreach", seeded.session)
    token = place.house.signer.form_token(seeded.sign_in_id)
    place.clock.forward(hours=24)
    text = "Six lines, <b>thought over</b>\nfor long"
    late = place.client.post(path.format(**vars(seeded)), data={"form_token": token, "name": "Mine", field: text})
    assert late.status_code == 401
    assert "Your session has ended." in late.text
    assert "Six lines, &lt;b&gt;thought over&lt;/b&gt;\nfor long</p>" in late.text.replace("\r", "")
    assert token not in late.text


def test_an_idle_browser_is_signed_out_and_a_busy_one_at_last(place: Place, seeded: Seeded) -> None:
    for _ in range(47):  # seven hours at a time, within eight each: fourteen days less seven hours
        place.clock.forward(hours=7)
        assert place.client.get("/children").status_code == 200
    place.clock.forward(hours=7)
    assert place.client.get("/children").status_code == 303, "fourteen days are the most, however busy"
    with place.house.store.for_studio(seeded.studio_id) as records:
        session = records.get_one(SignIn, seeded.sign_in_id)
        session.expires_at = place.clock.now().replace(year=2032)
        session.seen_at = place.clock.now()
    place.clock.forward(hours=7, minutes=59)
    assert place.client.get("/children").status_code == 200
    place.clock.forward(hours=8)
    assert place.client.get("/children").status_code == 303


def test_browsers_are_listed_and_signed_out_one_by_one_or_together(place: Place, seeded: Seeded) -> None:
    for _ in range(2):
        place.client.cookies.clear()
        place.client.post("/sign-in", data={"email": seeded.email, "password": PASSWORD})
    place.client.cookies.clear()
    place.client.cookies.set("scrollreach", seeded.session)
    shown = place.client.get("/account").text
    others = re.findall(r'name="sign_in_id" value="(\w+)"', shown)
    assert len(others) == 2
    assert seeded.sign_in_id not in others
    for wrong in ("", "not the password"):
        answer = post(place, "/account/revoke", seeded, password=wrong)
        assert answer.status_code == 422
        assert "The present password is not right." in answer.text
    assert place.client.get("/account").text.count("Sign out there") == 2
    post(place, "/account/revoke", seeded, sign_in_id=others[0], password=PASSWORD)
    assert place.client.get("/account").text.count("Sign out there") == 1
    post(place, "/account/revoke", seeded, password=PASSWORD)
    assert place.client.get("/account").text.count("Sign out there") == 0
    assert 'class="tag fits">here' in place.client.get("/account").text


def test_only_ones_own_browsers_can_be_signed_out(place: Place, seeded: Seeded) -> None:
    _, session = second_teacher(place, seeded)
    with place.house.store.whole_house() as records:
        theirs = records.scalars(select(SignIn).where(SignIn.token_digest == digest(session))).one().id
    assert post(place, "/account/revoke", seeded, sign_in_id=theirs, password=PASSWORD).status_code == 404
    post(place, "/account/revoke", seeded, password=PASSWORD)
    assert place.client.get("/children").status_code == 200, "everywhere else is not here"
    place.client.cookies.clear()
    place.client.cookies.set("scrollreach", session)
    assert place.client.get("/children").status_code == 200


def test_a_teacher_who_is_no_owner_gets_nothing_of_the_owners(place: Place, seeded: Seeded) -> None:
    teacher_id, session = second_teacher(place, seeded)
    with place.house.store.whole_house() as records:
        holder = records.scalars(select(SignIn).where(SignIn.token_digest == digest(session))).one().id
    place.client.cookies.clear()
    place.client.cookies.set("scrollreach", session)
    before, tried = everything(place, seeded.studio_id), 0
    for route in routes(place.client.app):  # type: ignore[arg-type]
        if route.path.startswith("/studio"):
            tried += 1
            path = route.filled(seeded, "guess")
            answer = place.client.request(
                route.method, path, data=form(place, holder, seeded) if route.method == "POST" else None
            )
            assert answer.status_code == 403, path
            assert "For owners of the studio" in answer.text
    assert tried > 10
    with place.house.store.for_studio(seeded.studio_id) as records:
        noted = records.scalars(select(AuditEntry).where(AuditEntry.action == "owners_part_refused")).all()
        assert [each.teacher_id for each in noted] == [teacher_id], "the owners are told, once for all of them"
        for each in noted:
            records.delete(each)
    assert everything(place, seeded.studio_id) == before
    assert place.client.get("/children").status_code == 200
    assert place.client.get("/account").status_code == 200
    assert 'href="/studio"' not in place.client.get("/children").text
    assert teacher_id


def test_a_studio_never_loses_its_last_owner(place: Place, seeded: Seeded) -> None:
    own = f"/studio/teachers/{seeded.teacher_id}"
    assert post(place, f"{own}/role", seeded, role=TEACHER).status_code == 409
    assert post(place, f"{own}/remove", seeded).status_code == 409
    other, _ = second_teacher(place, seeded)
    assert post(place, f"{own}/remove", seeded).status_code == 409
    assert post(place, f"/studio/teachers/{other}/role", seeded, role=OWNER).status_code == 303
    assert post(place, f"{own}/role", seeded, role=TEACHER).headers["location"] == "/account"
    assert place.client.get("/studio").status_code == 403


def test_a_removed_teacher_is_out_at_once_and_what_was_measured_stays(place: Place, seeded: Seeded) -> None:
    other, session = second_teacher(place, seeded, OWNER)
    with place.house.store.for_studio(seeded.studio_id) as records:
        for arm in records.scalars(select(ArmRecord)):
            arm.teacher_id = other
        arms = len(records.scalars(select(ArmRecord)).all())
    link = re.search(r"/welcome/[\w-]+", post(place, "/studio/invite", seeded).text)
    assert post(place, f"/studio/teachers/{other}/remove", seeded).status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert [arm.teacher_id for arm in records.scalars(select(ArmRecord))] == [None] * arms
        assert arms > 0
    place.client.cookies.clear()
    place.client.cookies.set("scrollreach", session)
    assert place.client.get("/children").status_code == 303
    place.client.cookies.clear()
    assert link is not None
    assert place.client.get(link.group()).status_code == 404, "an open invitation would let the removed one back in"


def test_an_owner_switches_off_the_second_factor_of_a_lost_phone(place: Place, seeded: Seeded) -> None:
    other, _ = second_teacher(place, seeded)
    with place.house.store.for_studio(seeded.studio_id) as records:
        teacher = records.get_one(Teacher, other)
        teacher.factor_key, teacher.factor_since = "x", place.clock.now()
    assert post(place, f"/studio/teachers/{other}/factor-off", seeded).status_code == 303
    with place.house.store.for_studio(seeded.studio_id) as records:
        teacher = records.get_one(Teacher, other)
        assert (teacher.factor_key, teacher.factor_since) == (None, None)
        assert all(each.revoked_at for each in records.scalars(select(SignIn).where(SignIn.teacher_id == other)))
    with changed(place, seeded) as own:
        own.factor_key, own.factor_since = "x", place.clock.now()
    post(place, f"/studio/teachers/{seeded.teacher_id}/factor-off", seeded)
    with changed(place, seeded) as own:
        assert own.factor_since is not None, "one's own asks for the password"


@pytest.mark.parametrize(
    "password",
    # of the lists that breaches left behind (the first three in any of them), a keyboard's row, a date, a repetition,
    # a replacement of letters, what is known of the teacher, and what stands on every page
    [
        "password123",
        "1234567890",
        "qwertyuiop",
        "qwertzuiop",
        "01.01.2010",
        "violinviolin",
        "P4$$w0rd1234",
        "linde@example.org",
        "ScrollReach1",
    ],
)
def test_passwords_that_are_tried_first_are_refused(password: str) -> None:
    assert password_fault(password, password, ("Ada Linde", "linde@example.org")) == TRIED_FIRST


@pytest.mark.parametrize(
    "password", [PASSWORD, NEW_PASSWORD, "Die Geige klingt am Fenster", "k7wq0zp2mx", "五把小提琴在窗边唱歌吗"]
)
def test_other_passwords_are_taken(password: str) -> None:
    assert password_fault(password, password, ("Ada Linde", "linde@example.org")) is None
    assert password_fault(password, password + " ", ()) is not None


def test_who_did_what_is_shown_to_owners_and_names_no_child(place: Place, seeded: Seeded) -> None:
    nickname = place.client.get(f"/children/{seeded.child_id}").text
    assert "Mo" in nickname
    place.client.get(f"/children/{seeded.child_id}/export.json")
    post(place, f"/children/{seeded.child_id}/request", seeded, arm="yes")
    post(place, f"/reviews/{seeded.arm_upload_id}/accept", seeded, **as_seen(place.client, seeded.arm_upload_id))
    post(place, f"/verdicts/{seeded.verdict_id}/share", seeded)
    post(place, "/studio/settings", seeded, name="Other")
    post(place, f"/children/{seeded.child_id}/delete", seeded)
    place.client.post("/sign-in", data={"email": seeded.email, "password": "wrong"})
    with place.house.store.for_studio(seeded.studio_id) as records:
        entries = records.scalars(select(AuditEntry).order_by(AuditEntry.at)).all()
        assert {each.action for each in entries} == {
            "child_exported",
            "link_made",
            "measurement_accepted",
            "report_shared",
            "settings_changed",
            "child_deleted",
            "sign_in_refused",
        }
        for each in entries:
            assert each.teacher_id == seeded.teacher_id
            assert each.about_id is None or re.fullmatch("[0-9a-f]{32}", each.about_id)
    shown = place.client.get("/studio/history").text
    assert all(words in shown for words in ("child deleted", "sign-in refused", "Ada Linde", seeded.child_id[:8]))
    assert "linde@example.org" not in shown


def test_history_is_forgotten_after_a_year(place: Place, seeded: Seeded) -> None:
    from service.records.audit import Action, forget_old, note

    with place.house.store.for_studio(seeded.studio_id) as records:
        note(records, seeded.studio_id, Action.EXPORTED, place.clock.now(), seeded.teacher_id)
    place.clock.forward(days=364)
    with place.house.store.whole_house() as session:
        forget_old(session, place.clock.now())
        assert len(session.scalars(select(AuditEntry)).all()) == 1
    place.clock.forward(days=2)
    with place.house.store.whole_house() as session:
        forget_old(session, place.clock.now())
        assert session.scalars(select(AuditEntry)).all() == []


def test_new_codes_replace_the_former_ones(place: Place, seeded: Seeded) -> None:
    for _ in range(2):
        post(place, "/account/codes", seeded, password=PASSWORD)
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert len(records.scalars(select(RecoveryCode)).all()) == 8
