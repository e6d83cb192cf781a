"""What several machines share, for tests: a real PostgreSQL of Debian's package and a server that speaks S3."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

USER = "postgres"
"""PostgreSQL refuses to run as root; Debian's package makes this user."""


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def _programs() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"))
    if found:
        return found[-1].parent
    elsewhere = shutil.which("pg_ctl")
    if elsewhere is None:
        pytest.skip("PostgreSQL is not installed (on Debian: apt-get install postgresql)")
    return Path(elsewhere).resolve().parent


@contextmanager
def postgres() -> Iterator[str]:
    """A PostgreSQL of its own; the address of an empty database."""
    programs, port = _programs(), free_port()
    with TemporaryDirectory(prefix="scrollreach-") as name:
        folder = Path(name)
        data = folder / "cluster"
        as_user: list[str] = []
        if os.getuid() == 0:
            shutil.chown(folder, USER, USER)
            as_user = ["runuser", "-u", USER, "--"]

        def run(*words: str) -> None:
            command = [*as_user, str(programs / words[0]), *words[1:]]
            with (folder / "said").open("wb") as said:  # no pipe: the server would hold it open
                subprocess.run(command, check=True, stdout=said, stderr=said, cwd=folder)

        run("initdb", "-D", str(data), "-U", USER, "-A", "trust", "--no-sync", "-E", "UTF8", "--locale", "C")
        options = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1 -c fsync=off"
        run("pg_ctl", "-D", str(data), "-o", options, "-l", str(folder / "log"), "-w", "start")
        try:
            run("createdb", "-h", "127.0.0.1", "-p", str(port), "-U", USER, "scrollreach")
            yield f"postgresql://{USER}@127.0.0.1:{port}/scrollreach"
        finally:
            run("pg_ctl", "-D", str(data), "-m", "immediate", "stop")


@contextmanager
def bucket() -> Iterator[tuple[str, dict[str, str]]]:
    """An object store of its own; its address, and what the environment has to say of it."""
    server = pytest.importorskip("moto.server", reason="moto is not installed")
    boto3 = pytest.importorskip("boto3", reason="boto3 is not installed")
    running = server.ThreadedMotoServer(ip_address="127.0.0.1", port=free_port())
    running.start()
    host, port = running.get_host_and_port()
    said = {
        "AWS_ENDPOINT_URL": f"http://{host}:{port}",
        "AWS_ACCESS_KEY_ID": "test",
        "AWS_SECRET_ACCESS_KEY": "test",
        "AWS_REGION": "us-east-1",
    }
    client = boto3.client(
        "s3",
        endpoint_url=said["AWS_ENDPOINT_URL"],
        region_name="us-east-1",
        aws_access_key_id="test",
        aws_secret_access_key="test",
    )
    client.create_bucket(Bucket="photos")
    try:
        yield "s3://photos/kept", said
    finally:
        running.stop()
