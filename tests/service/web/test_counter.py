"""The counter's pages: an arm against the shelf, loans, labels, the order slip, the table with its preview."""

from __future__ import annotations

import io
import re
import time
from datetime import date
from typing import Any
from urllib.parse import quote

import cv2
import numpy as np
import pypdfium2
import pytest
from pypdf import PdfReader
from sqlalchemy import select

from calibration.quantity import length_json
from service.fit.counter import Heap
from service.fit.lengths import parse_length
from service.records.deciding import arm_length, latest_arm, verdict_for
from service.records.shelf import against
from service.records.shop_tables import Loan
from service.records.tables import Child, Instrument, SignsRecord
from service.web.gate.guard import FAMILY
from service.web.teacher.counter import SHOWN
from tests.service.conftest import Place
from tests.service.seeding import NOW, Seeded, instrument_result, seed

FULL_SHELF = (209, 218, 224, 231, 237, 243, 249, 256, 262, 270, 281, 300)


@pytest.fixture
def seeded(place: Place) -> Seeded:
    found = seed(place.house)
    place.client.cookies.set("scrollreach", found.session)
    return found


def send(place: Place, seeded: Seeded, path: str, files: Any = None, **fields: str) -> Any:
    fields["form_token"] = place.house.signer.form_token(seeded.sign_in_id)
    return place.client.post(path, data=fields, files=files)


def fill_shelf(place: Place, seeded: Seeded) -> None:
    with place.house.store.for_studio(seeded.studio_id) as records:
        for body in FULL_SHELF:
            lengths = {k: v for k, v in instrument_result(float(body)).items() if k in ("body_length", "total_length")}
            records.add(
                Instrument(
                    studio_id=seeded.studio_id,
                    name=f"Of {body}",
                    label=None,
                    child_id=None,
                    lengths=lengths,
                    automatic=None,
                    measured_on=NOW.date(),
                    measured_by="typed",
                    notes={},
                    program_version="0.1.0",
                )
            )


def test_an_arm_is_taken_as_typed_by_child_or_by_its_familys_link(place: Place, seeded: Seeded) -> None:
    child = f"/counter/children/{seeded.child_id}"
    for fields, target in (
        ({"arm": "450±6"}, "/counter/arms/450%C2%B16"),
        ({"arm": "17 1/2 in"}, "/counter/arms/17%201%E2%81%842%20in"),
        ({"child_id": seeded.child_id}, child),
        ({"link": f"https://fit.example/f/{seeded.family}"}, child),
        ({"link": f"https://fit.example/f/{seeded.family}/arm?language=de"}, child),
        ({"link": f"http://127.0.0.1:8000/r/{seeded.report}"}, child),
    ):
        taken = send(place, seeded, "/counter", **fields)
        assert (taken.status_code, taken.headers.get("location")) == (303, target), fields
        assert place.client.get(target).status_code == 200
    assert "444" in place.client.get("/counter/arms/17%201%E2%81%842%20in").text  # 17.5 in of 25.4 mm


def test_an_arm_that_is_none_is_refused_in_words(place: Place, seeded: Seeded) -> None:
    other = seed(place.house, "Studio Ahorn")
    with place.house.store.for_studio(seeded.studio_id) as records:
        bare = records.scalars(select(Child).where(Child.nickname == "Juno")).one()
    for fields, words in (
        ({}, "Type how long the arm is"),
        ({"arm": "apples"}, "is not a length"),
        ({"arm": "45"}, "too short"),
        ({"child_id": bare.id}, "No arm of Juno has been accepted yet"),
        ({"link": f"https://fit.example/f/{other.family}"}, "not one of this studio"),
        ({"link": f"https://fit.example/f/{place.house.signer.token(FAMILY, 'f' * 32)}"}, "not one of this studio"),
        ({"link": "https://[::1/f/x"}, "not one of this studio"),
    ):
        refused = send(place, seeded, "/counter", **fields)
        assert refused.status_code == 422, fields
        assert words in refused.text.replace("&#39;", "'"), fields
    for path in ("/counter/arms/nonsense", "/counter/arms/" + "9" * 50, f"/counter/children/{other.child_id}"):
        assert place.client.get(path).status_code == 404


