"""The shelf over HTTP: kept, listed, changed in bulk, done once, lent, and held against an arm."""

from __future__ import annotations

import csv
import io
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from service.api.callers import Scope
from service.records import stock
from service.records.tables import Child
from tests.service.conftest import Place
from tests.service.seeding import Seeded, seed
from tests.service.web.test_keys import bearer, made_key

SHELF = "/api/v1/shelf"
NEW = {"name": "Shelf 20", "label": "1/8", "body_length": "255±2", "total_length": "421±3"}
HEADS = "name,label,body_length,total_length\n"


@dataclass
class Till:
    """A shop's program with a key."""

    place: Place
    seeded: Seeded
    key: str

    def ask(self, method: str, path: str, once: str | None = None, **how: Any) -> Any:
        headers = bearer(self.key) | ({"Idempotency-Key": once} if once else {}) | how.pop("headers", {})
        return self.place.client.request(method, path, headers=headers, **how)

    def table(self, text: str | bytes, **query: Any) -> Any:
        return self.ask("POST", f"{SHELF}.csv", content=text, params=query, headers={"content-type": "text/csv"})

    def names(self) -> list[str]:
        return [each["name"] for each in self.ask("GET", SHELF).json()["items"]]


def open_till(place: Place, name: str = "Studio Linde", scopes: list[Scope] | None = None) -> Till:
    seeded = seed(place.house, name)
    return Till(place, seeded, made_key(place, seeded, 5000, list(Scope) if scopes is None else scopes))


@pytest.fixture
def till(open_place: Callable[..., Place]) -> Till:
    return open_till(open_place(open_interface="off"))


