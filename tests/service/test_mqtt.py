"""The one MQTT connection against a real broker: what it says of itself, TLS, and versions."""

import json
import signal
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from paho.mqtt.client import Client

from brokers import PREFIX, STATE, connection
from longsoak.service.brokerwords import refused, unreachable
from longsoak.service.mqtt import MqttConnection, client_id
from longsoak.service.tls import tls_of
from longsoak.vocabulary.destinations import Mqtt, MqttVersion
from longsoak.vocabulary.errors import BrokerError
from servers import HOST, Broker, Certificates, broker, free_port, listener, make_certificates
from waiting import wait_for

# The library leaves a socket whose handshake failed to the garbage collector.
DROPPED = pytest.mark.filterwarnings("ignore:.*SSLSocket:pytest.PytestUnraisableExceptionWarning")
BOTH = pytest.mark.parametrize("version", list(MqttVersion))
RULES = f"user rig\ntopic write {STATE}\n"
SECRET = "s3cret"  # noqa: S105 - made up


def trouble(made: MqttConnection) -> str:
    try:
        made.ready()
    except BrokerError as error:
        return str(error)
    return ""


def test_ids_of_two_rigs_and_two_machines_differ_and_every_broker_takes_them() -> None:
    ids = {client_id(prefix, host) for prefix in ("a", "a/b") for host in ("pi-1", "pi-2")}
    assert len(ids) == 4
    assert all(len(name) <= 23 and name.isalnum() for name in ids)
    assert client_id("a", "pi-1") == client_id("a", "pi-1")


@BOTH
def test_it_says_recording_while_it_runs_and_stopped_after_a_close(
    tmp_path: Path, version: MqttVersion
) -> None:
    with broker(tmp_path) as server, listener(server.port) as heard:
        with connection(server.port, version=version) as made:
            made.ready()
            wait_for(lambda: states(heard.live) == ["recording"], what="the state")
            made.tell_state()
            wait_for(lambda: states(heard.live) == ["recording"] * 2, what="the state, anew")
        wait_for(lambda: states(heard.live)[2:] == ["stopped"], what="the state after the close")
        made.close()  # again, and nothing happens
        assert trouble(made)
        with pytest.raises(BrokerError):
            made.publish("a", {})


def states(live: list[tuple[str, str]]) -> list[str]:
    return [json.loads(text)["state"] for topic, text in live if topic == STATE]


_RUN = """
import sys, threading
sys.path.insert(0, sys.argv[3])
from brokers import connection
from longsoak.vocabulary.destinations import MqttVersion
with connection(int(sys.argv[1]), version=MqttVersion(sys.argv[2])) as made:
    made.ready()
    print("up", flush=True)
    threading.Event().wait(60)
"""


@BOTH
def test_a_process_killed_is_told_as_cut_off(tmp_path: Path, version: MqttVersion) -> None:
    with broker(tmp_path) as server, listener(server.port) as heard:
        tests = str(Path(__file__).parent.parent)
        process = subprocess.Popen(
            [sys.executable, "-c", _RUN, str(server.port), version, tests], stdout=subprocess.PIPE
        )
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == b"up\n"
            wait_for(lambda: states(heard.live) == ["recording"], what="the state")
            process.send_signal(signal.SIGKILL)
            wait_for(lambda: states(heard.live)[1:] == ["cut off"], what="the last will")
        finally:
            process.kill()
            process.communicate(timeout=10)


def test_what_is_refused_is_told_by_mqtt_5_and_taken_for_sent_by_3_1_1(tmp_path: Path) -> None:
    # MQTT 3.1.1, 3.4: an acknowledgement has no reason (from memory); measured with mosquitto 2.0.
    with broker(tmp_path, users={"rig": SECRET}, acl=RULES) as server:
        with connection(server.port, user="rig", password=SECRET) as made:
            made.ready()
            message = made.publish(f"{PREFIX}/a", {"b": 1})
            with pytest.raises(BrokerError, match=f"refused {PREFIX}/a: Not authorized"):
                made.wait(message)
            assert not made.holds(message)
        with connection(
            server.port, user="rig", password=SECRET, version=MqttVersion.V3_1_1
        ) as made:
            made.ready()
            made.wait(made.publish(f"{PREFIX}/a", {"b": 1}))


