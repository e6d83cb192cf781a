"""The page of orders that programs keep open: what stands there, and how one is deleted and brought back."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from sqlalchemy import select

from service.records.shop_tables import OpenOrder
from service.records.tables import ApiKey, Deed
from service.web.teacher.orders import MOST
from tests.service.conftest import Place
from tests.service.seeding import NOW, Seeded, length, seed, with_order
from tests.service.web.test_keys import bearer
from tests.service.web.test_shelf import open_till


@pytest.fixture
def seeded(place: Place) -> Seeded:
    found = with_order(place.house, seed(place.house))
    place.client.cookies.set("scrollreach", found.session)
    return found


def rows(place: Place, search: str = "") -> list[str]:
    shown = place.client.get("/counter/orders", params={"q": search}).text
    return re.findall(r"<tr><th scope=\"row\">.*?</tr>", shown, re.DOTALL)


def keep(place: Place, seeded: Seeded, *references: str, closed: bool = False) -> None:
    with place.house.store.for_studio(seeded.studio_id) as records:
        for number, reference in enumerate(references):
            records.add(
                OpenOrder(
                    studio_id=seeded.studio_id,
                    reference=reference,
                    key_id=None,
                    arm=length(500.0, 3.0),
                    growth_mm=0.0,
                    suiting=["gone"],
                    created_at=NOW - timedelta(days=number),
                    checked_at=None,
                    closed_at=NOW if closed else None,
                )
            )


def test_an_order_says_whose_it_is_since_when_and_what_would_suit(place: Place, seeded: Seeded) -> None:
    assert 'href="/counter/orders"' in place.client.get("/counter").text
    (row,) = rows(place)
    for said in ("2031-118", "448 mm", "442 – 454", "12 mm", "Shelf 12", "3 May 2031", "The till", "revoked"):
        assert said in row.replace("\u00a0", " "), said
    arm = re.findall(r'href="(/counter/arms/[^"]*)"', row)[0]
    assert "448 mm" in place.client.get(arm).text.replace("\u00a0", " ")


def test_an_order_of_a_revoked_key_is_deleted_and_brought_back(place: Place, seeded: Seeded) -> None:
    token = {"form_token": place.house.signer.form_token(seeded.sign_in_id)}
    gone = place.client.post(f"/counter/orders/{seeded.order_id}/delete", data=token)
    assert gone.status_code == 303
    shown = place.client.get(gone.headers["location"]).text
    assert "Open order deleted." in shown
    assert "No program keeps an order open." in shown
    listed = place.client.get("/deeds").text
    assert "2031-118" in listed
    with place.house.store.for_studio(seeded.studio_id) as records:
        deed = records.scalars(select(Deed).where(Deed.what == "order-deleted")).one()
    back = place.client.post(f"/deeds/{deed.id}/undo", data=token | {"back": "/counter/orders"})
    assert back.headers["location"] == "/counter/orders"
    assert "2031-118" in rows(place)[0]
    again = place.client.post("/counter/orders/nothing/delete", data=token)
    assert again.status_code == 404


def test_open_ones_stand_first_and_others_are_found_by_their_reference(place: Place, seeded: Seeded) -> None:
    keep(place, seeded, "older", "oldest")
    keep(place, seeded, "closed one", "100%", closed=True)
    found = [re.findall(r"<bdi[^>]*>(.*?)</bdi>", row)[0] for row in rows(place)]
    assert found == ["older", "oldest", "2031-118", "closed one", "100%"]
    assert "nothing on the shelf" in rows(place, "oldest")[0]
    assert "closed on 12 May 2031" in rows(place, "closed")[0].replace("\u00a0", " ")
    assert len(rows(place, "%")) == 1
    assert "No order has such a reference." in place.client.get("/counter/orders?q=nothing").text
    keep(place, seeded, *(f"many {number}" for number in range(MOST)))
    assert len(rows(place)) == MOST
    assert "5 more are not shown." in place.client.get("/counter/orders").text


def test_an_order_is_kept_with_the_key_that_was_shown(place: Place) -> None:
    till = open_till(place)
    said = {"reference": "2031-200", "arm_length": "450±6"}
    made = place.client.post("/api/v1/open-orders", json=said, headers=bearer(till.key)).json()
    with place.house.store.for_studio(till.seeded.studio_id) as records:
        kept = records.get_one(OpenOrder, made["id"])
        assert kept.key_id is not None
        assert records.get_one(ApiKey, kept.key_id).revoked_at is None


def test_what_is_outgrown_after_the_growth_asked_for_suits_no_open_order_as_it_is_in_no_order(place: Place) -> None:
    """Half outgrown is not yet too small for certain; an order with that growth does not name it either."""
    till = open_till(place)
    body = {"name": "Nearly outgrown", "body_length": "255±2", "total_length": "421±3"}
    own = till.ask("POST", "/api/v1/shelf", json=body).json()["id"]

    def suits(growth_mm: float) -> bool:
        said = {"reference": "1", "arm_length": "458±6", "growth_mm": growth_mm}
        kept = till.ask("POST", "/api/v1/open-orders", json=said).json()["suiting"]
        wanted = till.ask("POST", "/api/v1/orders", json={"arm_length": "458±6", "growth_mm": growth_mm}).json()
        limits = wanted["body_length"]
        assert (own in kept) == (wanted["growth_kept"] and limits["from_mm"] <= 255 <= limits["to_mm"])
        return own in kept

    assert suits(0)
    assert not suits(16)