def test_an_instrument_is_put_on_the_shelf_changed_and_taken_off(till: Till) -> None:
    made = till.ask("POST", SHELF, json=NEW)
    assert made.status_code == 201
    address = made.headers["location"]
    own = till.ask("GET", address).json()
    assert own == made.json()
    assert own["body_length"]["value_mm"] == 255
    assert own["body_length"]["high_mm"] == pytest.approx(257, abs=0.02)
    changed = till.ask("PUT", address, json=NEW | {"label": "1/10", "pegs_hold": False, "total_length": None})
    assert (changed.json()["label"], changed.json()["pegs_hold"]) == ("1/10", False)
    assert changed.json()["total_length"] is None
    assert till.ask("DELETE", address).status_code == 204
    assert till.ask("GET", address).status_code == till.ask("DELETE", address).status_code == 404


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"body_length": "12"}, "too short"),
        ({"body_length": None, "total_length": None}, "Measure one"),
        ({"body_length": "255", "total_length": "700"}, ""),
        ({"label": "Viola 3/4"}, "no violin"),
        ({"name": ""}, "name"),
        ({"name": " \u00a0 "}, "name"),
        ({"label": "an eighth or rather a tenth"}, "label"),
        ({"name": "a\u0000b"}, "name"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_what_is_wrong_with_an_instrument_is_said(till: Till, wrong: dict[str, Any], word: str) -> None:
    before = till.names()
    refused = till.ask("POST", SHELF, json=NEW | wrong)
    assert refused.status_code == 422
    assert word in refused.json()["detail"]
    assert till.names() == before


def test_pages_lose_and_double_nothing_while_the_shelf_changes(till: Till) -> None:
    for number in range(7):
        till.ask("POST", SHELF, json=NEW | {"name": f"Row {number % 3}"})  # names that are there several times
    expected = [each["id"] for each in till.ask("GET", SHELF).json()["items"]]
    seen: list[str] = []
    query: dict[str, Any] = {"limit": 2}
    while True:
        page = till.ask("GET", SHELF, params=query).json()
        seen += [each["id"] for each in page["items"]]
        if page["next_cursor"] is None:
            break
        query["cursor"] = page["next_cursor"]
        till.ask("POST", SHELF, json=NEW | {"name": "A before all"})
    assert seen == expected
    for cursor in ("x", "bm90IG91cnM", "W10", "WyJhIiwgMV0", "é"):
        assert till.ask("GET", SHELF, params={"cursor": cursor}).status_code == 422


def test_the_same_request_sent_twice_is_done_once(till: Till) -> None:
    before = len(till.names())
    first = till.ask("POST", SHELF, once="morning-1", json=NEW)
    again = till.ask("POST", SHELF, once="morning-1", json=NEW)
    assert (again.status_code, again.json()) == (201, first.json())
    assert again.headers["location"] == first.headers["location"]
    assert again.headers["idempotency-replayed"] == "true"
    assert len(till.names()) == before + 1
    # the same key for something else: draft-ietf-httpapi-idempotency-key-header-07, section 2.7
    other = till.ask("POST", SHELF, once="morning-1", json=NEW | {"name": "Shelf 21"})
    assert other.status_code == 422
    till.place.clock.forward(hours=25)
    assert till.ask("POST", SHELF, once="morning-1", json=NEW).json()["id"] != first.json()["id"]


def test_what_was_refused_may_be_tried_again_with_the_same_key(till: Till) -> None:
    wrong = till.ask("POST", SHELF, once="k", json=NEW | {"body_length": "12"})
    assert wrong.status_code == 422
    assert till.ask("POST", SHELF, once="k", json=NEW).status_code == 201


def test_the_same_request_at_the_same_moment_is_done_once(till: Till) -> None:
    before = len(till.names())
    answers: list[Any] = []
    threads = [
        threading.Thread(target=lambda: answers.append(till.ask("POST", SHELF, once="both", json=NEW)))
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {each.status_code for each in answers} <= {201, 409, 503}
    made = {each.json()["id"] for each in answers if each.status_code == 201}
    assert len(made) == 1
    assert len(till.names()) == before + 1


def test_one_key_does_not_hear_what_another_was_answered(till: Till) -> None:
    till.ask("POST", SHELF, once="same", json=NEW)
    second = Till(till.place, till.seeded, made_key(till.place, till.seeded, 100, list(Scope)))
    assert "idempotency-replayed" not in second.ask("POST", SHELF, once="same", json=NEW).headers


def test_studios_are_kept_apart(till: Till) -> None:
    other = open_till(till.place, "Studio Ahorn")
    mine = till.ask("POST", SHELF, json=NEW).json()["id"]
    assert mine not in {each["id"] for each in other.ask("GET", SHELF).json()["items"]}
    for method, path, body in (
        ("GET", f"{SHELF}/{mine}", None),
        ("PUT", f"{SHELF}/{mine}", NEW),
        ("DELETE", f"{SHELF}/{mine}", None),
        ("POST", f"{SHELF}/{mine}/loans", {"borrower": "X"}),
        ("POST", f"{SHELF}/{mine}/fits", {"arm_length": "450±6"}),
    ):
        assert other.ask(method, path, json=body).status_code == 404
    refused = other.table(f"id,name,body_length\n{mine},Taken,255\n")
    assert refused.json()["errors"][0]["column"] == "id"
    assert till.ask("GET", f"{SHELF}/{mine}").json()["name"] == "Shelf 20"


def test_an_instrument_of_a_family_is_not_on_the_shelf(till: Till) -> None:
    own = till.seeded.instrument_id
    assert till.ask("GET", f"{SHELF}/{own}").status_code == 404
    assert "Blue case" not in till.ask("GET", f"{SHELF}.csv").text


def test_a_stranger_has_no_shelf_where_the_interface_is_open(place: Place) -> None:
    assert place.client.get(SHELF).status_code == 401
    assert place.client.post(SHELF, json=NEW, headers={"Idempotency-Key": "a"}).status_code == 401


def test_reading_does_not_allow_writing(open_place: Callable[..., Place]) -> None:
    till = open_till(open_place(open_interface="off"), scopes=[Scope.SHELF_READ])
    assert till.ask("GET", SHELF).status_code == 200
    assert till.ask("POST", SHELF, json=NEW).status_code == 403
    assert till.table(HEADS + "A,1/8,255,421\n").status_code == 403


def test_the_table_goes_out_and_comes_in_unchanged(till: Till) -> None:
    till.ask("POST", SHELF, json=NEW | {"name": " Shelf 41 ", "remarks": " cracked "})  # a table keeps no space around
    till.ask("POST", SHELF, json=NEW | {"name": "=2+3", "remarks": "a “,” and a ; in it", "pegs_hold": False})
    table = till.ask("GET", f"{SHELF}.csv").text
    rows = list(csv.DictReader(io.StringIO(table)))
    assert next(row for row in rows if "2+3" in row["name"])["name"] == "'=2+3"  # no formula in a spreadsheet
    before = till.ask("GET", SHELF).json()
    back = till.table(table)
    assert (back.json()["added"], back.json()["changed"]) == (0, 0)
    assert back.json()["unchanged"] == len(rows) == len(before["items"])
    assert till.ask("GET", SHELF).json() == before  # budgets and all


def test_a_table_is_looked_at_before_it_is_taken_over(till: Till) -> None:
    table = HEADS + "Shelf 12,1/10,231.0,384\nShelf 30,1/4,280±2,463±3\n"
    before = till.ask("GET", SHELF).json()
    seen = till.table(table, dry_run=True).json()
    assert (seen["applied"], seen["added"], seen["changed"]) == (False, 1, 1)
    cells = {cell["column"]: (cell["before"], cell["after"]) for cell in seen["changes"][0]["cells"]}
    assert set(cells) == {"body_length", "total_length"}
    assert cells["body_length"][0] == "231.0±1.8"  # 1.96 of the 0.9 mm that the photo gave
    assert till.ask("GET", SHELF).json() == before
    done = till.table(table).json()
    assert done == seen | {"applied": True}
    after = {each["name"]: each for each in till.ask("GET", SHELF).json()["items"]}
    assert set(after) == {"Shelf 12", "Shelf 14", "Shelf 30"}
    assert after["Shelf 12"]["pegs_hold"] is True  # a column that was left out
    assert after["Shelf 12"]["measured_by"] == "typed"
    assert after["Shelf 14"]["measured_by"] == "photo"


def test_every_bad_row_is_named_and_nothing_is_taken_over(till: Till) -> None:
    rows = [
        "Good,1/8,255±2,421±3",
        "",
        "Short,1/8,12,421",
        ",1/8,255,421",
        "Good,1/8,255,421",
        "Nothing,1/8,,",
        "Long,an eighth or rather a tenth,255,421",
        "Many,1/8,255,421,more",
    ]
    before = till.names()
    refused = till.table(HEADS + "\n".join(rows))
    assert refused.status_code == 422
    named = [(each["row"], each["column"]) for each in refused.json()["errors"]]
    # rows as a spreadsheet counts them: the heads are row 1, and an empty row counts
    assert named == [(4, "body_length"), (5, "name"), (6, "name"), (7, "body_length"), (8, "label"), (9, "")]
    assert till.names() == before
    german = till.table(HEADS + rows[3], language="de").json()["errors"][0]["message"]
    assert german == "Bitte geben Sie dem Instrument einen Namen oder eine Regalnummer."


@pytest.mark.parametrize(
    ("table", "where"),
    [
        ("", (1, "")),
        ("name,body_length\n", (1, "")),
        ("label,body_length\n1/8,255\n", (1, "name")),
        ("name,body_lenght\nA,255\n", (1, "body_lenght")),
        ("name,name,body_length\nA,B,255\n", (1, "name")),
        ("name,body_length,pegs_hold\nA,255,perhaps\n", (2, "pegs_hold")),
        ("id,name,body_length\nnobody,A,255\n", (2, "id")),
        (HEADS + "A,1/8,255,421\nB,01. Aug,255,421\n", (3, "label")),
        (HEADS + "A,1/8,255,421\nB,Viola,335,555\n", (3, "label")),
        ('name,body_length\n"' + "x" * 200_000 + '",255\n', (1, "")),
        (HEADS + "A,1/8," + "9" * 5000 + ",421\n", (2, "body_length")),
    ],
)
def test_odd_tables(till: Till, table: str, where: tuple[int, str]) -> None:
    refused = till.table(table)
    assert refused.status_code == 422
    first = refused.json()["errors"][0]
    assert (first["row"], first["column"]) == where
    named = f"Row {where[0]}, {where[1]}: " if where[1] else f"Row {where[0]}: "
    assert refused.json()["detail"].startswith(f"Nothing was changed. {named}")


def test_what_is_wrong_with_a_table_is_said_in_one_language(till: Till) -> None:
    said = till.table("name,body_length\nShelf 1,12\n", language="de").json()["detail"]
    assert said.startswith("Nichts wurde geändert. Zeile 2, body_length: ")
    assert till.table(b"name\n\xff\xfe\n", language="de").json()["detail"].startswith("Die Tabelle ist nicht in UTF-8")


def test_tables_as_spreadsheets_of_other_places_write_them(till: Till) -> None:
    assert till.table("\ufeffname;label;body_length\nSemi;1/8;25,5 cm\n").json()["added"] == 1
    assert till.table("name\tbody_length\r\nTab\t255\r\n").json()["added"] == 1
    assert till.table("name,body_length\nÄ,255\n".encode("cp1252")).status_code == 422
    touched = "Name,Label, Body length ,Total-length,,\nEdge,1/8,255,421,,\n,,,,,\n"
    assert till.table(touched).json()["added"] == 1
    titled = till.table("Shelf 2031,,,\nname,label,body_length\nTitled,1/8,255\n").json()["errors"]
    assert [(each["row"], each["column"]) for each in titled] == [(1, "name")]
    own = {each["name"]: each for each in till.ask("GET", SHELF).json()["items"]}
    assert own["Semi"]["body_length"]["value_mm"] == 255
    assert own["Edge"]["total_length"]["value_mm"] == 421


def test_two_of_one_name_are_told_apart_by_their_id(till: Till) -> None:
    twins = [till.ask("POST", SHELF, json=NEW).json()["id"] for _ in range(2)]
    vague = till.table(HEADS + "Shelf 20,1/4,280,463\n")
    assert [(each["row"], each["column"]) for each in vague.json()["errors"]] == [(2, "name")]
    told = till.table(f"id,name,label\n{twins[1]},Shelf 20,1/16\n")
    assert told.json()["changed"] == 1
    assert [till.ask("GET", f"{SHELF}/{each}").json()["label"] for each in twins] == ["1/8", "1/16"]


def test_a_whole_shops_shelf_comes_in_at_once(till: Till) -> None:
    rows = (f"Row {number},1/8,255±2,421±3\n" for number in range(stock.MOST_ROWS))
    assert till.table(HEADS + "".join(rows)).json()["added"] == stock.MOST_ROWS
    ranked = till.ask("POST", "/api/v1/shelf-fits", json={"arm_length": "450±6", "first": 3}).json()
    assert len(ranked["instruments"]) == 3


def test_what_is_lent_out_is_not_offered_until_it_is_back(till: Till) -> None:
    own = till.seeded.shelf_id
    arm = {"arm_length": "410±6"}

    def offered() -> set[str]:
        found = till.ask("POST", "/api/v1/shelf-fits", json=arm).json()["instruments"]
        return {each["instrument"]["id"] for each in found}

    assert own in offered()
    assert till.ask("POST", f"{SHELF}/{own}/loans", json={"borrower": "118", "due_on": "2031-09-01"}).status_code == 201
    assert own not in offered()
    twice = till.ask("POST", f"{SHELF}/{own}/loans", json={"borrower": "119"})
    assert twice.status_code == 422
    assert "lent out already" in twice.json()["detail"]
    lent = till.ask("POST", "/api/v1/shelf-fits", json=arm | {"lent": True}).json()["instruments"]
    assert next(each for each in lent if each["instrument"]["id"] == own)["instrument"]["loan"]["borrower"] == "118"
    assert till.ask("POST", f"{SHELF}/{own}/returns").json()["returned_on"] == "2031-05-12"
    assert own in offered()
    assert till.ask("POST", f"{SHELF}/{own}/returns").status_code == 422
    past = till.ask("POST", f"{SHELF}/{own}/loans", json={"borrower": "120", "due_on": "2031-01-01"})
    assert past.status_code == 422


def test_the_counter_and_the_single_verdict_say_the_same(till: Till) -> None:
    for number, body in enumerate((215, 231, 243, 256, 262, 280, 300)):
        till.ask("POST", SHELF, json={"name": f"Of {number}", "body_length": f"{body}±2"})
    heaps = set()
    for arm in ("405±6", "436±8", "455±25"):
        found = till.ask("POST", "/api/v1/shelf-fits", json={"arm_length": arm}).json()["instruments"]
        for each in found:
            own = each["instrument"]["id"]
            alone = till.ask("POST", f"{SHELF}/{own}/fits", json={"arm_length": arm}).json()
            assert (each["decision"], each["action"]) == (alone["decision"], alone["action"])
            assert (each["headline"], each["to_do"]) == (alone["headline"], alone["to_do"])
            heaps.add((each["heap"], each["action"]))
            small = each["probabilities"]["too_small"]
            assert each["heap"] != "suits" or small <= max(each["probabilities"].values()) != small
    assert {"suits", "too_small", "too_large"} <= {heap for heap, _ in heaps}
    for heap, action in heaps:
        if action in ("take", "try"):
            assert heap in ("suits", "stretch", "small")
        if action in ("larger", "smaller"):
            assert heap in {"larger": ("too_small",), "smaller": ("too_large", "stretch")}[action]


def test_a_deleted_instrument_leaves_no_loan_behind(till: Till) -> None:
    own = till.ask("POST", SHELF, json=NEW).json()["id"]
    till.ask("POST", f"{SHELF}/{own}/loans", json={"borrower": "118"})
    till.ask("DELETE", f"{SHELF}/{own}")
    with till.place.house.store.for_studio(till.seeded.studio_id) as records:
        from service.records.shop_tables import Loan

        assert records.query(Loan).all() == []
        assert records.query(Child).count() == 2


def test_a_table_says_what_is_lent_and_takes_no_loan_back(till: Till) -> None:
    own = till.seeded.shelf_id
    till.ask("POST", f"{SHELF}/{own}/loans", json={"borrower": "118"})
    table = till.ask("GET", f"{SHELF}.csv").text
    rows = {row["id"]: row["lent"] for row in csv.DictReader(io.StringIO(table))}
    assert rows[own] == "yes"
    assert sorted(rows.values()) == ["", "yes"]
    till.ask("POST", f"{SHELF}/{own}/returns")
    assert till.table(table).json()["changed"] == 0
    assert till.ask("GET", f"{SHELF}/{own}").json()["loan"] is None


def test_what_is_cracked_suits_nobody_until_it_is_whole(till: Till) -> None:
    arm = {"arm_length": "450±4"}
    own = till.ask("POST", SHELF, json={"name": "Cracked", "body_length": "255±2", "whole": False}).json()["id"]
    order = till.ask("POST", "/api/v1/open-orders", json=arm | {"reference": "1"}).json()
    found = till.ask("POST", "/api/v1/shelf-fits", json=arm).json()["instruments"]
    (each,) = [each for each in found if each["instrument"]["id"] == own]
    assert (each["heap"], each["action"]) == ("open", "repair")
    assert own not in order["suiting"]
    till.ask("PUT", f"{SHELF}/{own}", json={"name": "Mended", "body_length": "255±2", "whole": True})
    assert own in till.ask("POST", "/api/v1/open-orders", json=arm | {"reference": "2"}).json()["suiting"]


def test_what_a_child_plays_is_offered_to_nobody_else(till: Till) -> None:
    """Though nobody noted a loan: pages and programs say the same of it."""
    own, arm = till.seeded.shelf_id, {"arm_length": "410±6"}
    with till.place.house.store.for_studio(till.seeded.studio_id) as records:
        records.get_one(Child, till.seeded.child_id).instrument_id = own
    found = till.ask("POST", "/api/v1/shelf-fits", json=arm).json()["instruments"]
    assert own not in {each["instrument"]["id"] for each in found}
    everything = till.ask("POST", "/api/v1/shelf-fits", json=arm | {"lent": True}).json()["instruments"]
    assert {each["instrument"]["id"]: each["instrument"]["in_use"] for each in everything}[own]
    assert till.ask("GET", f"{SHELF}/{own}").json()["in_use"]
    assert own not in till.ask("POST", "/api/v1/open-orders", json=arm | {"reference": "1"}).json()["suiting"]