def test_a_broker_that_denies_the_state_alone_takes_all_else_and_it_is_told(
    tmp_path: Path,
) -> None:
    rules = f"user rig\ntopic write {PREFIX}/alarms/#\n"
    with (
        broker(tmp_path, users={"rig": SECRET}, acl=rules) as server,
        connection(server.port, user="rig", password=SECRET) as made,
    ):
        made.ready()
        made.wait(made.publish(f"{PREFIX}/alarms/a", {}))
        with pytest.raises(BrokerError, match=f"refused {STATE}: Not authorized"):
            made.check_state()


@BOTH
def test_a_login_refused_is_told_with_where_to_look(tmp_path: Path, version: MqttVersion) -> None:
    with (
        broker(tmp_path, users={"rig": SECRET}) as server,
        connection(server.port, user="rig", password="wrong", version=version) as made,  # noqa: S106
    ):
        assert trouble(made) == (
            f"the broker at {HOST}:{server.port} refused the connection: Not authorized. "
            "Look at user and password_file in [notices.mqtt]."
        )


def test_a_broker_of_another_version_is_told_with_the_way_out() -> None:
    # mosquitto speaks both; these are the words of paho-mqtt 2 for reason 132.
    assert refused("the broker", "Unsupported protocol version") == (
        "the broker refused the connection: Unsupported protocol version. "
        'Write version = "3.1.1" in [notices.mqtt].'
    )


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_library_that_died_of_an_error_of_its_own_is_started_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    died = threading.Event()

    def reconnect(_client: Client) -> None:
        died.set()
        raise RuntimeError("no error that the library reckons with")

    with monkeypatch.context() as patched, broker(tmp_path) as server:
        patched.setattr(Client, "reconnect", reconnect)
        with connection(server.port, patience=0.1, unseen=0.5) as made:
            assert died.wait(10)
            patched.undo()
            wait_for(lambda: not trouble(made), what="a connection")


def test_a_message_of_a_connection_thrown_away_is_neither_held_nor_taken_for_sent(
    tmp_path: Path,
) -> None:
    with broker(tmp_path) as server, connection(server.port, patience=0.2) as made:
        made.ready()
        server.freeze()
        message = made.publish("a", {})
        for _ in range(3):
            assert made.holds(message)
            with pytest.raises(BrokerError, match=r"did not acknowledge a within 0\.2 s"):
                made.wait(message)
        assert not made.holds(message)
        server.thaw()
        with pytest.raises(BrokerError, match="what became of a is not known any more"):
            made.wait(message)
        wait_for(lambda: not trouble(made), what="another connection")
        assert made.connections == 2


def test_no_more_is_handed_over_than_may_be_on_its_way(tmp_path: Path) -> None:
    with broker(tmp_path) as server, connection(server.port, patience=0.2) as made:
        made.ready()
        made.wait(made.publish("a", {}))
        server.freeze()
        for number in range(20):
            made.publish(f"a/{number}", {})
        with pytest.raises(BrokerError, match="has not acknowledged what was sent before"):
            made.publish("a/20", {})
        server.thaw()


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))


@contextmanager
def encrypted(server: Broker, settings: Mqtt, beside: Path) -> Iterator[MqttConnection]:
    tls = tls_of(settings, beside=beside)
    with connection(server.port, tls=tls, version=settings.version) as made:
        yield made


SETTINGS = Mqtt(HOST, 8883, PREFIX, None, None, tls=True)


