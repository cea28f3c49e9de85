"""Real servers for the tests, each on a free port, ended by the process that started it."""

import contextlib
import email
import email.policy
import json
import os
import signal
import socket
import ssl
import subprocess
import threading
import urllib.parse
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from pathlib import Path

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from paho.mqtt.client import Client, ConnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from waiting import wait_for

HOST = "127.0.0.1"


def free_port() -> int:
    """A port nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def listens(port: int) -> bool:
    """Whether somebody answers at `port`."""
    try:
        socket.create_connection((HOST, port), timeout=1).close()
    except OSError:
        return False
    return True


class Process:
    """A server as a process: start, stop, kill -9, freeze, and start again in the same place."""

    def __init__(self, command: list[str], *, port: int, log: Path) -> None:
        self.port = port
        self._command = command
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it listens."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(self._command, stdout=log, stderr=log)
        wait_for(lambda: self._ended() or listens(self.port), what=f"{self._command[0]} to listen")
        assert not self._ended(), self._log.read_text(errors="replace")

    def kill(self) -> None:
        """Kill -9: nothing is written, nobody is told."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End it as a service manager would."""
        self._end(signal.SIGTERM)

    def freeze(self) -> None:
        """Stop it in its tracks; its connections stay open."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        self._signal(signal.SIGCONT)

    def _signal(self, number: int) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    def _ended(self) -> bool:
        return self._process is None or self._process.poll() is not None

    def _end(self, number: int) -> None:
        if self._process is None:
            return
        if self._process.poll() is None:
            self._process.send_signal(number)
            self._process.send_signal(signal.SIGCONT)
        try:
            self._process.wait(15)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(15)
        self._process = None


@dataclass(frozen=True, slots=True)
class Series:
    """One series read back: its labels and its points by time in ms."""

    labels: dict[str, str]
    points: dict[int, float]


class TimeSeriesServer(Process):
    """A real time-series database with a v2 write address, on a folder of its own."""

    def __init__(self, folder: Path, *, port: int, arguments: tuple[str, ...] = ()) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        command = [
            "victoria-metrics",
            f"-storageDataPath={folder / 'data'}",
            f"-httpListenAddr={HOST}:{port}",
            "-retentionPeriod=100y",
            "-loggerLevel=WARN",
            *arguments,
        ]
        super().__init__(command, port=port, log=folder / "log")
        self.url = f"http://{HOST}:{port}"

    def flush(self) -> None:
        """Make what was written so far readable."""
        urllib.request.urlopen(f"{self.url}/internal/force_flush", timeout=10).close()  # noqa: S310

    def export(self, field_name: str, **labels: str) -> list[Series]:
        """All series of a metric, named ``measurement_field``, that carry the labels."""
        self.flush()
        chosen = {"__name__": field_name, **labels}
        match = "{" + ",".join(f"{key}={json.dumps(text)}" for key, text in chosen.items()) + "}"
        query = urllib.parse.urlencode({"match[]": match})
        address = f"{self.url}/api/v1/export?{query}"
        with urllib.request.urlopen(address, timeout=10) as answer:  # noqa: S310
            found = [json.loads(line) for line in answer]
        return [
            Series(row["metric"], dict(zip(row["timestamps"], row["values"], strict=True)))
            for row in found
        ]

    def count(self, field_name: str, **labels: str) -> int:
        """How many different points a metric has."""
        return sum(len(series.points) for series in self.export(field_name, **labels))


@contextlib.contextmanager
def time_series_server(
    folder: Path, *, port: int | None = None, arguments: tuple[str, ...] = ()
) -> Iterator[TimeSeriesServer]:
    """A running time-series server."""
    server = TimeSeriesServer(folder, port=port or free_port(), arguments=arguments)
    server.start()
    try:
        yield server
    finally:
        server.stop()


class Broker(Process):
    """A real MQTT broker."""

    def __init__(
        self,
        folder: Path,
        *,
        port: int,
        users: dict[str, str] | None = None,
        acl: str | None = None,
        certificates: "Certificates | None" = None,
        ask_for_one: bool = False,
        more: tuple[str, ...] = (),
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        lines = [f"listener {port} {HOST}", f"allow_anonymous {'false' if users else 'true'}"]
        if os.geteuid() == 0:
            lines.append("user root")  # or it drops to a user who may not read the folder
        if users:
            passwords = folder / "passwords"
            passwords.touch(mode=0o600)
            for name, password in users.items():
                subprocess.run(
                    ["mosquitto_passwd", "-b", passwords, name, password],
                    check=True,
                    capture_output=True,
                )
            lines.append(f"password_file {passwords}")
        if acl is not None:
            rules = folder / "acl"
            rules.write_text(acl)
            rules.chmod(0o600)
            lines.append(f"acl_file {rules}")
        if certificates is not None:
            lines += [
                f"cafile {certificates.authority}",
                f"certfile {certificates.server}",
                f"keyfile {certificates.server_key}",
                f"require_certificate {str(ask_for_one).lower()}",
            ]
        settings = folder / "broker.conf"
        settings.write_text("\n".join([*lines, *more]) + "\n")
        super().__init__(
            ["mosquitto", "-c", os.fspath(settings)], port=port, log=folder / "broker.log"
        )


@contextlib.contextmanager
def broker(
    folder: Path,
    *,
    port: int | None = None,
    users: dict[str, str] | None = None,
    acl: str | None = None,
    certificates: "Certificates | None" = None,
    ask_for_one: bool = False,
    more: tuple[str, ...] = (),
) -> Iterator[Broker]:
    """A running broker; with `certificates` it encrypts, and may ask each client for one.

    `more` are lines of its own settings.
    """
    server = Broker(
        folder,
        port=port or free_port(),
        users=users,
        acl=acl,
        certificates=certificates,
        ask_for_one=ask_for_one,
        more=more,
    )
    server.start()
    try:
        yield server
    finally:
        server.kill()


@dataclass(slots=True)
class Listener:
    """Hears everything a broker passes on; `live` leaves out what was retained from before."""

    messages: list[MQTTMessage] = field(default_factory=list)
    subscribed: threading.Event = field(default_factory=threading.Event)

    @property
    def live(self) -> list[tuple[str, str]]:
        """Topic and text of each message sent while listening."""
        return [(m.topic, m.payload.decode()) for m in self.messages if not m.retain]

    def last(self, topic: str) -> str | None:
        """The last text of a topic, retained ones included."""
        return next((m.payload.decode() for m in self.messages[::-1] if m.topic == topic), None)


@contextlib.contextmanager
def listener(
    port: int, *, user: str | None = None, password: str | None = None
) -> Iterator[Listener]:
    """A client that has subscribed to everything; it comes back by itself after an outage."""
    heard = Listener()

    def on_connect(
        client: Client,
        _userdata: object,
        _flags: ConnectFlags,
        _reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        client.subscribe("#", qos=1)

    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv5)
    client.username_pw_set(user, password)
    client.on_connect = on_connect
    client.on_subscribe = lambda *_: heard.subscribed.set()
    client.on_message = lambda _client, _userdata, message: heard.messages.append(message)
    client.reconnect_delay_set(min_delay=1, max_delay=1)
    client.connect(HOST, port, keepalive=20)
    client.loop_start()
    try:
        assert heard.subscribed.wait(10)
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()


@dataclass(slots=True)
class Mailbox:
    """What a mail server took; `refuse` are addresses it doesn't know."""

    port: int
    mails: list[EmailMessage] = field(default_factory=list)
    recipients: list[tuple[str, ...]] = field(default_factory=list)
    raw: list[bytes] = field(default_factory=list)
    encrypted: list[bool] = field(default_factory=list)
    refuse: tuple[str, ...] = ()
    later: list[str] = field(default_factory=list)  # each is refused for now, once

    async def handle_RCPT(  # noqa: N802 - the library's name
        self,
        server: SMTP,
        session: Session,
        envelope: Envelope,
        address: str,
        options: list[str],
    ) -> str:
        """Take a recipient or not."""
        if address in self.refuse:
            return "550 5.1.1 no such user here"
        if address in self.later:
            self.later.remove(address)
            return "451 4.7.1 come again later"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(  # noqa: N802 - as above
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Take a mail."""
        content = envelope.content
        assert isinstance(content, bytes)
        parsed = email.message_from_bytes(content, policy=email.policy.default)
        assert isinstance(parsed, EmailMessage)
        self.raw.append(content)
        self.mails.append(parsed)
        self.recipients.append(tuple(envelope.rcpt_tos))
        self.encrypted.append(session.ssl is not None)
        return "250 OK"


@contextlib.contextmanager
def mail_server(
    *,
    port: int | None = None,
    users: dict[str, str] | None = None,
    certificate: Path | None = None,
    mailbox: Mailbox | None = None,
    from_the_start: bool = False,
) -> Iterator[Mailbox]:
    """A running mail server.

    With `users` it asks for a login, with `certificate` (a PEM file with its key) for encryption
    before anything else, by STARTTLS or `from_the_start`. `mailbox` goes on filling one from
    before.
    """
    box = mailbox or Mailbox(port or free_port())

    def check(
        _server: SMTP, _session: Session, _envelope: Envelope, _mechanism: str, data: object
    ) -> AuthResult:
        assert isinstance(data, LoginPassword)
        known = (users or {}).get(data.login.decode())
        right = known is not None and known == data.password.decode()
        return AuthResult(success=right, handled=False)  # or nobody answers a wrong one

    context = None
    if certificate is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate)
    controller = Controller(
        box,
        hostname=HOST,
        port=box.port,
        authenticator=check if users else None,
        auth_required=bool(users),
        auth_require_tls=certificate is not None and not from_the_start,
        require_starttls=certificate is not None and not from_the_start,
        tls_context=None if from_the_start else context,
        ssl_context=context if from_the_start else None,
    )
    controller.start()
    try:
        yield box
    finally:
        controller.stop()


def make_certificate(folder: Path) -> Path:
    """A certificate for this machine that signs itself, with its key, in one PEM file."""
    key, certificate, both = folder / "key.pem", folder / "certificate.pem", folder / "both.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"),
            *("-keyout", key, "-out", certificate),
        ],
        check=True,
        capture_output=True,
    )
    both.write_bytes(certificate.read_bytes() + key.read_bytes())
    return both


@dataclass(frozen=True, slots=True)
class Certificates:
    """An authority of our own, and what it signed: for this machine, a client, and elsewhere."""

    authority: Path
    server: Path
    server_key: Path
    client: Path
    client_key: Path
    elsewhere: Path
    elsewhere_key: Path


def make_certificates(folder: Path) -> Certificates:
    """Make them, good for two days."""

    def openssl(*arguments: str | Path) -> None:
        subprocess.run(["openssl", *arguments], check=True, capture_output=True, cwd=folder)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl("req", "-x509", *key, "-days", "2", "-subj", "/CN=an authority", "-keyout", "ca.key",
            "-out", "ca.pem")  # fmt: skip
    extensions = {
        "server": "subjectAltName=DNS:localhost,IP:127.0.0.1",
        "client": "extendedKeyUsage=clientAuth",
        "elsewhere": "subjectAltName=DNS:elsewhere.example",
    }
    for name, extension in extensions.items():
        (folder / f"{name}.ext").write_text(f"{extension}\n")
        openssl(
            "req", *key, "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr"
        )
        openssl("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
                "-CAcreateserial", "-days", "2", "-extfile", f"{name}.ext",
                "-out", f"{name}.pem")  # fmt: skip
    folder.chmod(0o755)
    pairs = [folder / f"{name}.{end}" for name in extensions for end in ("pem", "key")]
    return Certificates(folder / "ca.pem", *pairs)
