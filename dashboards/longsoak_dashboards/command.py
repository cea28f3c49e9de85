"""``longsoak pages``: the sheets in a process of their own."""

import errno
import os
import signal
import socket
from pathlib import Path
from types import FrameType

import click

from longsoak.service.garbage import put_off, take_up


@click.command(epilog="Example: longsoak pages rig.toml --port 8460")
@click.argument(
    "rig_file", metavar="[RIGFILE]", default="rig.toml", type=click.Path(path_type=Path)
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to listen on. 0.0.0.0 lets the shop's whole network read the pages, "
    "acknowledge alarms and take steps of a proof; there is no password.",
)
@click.option("--port", default=8460, show_default=True, type=click.IntRange(0, 65535))
def pages(rig_file: Path, host: str, port: int) -> None:
    """Show the rig of RIGFILE (default: rig.toml) as web pages.

    Reads the record beside it; measures nothing, and what it is asked to keep it asks of
    `longsoak run`. Only photos, and small pictures of them, it writes itself. Runs until it is
    told to stop (Ctrl-C, or SIGTERM).
    """
    if not rig_file.is_file():
        _refuse(
            f"there is no rig file at {rig_file}, expected a TOML file. "
            "Name one, or run this in its folder."
        )
    try:
        listener = _listen(host, port)
    except OSError as error:
        _refuse(_why_not(error, host, port))
    _serve(rig_file, listener, host)


def _refuse(sentence: str) -> None:
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


def _serve(rig_file: Path, listener: socket.socket, host: str) -> None:
    put_off()  # until all of it is set up
    # Here and not above: `longsoak` loads every command, and most of them serve nothing.
    import uvicorn

    from longsoak_dashboards.app import create_app
    from longsoak_dashboards.source import Source

    app = create_app(Source(rig_file), host=host)

    class Server(uvicorn.Server):
        def handle_exit(self, sig: int, frame: FrameType | None) -> None:
            """End the event streams first: the server waits for open answers, and they last."""
            if news := getattr(app.state, "news", None):
                news.close_soon()
            super().handle_exit(sig, frame)

    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=2,
    )
    # The server raises the signal again once it has stopped; being told to stop is no failure.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: None)
    port = listener.getsockname()[1]
    shown = f"[{host}]" if ":" in host else host
    click.echo(f"Pages of {rig_file.name}: http://{shown}:{port}/")
    take_up()
    Server(config).run(sockets=[listener])
