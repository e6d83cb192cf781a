"""Links that phones can open, and a certificate of the home network that vouches for nothing else."""

from __future__ import annotations

import ssl
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509

from service.settings import Settings
from service.web import house, reach
from service.web.certificate import SERVICE_DAYS, home_certificate
from service.web.house import own_address
from tests.service.conftest import Place
from tests.service.seeding import seed
from tests.service.web.test_accounts import post


@pytest.mark.parametrize(
    ("address", "where"),
    [
        ("http://127.0.0.1:8000/f/x", "here"),
        ("http://[::1]:8000", "here"),
        ("http://localhost:8000", "here"),
        ("https://192.168.178.20:8000", "network"),
        ("https://[fe80::1]:8000", "network"),
        ("http://desk.local:8000", "network"),
        ("https://fit.example.org", "anywhere"),
        ("http://8.8.8.8", "anywhere"),
    ],
)
def test_from_where_an_address_opens(address: str, where: str) -> None:
    assert reach.reach(address, False).where == where


@pytest.mark.parametrize(
    ("address", "said", "not_said"),
    [
        ("http://127.0.0.1:8000", "no phone can reach it", "Send this link to the family"),
        ("http://192.168.178.20:8000", "in the same Wi-Fi or network", "no phone can reach it"),
        ("https://fit.example.org", "", "SCROLLREACH_PUBLIC_URL"),
    ],
)
def test_every_link_says_from_where_it_opens(
    open_place: Callable[..., Place], address: str, said: str, not_said: str
) -> None:
    place = open_place(public_url=address)
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    pages = {
        "photos": place.client.get(f"/requests/{seeded.request_id}").text,
        "report": place.client.get(f"/verdicts/{seeded.verdict_id}").text,
        "invitation": post(place, "/studio/invite", seeded, role="teacher").text,
    }
    wrong = [name for name, page in pages.items() if f"{address}/" not in page or said not in page or not_said in page]
    assert wrong == []
    unencrypted = "The address is not encrypted"
    assert [unencrypted in page for page in pages.values()] == ["192" in address, False, False]


@pytest.mark.parametrize(
    ("address", "is_said"),
    [("http://127.0.0.1:8000", True), ("https://192.168.178.20:8000", True), ("https://fit.example.org", False)],
)
def test_labels_that_no_phone_elsewhere_could_open_are_told_of_before_they_are_printed(
    open_place: Callable[..., Place], address: str, is_said: bool
) -> None:
    place = open_place(public_url=address)
    seeded = seed(place.house)
    place.client.cookies.set("scrollreach", seeded.session)
    page = place.client.get("/counter/labels").text
    assert "Shelf 12" in page
    assert (f"The codes lead to {address}, which opens on this computer" in page) is is_said


def test_a_service_that_listens_everywhere_gives_out_its_address_in_the_network(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(house, "own_addresses", lambda: ("192.168.178.20", "fd00::20"))
    settings = Settings(data_folder=tmp_path, host="0.0.0.0", port=8123)
    assert own_address(settings) == "http://192.168.178.20:8123"


def test_the_certificate_holds_for_its_addresses_by_another_library(tmp_path: Path) -> None:
    """OpenSSL's own program checks the chain, the name constraints and the addresses (RFC 5280, 6)."""
    files = home_certificate(tmp_path / "c", ("192.168.178.20", "203.0.113.5"))
    authority = tmp_path / "authority.pem"
    authority.write_text(ssl.DER_cert_to_PEM_cert(files.authority.read_bytes()))

    def verdict(*options: str) -> int:
        command = ["openssl", "verify", "-x509_strict", "-CAfile", str(authority), *options, str(files.chain)]
        return subprocess.run(command, capture_output=True).returncode

    assert verdict("-verify_ip", "192.168.178.20") == 0
    assert verdict("-verify_hostname", "localhost") == 0
    assert verdict("-verify_ip", "203.0.113.5") != 0, "a public address is not this certificate's business"
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(files.chain, files.key)
    assert files.key.stat().st_mode & 0o077 == 0


def test_the_authority_stays_and_the_certificate_is_renewed(tmp_path: Path) -> None:
    first = home_certificate(tmp_path, ("192.168.178.20",))
    authority, chain = first.authority.read_bytes(), first.chain.read_bytes()
    home_certificate(tmp_path, ("192.168.178.20",))
    assert first.chain.read_bytes() == chain
    home_certificate(tmp_path, ("192.168.178.21",))
    moved = first.chain.read_bytes()
    assert moved != chain
    later = datetime.now(UTC) + timedelta(days=SERVICE_DAYS)
    home_certificate(tmp_path, ("192.168.178.21",), later)
    assert first.authority.read_bytes() == authority
    assert x509.load_pem_x509_certificate(first.chain.read_bytes()).not_valid_after_utc > later
