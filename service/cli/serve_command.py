"""The command that starts pages and HTTP interface: `serve`."""

from __future__ import annotations

import socket
import ssl
from errno import EADDRINUSE
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from service.cli.settled import read_settings
from service.cli.words import _

if TYPE_CHECKING:
    from service.settings import Settings


@click.command()
@click.option("--host", help="Address to listen on; if not said, 127.0.0.1.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to listen on; if not said, 8000.")
@click.option("--role", type=click.Choice(["all", "web", "worker"]), help="What this process does; if not said, all.")
@click.option(
    "--share",
    is_flag=True,
    help="Let phones in this network in: listen on every address of this machine, and answer HTTPS with a certificate "
    "made for it, so that phones lend the pages their camera.",
)
@click.option("--settings", "list_settings", is_flag=True, help="List every setting with its value, and end.")
def serve(host: str | None, port: int | None, role: str | None, share: bool, list_settings: bool) -> None:
    """Start the pages and the HTTP interface on this machine.

    Settings come from the environment (SCROLLREACH_...) or the file scrollreach.toml in this folder.
    """
    from service.settings import described

    settings = read_settings(host=host, port=port, role=role)
    if share:
        settings = _shared(settings, host)
    if list_settings:
        for line in described(settings):
            click.echo(f"{line.variable}={line.value}\n    {_(line.description)}")
        return
    _check_address(settings.host, settings.port)
    if not settings.has_own_certificate:
        _check_certificate(settings.certificate_file, settings.certificate_key)
    from service.records.folder import FolderError, make_private
    from service.security import load_or_make_secret
    from service.web.app import run

    try:
        make_private(settings.data_folder)
        load_or_make_secret(settings.secret_file)
    except FolderError as error:
        raise click.UsageError(str(error)) from None
    except ValueError as error:
        raise click.UsageError(f"{error}.") from None
    except OSError as error:
        words = _("Cannot keep data in {folder}: {reason}.")
        raise click.UsageError(words.format(folder=settings.data_folder, reason=error.strerror)) from None
    try:
        run(settings)
    except FolderError as error:
        raise click.UsageError(str(error)) from None


def _shared(settings: Settings, host: str | None) -> Settings:
    """The settings with which phones of the home network come in."""
    said: dict[str, Any] = {"host": host or "0.0.0.0"}
    if settings.certificate_file is None:
        folder = settings.certificate_folder
        said |= {"certificate_file": folder / "service.pem", "certificate_key": folder / "service.key"}
    return settings.model_copy(update=said | {"secure_cookies": True})


def _check_certificate(file: Path | None, key: Path | None) -> None:
    """Read the certificate before anything is started, so that a wrong one is one sentence."""
    if file is None:
        return
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(file, key)
    except OSError as error:  # what OpenSSL says is one, too
        words = _("The certificate {file} with the key {key} cannot be used: {reason}.")
        raise click.UsageError(words.format(file=file, key=key, reason=error.strerror or error)) from None


def _check_address(host: str, port: int) -> None:
    """Try to listen before anything is started, so that a taken port is one sentence."""
    try:
        kind, *__, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(kind, socket.SOCK_STREAM) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind(address)
    except OSError as error:
        words = _("Cannot listen on {host}, port {port}: {reason}.").format(host=host, port=port, reason=error.strerror)
        if error.errno == EADDRINUSE:
            words += " " + _(
                "Another program has this port, or the service runs already: end it, or name another by --port."
            )
        raise click.UsageError(words) from None
