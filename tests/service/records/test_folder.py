"""The data folder is private, used by one service at a time, and what is wrong with it is one sentence."""

from __future__ import annotations

import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service.records.database import LOCKED_S, Store
from service.records.folder import FolderError, FolderLock, make_private
from service.security import load_or_make_secret
from service.settings import Settings
from service.web.app import create_app
from service.web.house import open_house
from tests.service.conftest import Recorded
from tests.service.seeding import SetClock, seed


def modes(folder: Path) -> set[int]:
    return {stat.S_IMODE(file.stat().st_mode) for file in folder.rglob("*") if file.is_file()}


def test_an_open_folder_is_closed(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir(mode=0o755)
    (folder / "records.sqlite").touch(mode=0o644)
    house = open_house(Settings(data_folder=folder), Recorded(), SetClock())
    seed(house)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert modes(folder) == {0o600}


def test_one_service_works_on_a_folder(tmp_path: Path) -> None:
    make_private(tmp_path)
    first, second = FolderLock(tmp_path), FolderLock(tmp_path)
    first.take()
    with pytest.raises(FolderError, match="Another service already works on"):
        second.take()
    first.release()
    second.take()
    second.release()


def test_another_secret_is_noticed(tmp_path: Path) -> None:
    settings = Settings(data_folder=tmp_path)
    open_house(settings, Recorded(), SetClock())
    open_house(settings, Recorded(), SetClock())
    settings.secret_file.write_bytes(b"x" * 32)
    with pytest.raises(FolderError, match="The secret is not the one"):
        open_house(settings, Recorded(), SetClock())


def test_a_start_that_fails_gives_the_folder_back(tmp_path: Path) -> None:
    settings = Settings(data_folder=tmp_path)
    open_house(settings, Recorded(), SetClock()).store.close()
    right = settings.secret_file.read_bytes()
    settings.secret_file.write_bytes(b"x" * 32)
    with pytest.raises(FolderError, match="The secret is not the one"), TestClient(create_app(settings, Recorded())):
        pass
    settings.secret_file.write_bytes(right)
    with TestClient(create_app(settings, Recorded())) as client:
        assert client.get("/api/v1/health").json()["status"] == "well"


ON_A_FULL_DISK = """
import resource, signal, sys
from pathlib import Path
from service.security import load_or_make_secret, write_private

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
folder = Path(sys.argv[1])
for write in (lambda: load_or_make_secret(folder / "secret"), lambda: write_private(folder / "former", b"anew")):
    try:
        write()
    except OSError:
        print("full")
"""
"""No file may grow by a byte."""


def test_a_disk_that_is_full_at_the_first_start_leaves_no_part_of_a_secret(tmp_path: Path) -> None:
    (tmp_path / "former").write_bytes(b"as it was")
    said = subprocess.run([sys.executable, "-c", ON_A_FULL_DISK, tmp_path], capture_output=True, text=True, check=True)
    assert said.stdout.split() == ["full", "full"]
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == {"former": b"as it was"}
    assert len(load_or_make_secret(tmp_path / "secret")) == 32, "with room again the service starts"


def test_a_newer_database_is_named(tmp_path: Path) -> None:
    store = Store(tmp_path / "records.sqlite")
    store.migrate()
    with store.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(FolderError, match="newer version"):
        store.migrate()


@pytest.mark.parametrize("place", [0, 24, 3000, 8192])
def test_a_damaged_database_is_named(tmp_path: Path, place: int) -> None:
    house = open_house(Settings(data_folder=tmp_path), Recorded(), SetClock())
    seed(house)
    house.store.forget_traces()
    house.store.close()
    file = tmp_path / "records.sqlite"
    content = bytearray(file.read_bytes())
    content[place : place + 2000] = b"\xa5" * 2000
    file.write_bytes(content)
    with pytest.raises(FolderError, match=r"damaged|cannot be opened"):
        Store(file).migrate()


def test_a_reader_keeps_no_trace_alive_for_good(tmp_path: Path) -> None:
    house = open_house(Settings(data_folder=tmp_path), Recorded(), SetClock())
    seed(house, mark="Quillwort ")
    log = tmp_path / "records.sqlite-wal"
    with house.store.engine.connect() as reader:
        reader.exec_driver_sql("BEGIN")
        reader.exec_driver_sql("SELECT count(*) FROM child").all()
        begun = time.monotonic()
        house.store.forget_traces()
        assert time.monotonic() - begun < LOCKED_S / 2, "who waits for a reader keeps all who write from it"
        assert house.store.traces_left
    house.store.forget_traces()
    assert not house.store.traces_left
    assert log.stat().st_size == 0