def test_every_instrument_lies_on_one_heap_with_the_reason_of_the_one_judgement(place: Place, seeded: Seeded) -> None:
    fill_shelf(place, seeded)
    shown = place.client.get(f"/counter/children/{seeded.child_id}").text
    with place.house.store.for_studio(seeded.studio_id) as records:
        child = records.get_one(Child, seeded.child_id)
        record = latest_arm(records, child.id)
        assert record is not None
        found = against(records, arm_length(record), child=child)
        assert {each.instrument.name for each in found} == {"Shelf 12", "Shelf 14", *(f"Of {n}" for n in FULL_SHELF)}
        assert {Heap.SUITS, Heap.TOO_SMALL, Heap.TOO_LARGE} <= {each.heap for each in found}
        for each in found:
            alone = verdict_for(records, child, arm_length(record), each.instrument)
            assert each.verdict is not None
            assert (each.verdict.action, each.verdict.decision) == (alone.action, alone.decision)
            assert each.verdict.probabilities == alone.probabilities
            assert (each.ranked.action, each.ranked.decision) == (alone.action, alone.decision)
    order = [(match[1], match[2]) for match in re.finditer(r'data-heap="(\w+)">.*?>(Of \d+|Shelf \d+)</a>', shown)]
    assert len(order) == len({name for _, name in order})
    heaps = {each.instrument.name: each.heap.value for each in found}
    assert all(heaps[name] == heap for heap, name in order)
    first_of_each = list(dict.fromkeys(heap for heap, _ in order))
    assert first_of_each == [each.value for each in SHOWN if each.value in first_of_each]
    assert "Blue case" not in shown, "the family's own is not on the shelf"


def test_the_first_on_the_counter_is_the_first_of_the_ranking(place: Place, seeded: Seeded) -> None:
    """An arm for which a smaller one can be taken at once, and the larger one asks to be measured first."""
    with place.house.store.for_studio(seeded.studio_id) as records:
        shelf = list(records.scalars(select(Instrument).where(Instrument.child_id.is_(None))))
        for own, (body, total) in zip(shelf, ((280, 463), (310, 512)), strict=True):
            own.lengths = {
                f"{kind}_length": length_json(parse_length(f"{mm}±2", kind))
                for kind, mm in (("body", body), ("total", total))
            }
            own.notes = {}
        found = against(records, parse_length("518±20", "arm"))
    shown = place.client.get(f"/counter/arms/{quote('518±20')}").text
    assert [each.heap for each in found] == [Heap.SMALL, Heap.OPEN]
    assert re.findall(r'data-heap="(\w+)"', shown) == ["small", "open"]


@pytest.mark.parametrize(("arm", "heap", "note"), [("466±4", "stretch", True), ("474±14", "open", False)])
def test_that_nothing_suits_is_said_where_it_is_known(
    place: Place, seeded: Seeded, arm: str, heap: str, note: bool
) -> None:
    """A quarter alone: a stretch for which a smaller one is to be taken, and one of which measuring will tell."""
    with place.house.store.for_studio(seeded.studio_id) as records:
        for each in records.scalars(select(Instrument).where(Instrument.child_id.is_(None))):
            each.lengths = {"body_length": length_json(parse_length("280±2", "body"))}
    shown = place.client.get(f"/counter/arms/{quote(arm)}").text
    assert set(re.findall(r'data-heap="(\w+)"', shown)) == {heap}
    assert ("Nothing on the shelf suits." in shown) == note


def test_what_was_seen_while_playing_counts_at_the_counter_too(place: Place, seeded: Seeded) -> None:
    fill_shelf(place, seeded)
    with place.house.store.for_studio(seeded.studio_id) as records:
        child = records.get_one(Child, seeded.child_id)
        record = latest_arm(records, child.id)
        assert record is not None
        before = [each.ranked.cost_days for each in against(records, arm_length(record), child=child)]
        for each in records.scalars(select(SignsRecord)):
            each.answers = {"wrist_free": False, "fingers_easy": False}
        records.flush()
        after = [each.ranked.cost_days for each in against(records, arm_length(record), child=child)]
        assert before != after


