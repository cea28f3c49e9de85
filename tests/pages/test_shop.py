"""The pages of a shop beside a real broker and rigs that tell it of themselves; all invented."""

import json
import subprocess
from contextlib import ExitStack
from pathlib import Path

import pytest
from paho.mqtt.publish import single

from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.outlet import Payload
from pages.callers import Caller
from pages.serving import Served
from pages.shoprigs import (
    OVERFILL,
    SILENT,
    serve_shop,
    shop_rig,
    shows,
    telling,
    text_of,
)
from processes import COMMAND, longsoak, running
from servers import HOST, Broker, broker, free_port, listens, make_certificates
from waiting import wait_for
from whole.thermorig import lay_out, pour, tray

PASSWORD = "four words far apart"  # noqa: S105 - made up


def publish(server: Broker, topic: str, said: Payload | bytes) -> None:
    """Leave something at a topic for good."""
    payload = said if isinstance(said, bytes) else json.dumps(said).encode()
    single(topic, payload, qos=1, retain=True, hostname=HOST, port=server.port)


def test_all_rigs_are_on_one_sheet_and_those_first_that_want_somebody(tmp_path: Path) -> None:
    with ExitStack() as stack:
        server = stack.enter_context(broker(tmp_path / "broker"))
        rigs = [
            stack.enter_context(
                telling(
                    tmp_path / name, server.port, shop_rig(name), prefix=f"shop/{name}",
                    measured=name != "bench 3",
                )
            )
            for name in ("bench 1", "bench 2", "bench 3", "bench 4")
        ]  # fmt: skip
        rigs[3].alarm(OVERFILL)  # told before the pages are there
        served = stack.enter_context(serve_shop(server.port))
        text = shows(served, "Two of four rigs want somebody.", "bench 4", "bench 3")
        assert "water above the stop line high, new" in text
        assert "not recording" in text
        assert 'href="http://bench-1.example:8460/"' in served.get("/").text
        rigs[0].alarm(SILENT)
        shows(served, "bench 4", "bench 3", "bench 1", "C 30/60 is silent medium, new")
        rigs[3].alarm(OVERFILL, AlarmState.NEW, AlarmState.GONE)
        rigs[2].measure()
        rigs[2].tell()
        shows(served, "One of four rigs wants somebody.", "bench 1", "Recording, and", "bench 4")
        rigs[1].connection.close()
        shows(served, "Stopped on purpose, 1", "bench 2")
        publish(server, "shop/bench 4/state", b"")
        text = shows(served, "One of three rigs")
        assert "bench 4" not in text
        cut_off(rigs[0].connection)
        shows(served, "bench 1", "cut off", "nobody said that it would stop")


def cut_off(connection: object) -> None:
    """End a connection as a power cut would: nobody says good-bye."""
    client = vars(connection)["_client"]
    client.loop_stop()
    client.socket().close()


def test_depth_of_prefixes_and_a_part_of_the_shop(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        telling(tmp_path / "a", server.port, shop_rig("bench 1"), prefix="alone"),
        telling(tmp_path / "b", server.port, shop_rig("bench 2"), prefix="a/b/c/d") as deep,
        serve_shop(server.port) as whole,
        serve_shop(server.port, "--prefix", "a/b/") as part,
        serve_shop(server.port, "--prefix", "alone") as one,
    ):
        deep.alarm(SILENT)
        text = shows(whole, "bench 2", "C 30/60 is silent")
        assert "bench 1" in text
        assert "bench 1" not in shows(part, "bench 2", "C 30/60 is silent")
        assert "bench 2" not in shows(one, "bench 1")


def test_what_the_broker_kept_for_long_is_not_shown_as_fine(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        telling(tmp_path / "a", server.port, shop_rig("bench 1"), prefix="shop/1") as rig,
    ):
        old = {**rig.says(), "rig": "bench 9", "written": "2026-01-05T08:00:00.000Z"}
        publish(server, "shop/9/state", old)
        publish(server, "shop/lamp/state", b"on")
        with serve_shop(server.port) as served:
            text = shows(served, "One of two rigs wants somebody.", "bench 9", "silent")
            assert "It has told nothing for" in text
            assert "1 other topic ends in /state there" in text