@DROPPED
@BOTH
def test_an_encrypted_broker_is_trusted_by_its_authority_alone(
    tmp_path: Path, certificates: Certificates, version: MqttVersion
) -> None:
    settings = replace(SETTINGS, ca_file=certificates.authority.name, version=version)
    with broker(tmp_path, certificates=certificates) as server:
        with encrypted(server, settings, certificates.authority.parent) as made:
            made.ready()
            made.wait(made.publish("a", {}))
        with encrypted(server, replace(settings, ca_file=None), tmp_path) as made:
            assert trouble(made) == (
                f"the broker at {HOST}:{server.port} shows a certificate that is not trusted: "
                "self-signed certificate in certificate chain. "
                "Look at host and ca_file in [notices.mqtt]."
            )


@pytest.mark.parametrize("code", [9, 10])
def test_a_certificate_out_of_its_time_sends_to_the_clock_first(code: int) -> None:
    """A computer without a battery wakes before each certificate is valid.

    The codes are what `openssl verify -attime` gives for one not yet valid, and one expired.
    """
    error = ssl.SSLCertVerificationError(1, "verify failed")
    error.verify_code, error.verify_message = code, "certificate is out of its time"
    says = unreachable("the broker", error, encrypted=True)
    assert says.endswith(
        "Look first whether this computer's clock is right, then at the certificate."
    )


@DROPPED
def test_a_certificate_of_another_host_is_not_trusted(
    tmp_path: Path, certificates: Certificates
) -> None:
    settings = replace(SETTINGS, ca_file=str(certificates.authority))
    another = replace(
        certificates, server=certificates.elsewhere, server_key=certificates.elsewhere_key
    )
    with (
        broker(tmp_path, certificates=another) as server,
        encrypted(server, settings, tmp_path) as made,
    ):
        assert "shows a certificate that is not trusted: IP address mismatch" in trouble(made)


def test_a_broker_that_asks_for_a_certificate_takes_ours_and_no_stranger(
    tmp_path: Path, certificates: Certificates
) -> None:
    settings = replace(SETTINGS, ca_file=str(certificates.authority))
    ours = replace(
        settings, certificate_file=str(certificates.client), key_file=str(certificates.client_key)
    )
    with broker(tmp_path, certificates=certificates, ask_for_one=True) as server:
        with encrypted(server, ours, tmp_path) as made:
            made.ready()
            made.wait(made.publish("a", {}))
        with encrypted(server, settings, tmp_path) as made:
            wait_for(lambda: "without an answer" in trouble(made), what="the refusal")


@DROPPED
def test_encryption_to_a_port_that_has_none_is_told(
    tmp_path: Path, certificates: Certificates
) -> None:
    settings = replace(SETTINGS, ca_file=str(certificates.authority))
    with broker(tmp_path) as server, encrypted(server, settings, tmp_path) as made:
        # It hangs up, with or without a reset.
        assert "does not encrypt as it should: " in trouble(made)
        assert trouble(made).endswith("Look at port, tls and certificate_file in [notices.mqtt].")


def test_certificates_that_can_not_be_used_are_told_by_file(
    tmp_path: Path, certificates: Certificates
) -> None:
    (tmp_path / "empty.pem").write_text("")
    ours = str(certificates.client)
    for settings, says in (
        (replace(SETTINGS, ca_file="none.pem"), "ca_file of .*none.pem, can't be read: No such"),
        (replace(SETTINGS, ca_file="empty.pem"), "ca_file of .*empty.pem, holds no certificate"),
        (
            replace(SETTINGS, certificate_file="empty.pem"),
            r"certificate_file of \[notices.mqtt\], .*empty.pem, and its key don't belong together",
        ),
        (
            replace(SETTINGS, certificate_file=ours, key_file="none.key"),
            "key_file of .*none.key, can't be read: No such",
        ),
    ):
        with pytest.raises(BrokerError, match=says):
            tls_of(settings, beside=tmp_path)


def test_closing_while_the_broker_is_away_ends_in_time() -> None:
    with connection(free_port()) as made:
        assert trouble(made).endswith("can't be reached: Connection refused")