def test_a_loan_goes_out_and_comes_back(place: Place, seeded: Seeded) -> None:
    own = seeded.shelf_id
    assert send(place, seeded, "/counter/lend", instrument_id=own, borrower="").status_code == 422
    assert (
        send(place, seeded, "/counter/lend", instrument_id=own, borrower="Mo", due_on="2031-04-01").status_code == 422
    )
    lent = send(place, seeded, "/counter/lend", instrument_id=own, borrower="Mo", due_on="2031-06-01")
    assert re.fullmatch(r"/counter\?done=\w+#lent", lent.headers["location"])
    shown = place.client.get("/counter").text
    assert "On the shelf: 1. Lent out: 1." in shown
    assert "back on 1 Jun 2031" in shown.replace("\u00a0", " ")
    assert "lent out already" in send(place, seeded, "/counter/lend", instrument_id=own, borrower="Juno").text
    assert "Shelf 12" not in place.client.get("/counter/arms/410±6").text
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.scalars(select(Loan)).one().due_on = date(2031, 5, 11)
    assert "was due on" in place.client.get("/counter").text
    for _ in range(2):  # sent twice
        assert send(place, seeded, "/counter/return", instrument_id=own).status_code == 303
    assert "Nothing is lent out." in place.client.get("/counter").text
    with place.house.store.for_studio(seeded.studio_id) as records:
        assert [each.returned_on is not None for each in records.scalars(select(Loan))] == [True]


