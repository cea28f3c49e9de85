"""``longsoak pages``: the sheets in a process of their own."""

import errno
import os
import signal
import socket
import ssl
from collections.abc import Callable
from functools import partial
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click
from click.core import ParameterSource

from longsoak.cli.common import a_path
from longsoak.cli.watched import Broker, broker_of, secret
from longsoak.service.garbage import put_off, take_up
from longsoak.vocabulary.errors import StoreError
from longsoak_dashboards.access.passwords import load, path_of

if TYPE_CHECKING:
    from starlette.applications import Starlette

    from longsoak_dashboards.access.rights import Access


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
@click.option(
    "--broker",
    metavar="HOST[:PORT]",
    help="In place of one rig show the shop: all rigs that tell their state to this MQTT broker.",
)
@click.option("--prefix", help="With --broker: only rigs whose topics begin with this.")
@click.option("--broker-user", help="A user of the broker.")
@click.option(
    "--broker-password-file", type=a_path, help="The file that holds that user's password."
)
@click.option("--broker-tls", is_flag=True, help="Encrypt what is said to the broker.")
@click.option("--broker-ca-file", type=a_path, help="Who signed the broker's certificate, in PEM.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    help="With --broker: the folder the shop's passwords lie in, as `longsoak password --folder` "
    "sets them. [default: the one this is run in]",
)
@click.option("--page", help="With --broker: the web address under which others open these pages.")
def pages(
    rig_file: Path,
    host: str,
    port: int,
    anybody_reads: bool,
    certificate: Path | None,
    key: Path | None,
    broker: str | None,
    prefix: str | None,
    broker_user: str | None,
    broker_password_file: Path | None,
    broker_tls: bool,
    broker_ca_file: Path | None,
    folder: Path | None,
    page: str | None,
) -> None:
    """Show the rig of RIGFILE (default: rig.toml) as web pages, or with --broker a whole shop.

    In a folder without one, run without naming any, they show how to begin. Reads the record beside
    it; measures nothing, and what it is asked to keep it asks of `longsoak run`. Only photos, and
    small pictures of them, it writes itself. Runs until it is told to stop (Ctrl-C, or SIGTERM).
    """
    named = click.get_current_context().get_parameter_source("rig_file")
    if broker is not None:
        if named is not ParameterSource.DEFAULT:
            _refuse(f"--broker shows all rigs of a shop: leave out {rig_file}.")
        asked = broker_of(
            broker,
            _prefix(prefix),
            broker_user,
            secret(broker_password_file),
            tls=broker_tls,
            ca_file=broker_ca_file,
        )
        beside = (folder or Path()) / "shop"
        if not beside.parent.is_dir():
            _refuse(f"--folder names {beside.parent}, and there is no such folder. Make it first.")
        tls, listener, local = _opened(host, port, certificate, key)
        how = f"longsoak password --folder {beside.parent}"
        _check_passwords(beside, host, how, local=local)
        from longsoak_dashboards.access.rights import Access

        access = Access(beside, local=local, anybody_reads=anybody_reads)
        says = f"Pages of the rigs at {asked.host}:{asked.port}"
        make = partial(_shop, asked, host, page, access)
        _serve(make, listener, host, tls, says, local=local)
        return
    for_shops = (prefix, broker_user, broker_password_file, broker_ca_file, folder, page)
    if broker_tls or any(option is not None for option in for_shops):
        _refuse(
            "--prefix, --folder, --page and what begins with --broker- are for the pages of a "
            "shop: name its broker with --broker HOST."
        )
    # A name that somebody typed and that leads nowhere is a slip, and would show an empty rig. In a
    # folder that has none yet, whoever opens the pages is told how to begin.
    if not rig_file.is_file() and named is not ParameterSource.DEFAULT:
        _refuse(
            f"there is no rig file at {rig_file}, expected a TOML file. "
            "Name one, or run this in its folder."
        )
    tls, listener, local = _opened(host, port, certificate, key)
    _check_passwords(rig_file, host, f"longsoak password {rig_file}", local=local)
    from longsoak_dashboards.access.rights import Access

    access = Access(rig_file, local=local, anybody_reads=anybody_reads)
    make = partial(_one_rig, rig_file, host, access)
    _serve(make, listener, host, tls, f"Pages of {rig_file.name}", local=local)


def _prefix(written: str | None) -> str:
    """A prefix as topics begin with it; an end with a sentence if none can."""
    prefix = (written or "").rstrip("/")
    if any(letter in prefix for letter in "+#\0"):
        _refuse(
            f"--prefix {written!r} can't be the beginning of topics: it has none of +, # and NUL. "
            "Write for example longsoak, for all whose topics begin with longsoak/."
        )
    return prefix


def _opened(
    host: str, port: int, certificate: Path | None, key: Path | None
) -> tuple[ssl.SSLContext | None, socket.socket, bool]:
    """What encrypts, what listens, and whether only this machine reaches that."""
    tls = _encryption(certificate, key)
    try:
        listener = _listen(host, port)
    except OSError as error:
        _refuse(_why_not(error, host, port))
    local = ip_address(listener.getsockname()[0].partition("%")[0]).is_loopback
    return tls, listener, local


def _check_passwords(beside: Path, host: str, how: str, *, local: bool) -> None:
    try:
        passwords = load(path_of(beside))
    except StoreError as error:
        _refuse(f"{error}")
    if passwords is None and not local:
        _refuse(
            f"On {host} everybody on the network could read these pages and change what is kept, "
            f"and no password is set: set one with `{how}`, or leave out --host, and only this "
            "machine reaches them."
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


def _one_rig(rig_file: Path, host: str, access: "Access") -> "Starlette":
    from longsoak_dashboards.app import create_app
    from longsoak_dashboards.source import Source

    return create_app(Source(rig_file), host=host, access=access)


def _shop(broker: Broker, host: str, page: str | None, access: "Access") -> "Starlette":
    from longsoak_dashboards.shop.app import create_shop
    from longsoak_dashboards.shop.hearing import ShopHearing

    hear = partial(
        ShopHearing,
        broker.host,
        broker.port,
        prefix=broker.prefix,
        user=broker.user,
        password=broker.password,
        tls=broker.context,
    )
    return create_shop(
        lambda book, tell: hear(book=book, tell=tell), host=host, page=page, access=access
    )


def _serve(
    make: "Callable[[], Starlette]",
    listener: socket.socket,
    host: str,
    tls: ssl.SSLContext | None,
    says: str,
    *,
    local: bool,
) -> None:
    put_off()  # until all of it is set up
    # Here and not above: `longsoak` loads every command, and most of them serve nothing.
    import uvicorn

    from longsoak_dashboards.server import Connection, Server

    app = make()

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
    click.echo(f"{says}: {scheme}://{shown}:{port}/")
    if tls is None and not local:
        click.echo(
            "Nothing encrypts what goes over the network: whoever listens there can read the "
            "password. --certificate and --key mend that."
        )
    take_up()
    Server(config, tls=tls, ending=end_streams).run(sockets=[listener])
