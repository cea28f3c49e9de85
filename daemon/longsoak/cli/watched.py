"""Which broker and which pages `longsoak watch` is to ask, and the broker of a shop's pages."""

import ssl
import sys
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from longsoak.cli.common import BAD_INPUT
from longsoak.rigfile.placeoffile import place_of
from longsoak.service.clock import Clock

if TYPE_CHECKING:
    from longsoak.service.hearing import Hearing

_PORT, _TLS_PORT = 1883, 8883  # registered with IANA without and with TLS, from memory


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker to be asked, and the first part of the rig's topics there."""

    host: str
    port: int
    prefix: str
    user: str | None
    password: str | None
    tls: bool
    ca_file: Path | None

    @property
    def context(self) -> ssl.SSLContext | None:
        """What encrypts; an end with a sentence if its file can't be used."""
        return _context(self.ca_file) if self.tls else None

    def hearing(self, clock: Clock) -> "Hearing":
        """What hears it; the MQTT library is loaded for this alone."""
        from longsoak.service.hearing import Hearing

        return Hearing(
            self.host,
            self.port,
            prefix=self.prefix,
            user=self.user,
            password=self.password,
            tls=self.context,
            clock=clock,
        )


def broker_of(
    address: str,
    prefix: str,
    user: str | None,
    password: str | None,
    *,
    tls: bool,
    ca_file: Path | None,
) -> Broker:
    """The broker of ``HOST``, ``HOST:PORT`` or ``[IPv6]:PORT``.

    Raises
    ------
    click.UsageError
        It is none of these.
    """
    host, port = address, str(_TLS_PORT if tls else _PORT)
    if address.startswith("["):
        host, _, rest = address[1:].partition("]")
        port = rest.removeprefix(":") or port
    elif address.count(":") == 1:  # more of them are an IPv6 address
        host, _, port = address.partition(":")
    if not host or not port.isdigit() or not 1 <= int(port) <= 65535:
        raise click.UsageError(
            f"{address!r} is no HOST or HOST:PORT. Write for example broker.local:1883."
        )
    return Broker(host, int(port), prefix, user, password, tls, ca_file)


def named_in(rig_file: Path) -> tuple[str | None, Broker | None]:
    """The page and the broker that a rig file names.

    Only these few keys are looked at: to check the whole file takes longer than all the rest.
    `longsoak check` does that.
    """
    try:
        tables = tomllib.loads(rig_file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        _refuse(f"{rig_file} can't be read: {error.strerror}.")
    except ValueError as error:
        _refuse(f"{rig_file} is no rig file: {error}. `longsoak check` says more.")
    rig, notices = tables.get("rig"), tables.get("notices")
    page = rig.get("page") if isinstance(rig, Mapping) else None
    mqtt = notices.get("mqtt") if isinstance(notices, Mapping) else None
    broker: Broker | None = None
    if isinstance(mqtt, Mapping):
        here, tls = rig_file.parent, mqtt.get("tls") is True
        file, authority = mqtt.get("password_file"), mqtt.get("ca_file")
        try:
            broker = Broker(
                host=str(mqtt["host"]),
                port=int(mqtt.get("port", _TLS_PORT if tls else _PORT)),
                prefix=str(mqtt["prefix"]),
                user=mqtt.get("user"),
                password=secret(None if file is None else place_of(str(file), beside=here)),
                tls=tls,
                ca_file=None if authority is None else place_of(str(authority), beside=here),
            )
        except (KeyError, TypeError, ValueError) as error:
            _refuse(f"[notices.mqtt] of {rig_file} is faulty: {error}. `longsoak check` says more.")
    return (page if isinstance(page, str) else None), broker


def secret(file: Path | None) -> str | None:
    """What a file of a secret holds; an end with a sentence if it can't be read."""
    if file is None:
        return None
    try:
        return file.read_text(encoding="utf-8").strip()
    except (OSError, ValueError) as error:
        _refuse(f"The secret in {file} can't be read: {getattr(error, 'strerror', None) or error}.")


def _context(ca_file: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=ca_file)
    except OSError as error:  # an SSLError is one too
        _refuse(f"{ca_file} holds no certificate in PEM, or can't be read: {error.strerror}.")


def _refuse(says: str) -> NoReturn:
    click.echo(says, err=True)
    sys.exit(BAD_INPUT)