def test_two_rigs_under_one_prefix_are_told_as_a_mistake(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        telling(tmp_path / "a", server.port, shop_rig("bench 1"), prefix="shop/1") as first,
        serve_shop(server.port) as served,
    ):
        shows(served, "bench 1", "recording")
        second = {**first.says(), "rig": "bench 2", "boot": "another computer"}
        publish(server, "shop/1/state", second)
        shows(served, "bench 2")
        first.tell()
        text = shows(served, "The one rig wants somebody.")
        assert "bench 1 and bench 2 publish under this one prefix" in text


def test_a_broker_that_goes_away_is_told_and_heard_again_once_it_is_back(tmp_path: Path) -> None:
    lasting = ("persistence true", f"persistence_location {tmp_path / 'broker'}/")
    with broker(tmp_path / "broker", more=lasting) as server, serve_shop(server.port) as served:
        shows(served, "No rig has told this broker anything yet.", "[notices.mqtt]")
        with telling(tmp_path / "a", server.port, shop_rig("bench 1"), prefix="shop/1") as rig:
            shows(served, "bench 1", "recording")
            server.kill()
            text = shows(served, f"The broker at {HOST}:{server.port} has been away since")
            assert "What is shown was told before." in text
            assert "bench 1" in text
            server.start()
            wait_for(rig.connection.is_up, what="the rig to come back")
            rig.alarm(OVERFILL)
            text = shows(served, "water above the stop line")
            assert "has been away" not in text


def test_pages_start_while_the_broker_is_not_there_yet(tmp_path: Path) -> None:
    port = free_port()
    with serve_shop(port) as served:
        shows(served, "has been away since", "Connection refused", "the broker was not reached")
        with (
            broker(tmp_path / "broker", port=port) as server,
            telling(tmp_path / "a", server.port, shop_rig("bench 1"), prefix="shop/1"),
        ):
            assert "away since" not in shows(served, "bench 1", "recording")


def test_who_looks_on_is_told_at_once(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        telling(tmp_path / "a", server.port, shop_rig("bench 1"), prefix="shop/1") as rig,
        serve_shop(server.port) as served,
    ):
        shows(served, "bench 1")
        stream = served.open("/events")
        lines = iter(stream.readline, b"")
        next(line for line in lines if line.startswith(b"data:"))
        rig.alarm(OVERFILL)
        told = next(line for line in lines if line.startswith(b"data:"))
        assert b'"shop"' in told
        assert "water above the stop line" in text_of(served.get("/").text)
        stream.close()


def test_user_password_and_encryption_of_the_broker(tmp_path: Path) -> None:
    issued = make_certificates(tmp_path)
    secret = tmp_path / "secret"
    secret.write_text("s3cret\n")
    with broker(tmp_path / "broker", users={"shop": "s3cret"}, certificates=issued) as server:
        named = ("--broker-user", "shop", "--broker-password-file", secret)
        tls = ("--broker-tls", "--broker-ca-file", issued.authority)
        with serve_shop(server.port, *named, *tls) as served:
            shows(served, "No rig has told this broker anything yet.")
        with serve_shop(server.port, *named, "--broker-tls") as served:
            shows(served, "has been away since", "certificate")
        with serve_shop(server.port, *tls) as served:
            shows(served, "it refused the connection", "Look at --broker-user")


def test_on_a_network_the_shop_asks_for_its_own_password(tmp_path: Path) -> None:
    with broker(tmp_path / "broker") as server:
        named = ("pages", "--broker", f"{HOST}:{server.port}", "--port", "0")
        refused = longsoak(*named, "--host", "0.0.0.0", "--folder", tmp_path)  # noqa: S104 - refused
        assert refused.returncode == 2
        assert f"longsoak password --folder {tmp_path}" in refused.stderr
        set_to(tmp_path, PASSWORD)
        with serve_shop(server.port, "--host", "0.0.0.0", "--folder", tmp_path) as found:  # noqa: S104 - as above
            served = Served(found.process, found.address.replace("0.0.0.0", HOST))  # noqa: S104 - as above
            answer = served.get("/", Accept="text/html")
            assert (answer.status, answer.headers["Location"]) == (303, "/login?to=/")
            assert served.get("/events").status == 401
            login = served.get("/login", Accept="text/html")
            assert f"{HOST}:{server.port}" not in login.text
            caller = Caller(served)
            assert caller.log_in(PASSWORD).status == 303
            assert "No rig has told this broker" in caller.get("/").text
            assert "You may read." in caller.get("/").text
            assert caller.post("/logout", {}).status == 303
            assert caller.get("/").status != 200