def test_today_is_the_day_of_where_the_service_stands(
    place: Place, seeded: Seeded, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What goes out on the evening of the 11th and is to be back that day is not late, though it is the 12th in UTC."""
    place.clock.moment = NOW.replace(hour=2)
    try:
        monkeypatch.setenv("TZ", "PST8")
        time.tzset()
        form = {"instrument_id": seeded.shelf_id, "borrower": "Mo", "due_on": "2031-05-11"}
        assert send(place, seeded, "/counter/lend", **form).status_code == 303
        with place.house.store.for_studio(seeded.studio_id) as records:
            assert records.scalars(select(Loan.lent_on)).one() == date(2031, 5, 11)
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_loan_noted_by_mistake_is_undone(place: Place, seeded: Seeded) -> None:
    lent = send(place, seeded, "/counter/lend", instrument_id=seeded.shelf_id, borrower="Mo").headers["location"]
    deed = re.findall(r"done=(\w+)", lent)[0]
    assert "Instrument lent out." in place.client.get(f"/counter?done={deed}").text
    send(place, seeded, f"/deeds/{deed}/undo", back="/counter")
    assert "Nothing is lent out." in place.client.get("/counter").text
    send(place, seeded, "/counter/lend", instrument_id=seeded.shelf_id, borrower="Mo")
    back = send(place, seeded, "/counter/return", instrument_id=seeded.shelf_id).headers["location"]
    send(place, seeded, f"/deeds/{re.findall(r'done=(.*)#', back)[0]}/undo", back="/counter")
    assert "Lent out: 1." in place.client.get("/counter").text


def test_labels_carry_the_lengths_and_a_code_that_opens_the_page(place: Place, seeded: Seeded) -> None:
    one = place.client.get("/counter/labels.pdf", params={"own": seeded.shelf_id})
    words = PdfReader(io.BytesIO(one.content)).pages[0].extract_text().replace("\u00a0", " ")
    for said in ("Shelf 12", "sold as 1/10", "231.0 ± 1.8 mm", "381.8 ± 3.1 mm", "Studio Linde", "12 May 2031"):
        assert said in words, (said, words)
    assert "Shelf 14" not in words
    page = pypdfium2.PdfDocument(one.content)[0]
    pictures = [np.ascontiguousarray(page.render(scale=scale).to_numpy()[..., :3]) for scale in (3, 4, 5, 6)]
    readers = cv2.QRCodeDetector(), cv2.QRCodeDetectorAruco()  # neither reads every size of every code
    links = {reader.detectAndDecode(each)[0] for reader in readers for each in pictures}
    assert {link.partition("/instruments/")[2] for link in links if link} == {seeded.shelf_id}


def test_labels_fill_sheets_of_eight(place: Place, seeded: Seeded) -> None:
    fill_shelf(place, seeded)
    for paper, size in (("a4", (595, 842)), ("letter", (612, 792))):  # ISO 216, ANSI/ASME Y14.1, in points
        whole = PdfReader(io.BytesIO(place.client.get("/counter/labels.pdf", params={"paper": paper}).content))
        assert len(whole.pages) == 2  # fourteen instruments
        assert tuple(round(float(each)) for each in whole.pages[0].mediabox[2:]) == size
    other = seed(place.house, "Studio Ahorn")
    foreign = place.client.get("/counter/labels.pdf", params={"own": other.shelf_id})
    assert foreign.status_code == 404


def test_the_slip_says_what_the_childs_page_says_without_its_name(place: Place, seeded: Seeded) -> None:
    slip = place.client.get(f"/counter/children/{seeded.child_id}/slip").text
    page = place.client.get(f"/children/{seeded.child_id}").text
    wanted = re.search(r'class="wanted">(.*?)</p>', slip)
    assert wanted is not None
    assert wanted[1] in page
    assert ">Mo<" not in slip
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.query(SignsRecord).update({"answers": {"painless": False}})
    nothing = place.client.get(f"/counter/children/{seeded.child_id}/slip").text
    assert "Order nothing yet" in nothing
    assert "growth is allowed for" not in nothing, "there is nothing for which it was"
    assert "Measured by the shop" in place.client.get("/counter/arms/450±6/slip").text
    assert place.client.get("/counter/arms/250±6/slip").status_code == 200


def test_a_table_is_shown_before_it_is_taken_over(place: Place, seeded: Seeded) -> None:
    def send_file(text: bytes) -> Any:
        return send(place, seeded, "/counter/table", files={"table": ("shelf.csv", text, "text/csv")})

    table = place.client.get("/counter/shelf.csv").content
    same = send_file(table)
    assert "New: 0. Changed: 0. As they are: 2." in same.text
    assert "Take it over" not in same.text
    seen = send_file(table.replace(b"1/10", b"1/8") + "New one,,,255\n".replace(",,,", ",1/8,", 1).encode())
    assert seen.status_code == 422  # the table's columns begin with the id
    assert "No instrument on the shelf has this id" in seen.text
    text = "name,label,body_length\nShelf 12,1/8,231.0±1.8\nNew one,1/8,255\n"
    seen = send_file(text.encode())
    assert "New: 1. Changed: 1. As they are: 0." in seen.text
    assert "New one" not in place.client.get("/instruments").text
    mark = re.search(r'name="seen" value="(\w+)"', seen.text)
    assert mark is not None
    with place.house.store.for_studio(seeded.studio_id) as records:
        records.get_one(Instrument, seeded.shelf_id).label = "1/16"
    stale = send(place, seeded, "/counter/table", table=text, seen=mark[1])
    assert "The shelf has changed since you looked" in stale.text
    mark = re.search(r'name="seen" value="(\w+)"', stale.text)
    assert mark is not None
    taken = send(place, seeded, "/counter/table", table=text, seen=mark[1]).headers["location"]
    assert taken.startswith("/instruments?done=")
    assert "New one" in place.client.get("/instruments").text
    undone = send(place, seeded, f"/deeds/{taken.partition('=')[2]}/undo", back="/instruments")
    assert undone.headers["location"] == "/instruments"
    shelf = place.client.get("/counter/shelf.csv").text
    assert "New one" not in shelf
    assert "Shelf 12,1/16,231.0±1.8" in shelf
    for wrong, words in (
        (b"", "choose a table"),
        ("name,body_length\nÄ,255\n".encode("cp1252"), "UTF-8"),
        (b"name\n<b>Bold</b>\n", "Measure one"),
    ):
        refused = send_file(wrong)
        assert refused.status_code == 422
        assert words in refused.text
        assert "<b>Bold" not in refused.text
