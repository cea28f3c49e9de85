"""A connection to a broker as `longsoak run` makes it, and what may be said over it."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from ssl import SSLContext

from jsonschema import Draft202012Validator

from longsoak.core.topics import state_topic
from longsoak.service.mqtt import UNSEEN, MqttConnection
from longsoak.vocabulary.destinations import Mqtt, MqttVersion
from longsoak.vocabulary.outlet import Payload, Recording
from servers import HOST

PREFIX = "longsoak/render-pair"
STATE = state_topic(PREFIX)


def just_the_state(state: Recording) -> Payload:
    """Describe nothing but the state."""
    return {"state": state}


@contextmanager
def connection(
    port: int,
    *,
    user: str | None = None,
    password: str | None = None,
    patience: float = 10.0,
    version: MqttVersion = MqttVersion.V5,
    tls: SSLContext | None = None,
    unseen: float = UNSEEN,
) -> Iterator[MqttConnection]:
    """A connection that is closed at the end of the block."""
    settings = Mqtt(HOST, port, PREFIX, user, password_file=None, version=version)
    made = MqttConnection(
        settings,
        password=password,
        tls=tls,
        describe=just_the_state,
        patience=patience,
        unseen=unseen,
    )
    try:
        yield made
    finally:
        made.close()


@cache
def schema(name: str) -> dict[str, object]:
    """A published schema."""
    text = files("longsoak").joinpath("schemas", f"{name}.schema.json").read_text("utf-8")
    found = json.loads(text)
    assert isinstance(found, dict)
    return found


def validate(name: str, payload: bytes | bytearray | str) -> None:
    """Fail unless `payload` is as the published schema says."""
    _validator(name).validate(json.loads(payload))


@cache
def _validator(name: str) -> Draft202012Validator:
    return Draft202012Validator(schema(name))