def set_to(folder: Path, password: str) -> None:
    """Set the password for a shop's pages, as a script would."""
    done = subprocess.run(
        [COMMAND, "password", "--folder", folder, "--stdin"],
        input=f"{password}\n",
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.startswith("Set.")


def test_headers_and_names_are_those_of_the_other_pages(tmp_path: Path) -> None:
    with (
        broker(tmp_path / "broker") as server,
        serve_shop(server.port, "--page", "http://shop.example/") as served,
    ):
        answer = served.get("/")
        assert "default-src 'self'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["Cache-Control"] == "no-store"
        assert served.get("/", Host="shop.example").status == 200
        refused = served.get("/", Host="else.example")
        assert refused.status == 421
        assert "start `longsoak pages` with it as --page" in refused.text
        nothing = served.get("/traces")
        assert nothing.status == 404
        assert "There is no such sheet." in nothing.text


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--broker", "host:none"), "is no HOST or HOST:PORT"),
        (("--broker", "host", "--prefix", "a/#"), "can't be the beginning of topics"),
        (("--broker", "host", "--folder", "/nowhere"), "there is no such folder"),
        (("--broker", "host", "--broker-password-file", "/nowhere"), "can't be read"),
        (("rig.toml", "--broker", "host"), "leave out rig.toml"),
        (("--prefix", "a"), "name its broker with --broker HOST"),
        (("--broker-tls",), "name its broker with --broker HOST"),
    ],
)
def test_what_can_not_be_is_refused_in_a_sentence(options: tuple[str, ...], says: str) -> None:
    ended = longsoak("pages", *options)
    assert ended.returncode == 2
    assert says in ended.stderr


def test_pages_end_when_they_are_told_to_though_somebody_looks_on(tmp_path: Path) -> None:
    with broker(tmp_path / "broker") as server, serve_shop(server.port) as served:
        stream = served.open("/events")
        assert stream.readline()
        served.process.terminate()
        assert served.process.wait(5) == 0
    assert not listens(server.port)
    wait_for(lambda: not stream.read(), what="the end of the stream")


@pytest.mark.long
def test_rigs_that_measure_are_shown_recording_and_the_one_that_lost_its_power_cut_off(
    tmp_path: Path,
) -> None:
    with broker(tmp_path / "broker") as server, ExitStack() as stack:
        runs = []
        for name in ("bench 1", "bench 2"):
            notices = f'[notices.mqtt]\nhost = "{HOST}"\nport = {server.port}\n'
            notices += f'prefix = "shop/{name}"\n'
            rig_file = lay_out(tmp_path / name, more=tray(tmp_path / name) + notices)
            page = f'name = "{name}"\npage = "http://{HOST}:8460/{name[-1]}"'
            rig_file.write_text(rig_file.read_text().replace('name = "thermometers"', page))
            runs.append(stack.enter_context(running(rig_file)))
        served = stack.enter_context(serve_shop(server.port))
        shows(served, "Both rigs are recorded, and no alarm stands.", "bench 1", "bench 2")
        assert f'href="http://{HOST}:8460/2"' in served.get("/").text
        pour(tmp_path / "bench 2", 104.0)
        shows(served, "One of two rigs wants somebody.", "bench 2", "high, new")
        runs[0].kill()
        shows(served, "Two of two rigs want somebody.", "bench 2", "bench 1", "cut off")
        pour(tmp_path / "bench 2", 90.0)
        shows(served, "bench 1", "cut off", "Recording, and no alarm stands, 1", "bench 2")
        assert runs[1].stop() == 0
        shows(served, "bench 1", "cut off", "Stopped on purpose, 1", "bench 2")
