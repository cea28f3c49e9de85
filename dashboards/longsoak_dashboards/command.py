"""``longsoak pages``: the sheets in a process of their own."""

import errno
import os
import signal
import socket
import ssl
from ipaddress import ip_address
from pathlib import Path
from typing import NoReturn

import click
from click.core import ParameterSource

from longsoak.service.garbage import put_off, take_up
from longsoak.vocabulary.errors import StoreError
from longsoak_dashboards.access.passwords import load, path_of


@click.command(epilog="Example: longsoak pages rig.toml --port 8460")
@click.argument(
    "rig_file", metavar="[RIGFILE]", default="rig.toml", type=click.Path(path_type=Path)
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to listen on. 0.0.0.0 lets the shop's whole network reach the pages; they ask "
    "for the passwords that `longsoak password` sets, and without one they refuse to start there.",
)
@click.option("--port", default=8460, show_default=True, type=click.IntRange(0, 65535))
@click.option(
    "--anybody-reads",
    is_flag=True,
    help="Let whoever reaches the pages read them without a password; changes ask for theirs.",
)
@click.option(
    "--certificate",
    type=click.Path(path_type=Path),
    help="Encrypt with this certificate, in PEM, with those it rests on behind it.",
)
@click.option("--key", type=click.Path(path_type=Path), help="The certificate's key, in PEM.")
def pages(
    rig_file: Path,
    host: str,
    port: int,
    anybody_reads: bool,
    certificate: Path | None,
    key: Path | None,
) -> None:
    """Show the rig of RIGFILE (default: rig.toml) as web pages.

    In a folder without one, run without naming any, they show how to begin. Reads the record beside
    it; measures nothing, and what it is asked to keep it asks of `longsoak run`. Only photos, and
    small pictures of them, it writes itself. Runs until it is told to stop (Ctrl-C, or SIGTERM).
    """
    named = click.get_current_context().get_parameter_source("rig_file")
    # A name that somebody typed and that leads nowhere is a slip, and would show an empty rig. In a
    # folder that has none yet, whoever opens the pages is told how to begin.
    if not rig_file.is_file() and named is not ParameterSource.DEFAULT:
        _refuse(
            f"there is no rig file at {rig_file}, expected a TOML file. "
            "Name one, or run this in its folder."
        )
    tls = _encryption(certificate, key)
    try:
        listener = _listen(host, port)
    except OSError as error:
        _refuse(_why_not(error, host, port))
    local = ip_address(listener.getsockname()[0].partition("%")[0]).is_loopback
    _check_passwords(rig_file, host, local=local)
    _serve(rig_file, listener, host, tls, local=local, anybody_reads=anybody_reads)


def _check_passwords(rig_file: Path, host: str, *, local: bool) -> None:
    try:
        passwords = load(path_of(rig_file))
    except StoreError as error:
        _refuse(f"{error}")
    if passwords is None and not local:
        _refuse(
            f"On {host} everybody on the network could read these pages and change what is kept, "
            f"and no password is set: set one with `longsoak password {rig_file}`, or leave out "
            "--host, and only this machine reaches them."
        )


def _encryption(certificate: Path | None, key: Path | None) -> ssl.SSLContext | None:
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        _refuse(
            "--certificate and --key belong together: name the file of the certificate and the "
            "file of its key, both in PEM."
        )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)  # 1.2 and later
    for file in (certificate, key):
        try:
            file.open("rb").close()
        except OSError as error:
            _refuse(f"{file} can't be read: {error.strerror}. It has to be a file in PEM.")
    try:
        # A password would be asked for on the terminal; a service has none.
        context.load_cert_chain(certificate, key, password="")
    except (ssl.SSLError, ValueError):
        _refuse(
            f"{certificate} and {key} are no certificate with its key in PEM, or the key has a "
            "password. Name the two files that belong together, the key without a password."
        )
    return context


def _refuse(sentence: str) -> NoReturn:
    click.echo(sentence, err=True)
    raise SystemExit(2)


def _why_not(error: OSError, host: str, port: int) -> str:
    """Why nothing can listen there and what to do; the library's own words help nobody."""
    choose = "with --host: 127.0.0.1 for this machine alone, 0.0.0.0 for its network."
    if isinstance(error, socket.gaierror):
        return f"There is no address behind the name {host}. Choose one this machine has {choose}"
    if error.errno == errno.EADDRINUSE:
        return (
            f"Port {port} of {host} is taken: another program listens there, perhaps other pages. "
            "Stop it, or choose another port with --port (0 takes any that is free)."
        )
    if error.errno == errno.EADDRNOTAVAIL:
        return f"This machine has no address {host}. Choose one it has {choose}"
    if error.errno in (errno.EACCES, errno.EPERM):
        return (
            f"Only the machine's administrator may listen on port {port}. "
            "Choose one from 1024 to 65535 with --port."
        )
    why = os.strerror(error.errno) if error.errno else str(error)
    return f"Can't listen on {host}, port {port}: {why}. Choose another with --host or --port."


def _listen(host: str, port: int) -> socket.socket:
    family, *_, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    return socket.create_server(address[:2], family=family, backlog=128)


def _serve(
    rig_file: Path,
    listener: socket.socket,
    host: str,
    tls: ssl.SSLContext | None,
    *,
    local: bool,
    anybody_reads: bool,
) -> None:
    put_off()  # until all of it is set up
    # Here and not above: `longsoak` loads every command, and most of them serve nothing.
    import uvicorn

    from longsoak_dashboards.access.rights import Access
    from longsoak_dashboards.app import create_app
    from longsoak_dashboards.server import Connection, Server
    from longsoak_dashboards.source import Source

    access = Access(rig_file, local=local, anybody_reads=anybody_reads)
    app = create_app(Source(rig_file), host=host, access=access)

    def end_streams() -> None:
        if news := getattr(app.state, "news", None):
            news.close_soon()

    config = uvicorn.Config(
        app,
        http=Connection,
        ws="none",
        log_level="error",  # a warning is whatever garbage somebody sends
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=2,
        # Whoever comes through a proxy on this machine is told by the proxy; nobody else is asked.
        forwarded_allow_ips=["127.0.0.1", "::1"],
    )
    # The server raises the signal again once it has stopped; being told to stop is no failure.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: None)
    port = listener.getsockname()[1]
    shown = f"[{host}]" if ":" in host else host
    scheme = "http" if tls is None else "https"
    click.echo(f"Pages of {rig_file.name}: {scheme}://{shown}:{port}/")
    if tls is None and not local:
        click.echo(
            "Nothing encrypts what goes over the network: whoever listens there can read the "
            "password. --certificate and --key mend that."
        )
    take_up()
    Server(config, tls=tls, ending=end_streams).run(sockets=[listener])
