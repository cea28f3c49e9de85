"""`longsoak watch` beside a real rig, its real pages and a real broker."""

import json
import os
import signal
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from paho.mqtt.publish import single

from brokers import validate
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import StoreError
from processes import COMMAND, longsoak, running
from scripted import Answer, Asked, Scripted, scripted_server
from servers import HOST, Broker, broker, free_port, listener, listens, make_certificates
from waiting import wait_for
from whole.thermorig import lay_out

pytestmark = pytest.mark.long


PREFIX = "rigs/thermometers"


def mqtt(port: int, more: str = "") -> str:
    return f'[notices.mqtt]\nhost = "127.0.0.1"\nport = {port}\nprefix = "{PREFIX}"\n{more}\n'


def scans(folder: Path) -> int:
    try:
        return Record(folder / "record").version()[0]
    except StoreError:
        return 0


@contextmanager
def pages(rig_file: Path) -> Iterator[str]:
    """The address of a rig's pages."""
    port = free_port()
    process = subprocess.Popen([COMMAND, "pages", rig_file, "--port", str(port)])
    try:
        wait_for(lambda: listens(port), what="the pages")
        yield f"http://{HOST}:{port}"
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(20)


def measuring(folder: Path) -> None:
    before = scans(folder)
    wait_for(lambda: scans(folder) >= before + 3, what="scans")


def test_pages_that_answer_are_no_proof_that_somebody_records(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with pages(rig_file) as url:
        said = longsoak("watch", "--pages", url)
        assert said.returncode == 1
        assert "answered 503" in said.stdout
        with running(rig_file) as run:
            measuring(tmp_path)
            said = longsoak("watch", "--pages", f"{url}/")
            assert (said.returncode, said.stderr) == (0, "")
            assert said.stdout.startswith("thermometers records: its newest reading is ")
            with urllib.request.urlopen(f"{url}/state.json", timeout=10) as answer:  # noqa: S310
                text = answer.read().decode()
            validate("state", text)
            assert json.loads(text)["state"] == "recording"
            run.kill()
        said = longsoak("watch", "--pages", url, "--json")
        found = json.loads(said.stdout)
        assert (said.returncode, found["found"]) == (1, "cut off")
        with running(rig_file) as run:
            measuring(tmp_path)
            assert run.stop() == 0
        said = longsoak("watch", "--pages", url)
        assert said.returncode == 1
        assert "was stopped on purpose" in said.stdout
        with urllib.request.urlopen(f"{url}/state.json", timeout=10) as answer:  # noqa: S310
            validate("state", answer.read().decode())
    said = longsoak("watch", "--pages", url)
    assert said.returncode == 1
    assert "can't be reached: Connection refused" in said.stdout


def test_a_recorder_that_stands_still_behind_working_pages_is_old_data(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run, pages(rig_file) as url:
        measuring(tmp_path)
        asked = ("watch", "--pages", url, "--oldest", "2", "--wait", "3")
        assert longsoak(*asked).returncode == 0
        run.process.send_signal(signal.SIGSTOP)
        time.sleep(2.5)
        said = longsoak(*asked)
        assert said.returncode == 1
        assert said.stdout.startswith("The data of thermometers are old: its newest reading is ")
        assert said.stdout.endswith("Nothing newer has come meanwhile.\n")
        by_record = longsoak("watch", "--record", tmp_path / "record", *asked[3:])
        assert by_record.stdout.startswith("The data of thermometers are old")
        run.process.send_signal(signal.SIGCONT)
        # Old at the first look, perhaps; that something newer comes sets it right.
        assert longsoak(*asked).returncode == 0
        assert run.stop() == 0


def test_a_broker_tells_who_records_who_was_stopped_and_who_vanished(tmp_path: Path) -> None:
    with broker(tmp_path / "broker") as server:
        asked = ("watch", "--broker", f"{HOST}:{server.port}", "--prefix", PREFIX)
        said = longsoak(*asked, "--wait", "0.5")
        assert said.returncode == 1
        assert f"knows nothing of {PREFIX}/state" in said.stdout
        rig_file = lay_out(tmp_path / "rig", more=mqtt(server.port))
        with running(rig_file) as run, listener(server.port) as heard:
            state = f"{PREFIX}/state"
            wait_for(lambda: '"recording"' in (heard.last(state) or ""), what="the state")
            said = longsoak(*asked)
            assert (said.returncode, said.stderr) == (0, "")
            assert said.stdout.startswith("thermometers records: ")
            assert longsoak("watch", rig_file).returncode == 0
            run.kill()
            wait_for(lambda: '"cut off"' in (heard.last(state) or ""), what="the will", limit=40)
            said = longsoak("watch", rig_file)
            assert (said.returncode, said.stdout[:24]) == (1, "thermometers was cut off")
        with running(rig_file) as run, listener(server.port) as heard:
            wait_for(lambda: '"recording"' in (heard.last(state) or ""), what="the state")
            assert run.stop() == 0
        said = longsoak(*asked)
        assert said.returncode == 1
        assert "stopped on purpose" in said.stdout
    said = longsoak(*asked)
    assert said.returncode == 1
    assert (
        said.stdout == f"The broker at {HOST}:{server.port} can't be reached: Connection refused.\n"
    )


def publish(server: Broker, text: str, *, retain: bool) -> None:
    single(f"{PREFIX}/state", text, qos=1, retain=retain, hostname=HOST, port=server.port)


def state(*, ago: float, scans: int, age: float = 1.0) -> str:
    """A state that was written so many s ago by the rig's clock."""
    written = time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(time.time() - ago))
    return json.dumps(
        {
            "rig": "thermometers",
            "state": "recording",
            "written": written,
            "newest_scan_age_s": age,
            "scans": scans,
            "run": "5f5f5f5f5f5f",
            "oldest_fine_s": 60.0,
            "again_within_s": 3.0,
        }
    )


@pytest.mark.parametrize(
    ("comes", "code", "says"),
    [
        (None, 1, "are old"),
        ((7200, 8), 1, "records, but its clock is 2 h 00 behind this machine's"),
        ((0, 8), 0, "records: its newest reading is 1 s old"),
        ((7200, 7), 1, "are old"),
    ],
    ids=["nothing", "by another clock", "something young", "nothing new by another clock"],
)
def test_old_data_and_clocks_that_differ_are_told_apart_by_what_comes_next(
    tmp_path: Path, comes: tuple[float, int] | None, code: int, says: str
) -> None:
    with broker(tmp_path / "broker", more=("log_type all",)) as server:
        publish(server, state(ago=7200, scans=7), retain=True)
        command: list[str | Path] = [
            COMMAND,
            "watch",
            "--broker",
            f"{HOST}:{server.port}",
            "--prefix",
            PREFIX,
        ]
        watch = subprocess.Popen([*command, "--wait", "2"], stdout=subprocess.PIPE, text=True)
        if comes is not None:
            log = tmp_path / "broker" / "broker.log"
            # Once it has answered for what was kept: what comes before could be the first it sees.
            wait_for(lambda: "Received PUBACK" in log.read_text(), what="the one that watches")
            ago, scan = comes
            publish(server, state(ago=ago, scans=scan), retain=True)
        said, _ = watch.communicate(timeout=20)
    assert (watch.returncode, says in said) == (code, True), said


def test_what_lies_at_the_topic_may_be_somebody_elses(tmp_path: Path) -> None:
    with broker(tmp_path / "broker") as server:
        publish(server, "on", retain=True)
        said = longsoak("watch", "--broker", f"{HOST}:{server.port}", "--prefix", PREFIX)
    assert said.returncode == 1
    assert f"What lies at {PREFIX}/state is no state of a rig" in said.stdout


def test_a_broker_that_asks_for_a_password_and_encrypts(tmp_path: Path) -> None:
    made = make_certificates(tmp_path)
    with broker(tmp_path / "broker", users={"eye": "sharp"}, certificates=made) as server:
        (tmp_path / "password").write_text("sharp\n")
        asked = ["watch", "--broker", f"localhost:{server.port}", "--prefix", PREFIX, "--wait", "1"]
        asked += ["--tls", "--user", "eye"]
        right: list[str | Path] = [
            "--ca-file",
            made.authority,
            "--password-file",
            tmp_path / "password",
        ]
        said = longsoak(*asked, *right)
        assert "knows nothing of" in said.stdout
        assert longsoak(*asked, *right[:2]).stdout.endswith("Not authorized.\n")
        said = longsoak(*asked, *right[2:])
        assert (said.returncode, "can't be reached: " in said.stdout) == (1, True)
        said = longsoak(*asked, "--ca-file", tmp_path / "password", *right[2:])
        assert (said.returncode, "holds no certificate in PEM" in said.stderr) == (2, True)


def test_it_keeps_looking_tells_changes_and_ends_at_the_first_that_is_wrong(
    tmp_path: Path,
) -> None:
    answers = [state(ago=0, scans=1)]

    def answer(_asked: Asked) -> Answer:
        return 200, answers[-1].encode()

    def looks(server: Scripted, number: int) -> None:
        """Wait for so many looks more; an answer that was under way may be of before."""
        wanted = len(server.asked) + number + 1
        wait_for(lambda: len(server.asked) >= wanted, what="looks")

    def watch(server: Scripted, *more: str) -> subprocess.Popen[str]:
        command: list[str | Path] = [COMMAND, "watch", "--pages", server.url]
        options = ["--every", "1", "--wait", "0", *more]
        return subprocess.Popen([*command, *options], stdout=subprocess.PIPE, text=True)

    with scripted_server(answer) as one, scripted_server(answer) as other:
        once, on = watch(one), watch(other, "--keep-going")
        looks(one, 2)
        looks(other, 2)
        answers.append(state(ago=0, scans=2, age=4000.0))
        assert once.wait(60) == 1
        looks(other, 2)
        answers.append(state(ago=0, scans=3))
        looks(other, 2)
        on.terminate()
        said = [process.communicate(timeout=10)[0].splitlines() for process in (once, on)]
    assert [line[:20] for line in said[0]] == ["thermometers records", "The data of thermome"]
    assert [line[:20] for line in said[1]] == [
        "thermometers records", "The data of thermome", "thermometers records",
    ]  # fmt: skip


def test_a_broker_that_goes_and_comes_back_is_told_while_it_looks(tmp_path: Path) -> None:
    with broker(tmp_path / "broker") as server:
        publish(server, state(ago=0, scans=1), retain=True)
        address = f"{HOST}:{server.port}"
        command: list[str | Path] = [COMMAND, "watch", "--broker", address, "--prefix", PREFIX]
        command += ["--every", "1", "--wait", "0", "--keep-going"]
        watch = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert watch.stdout is not None
        told = [watch.stdout.readline()]
        server.kill()
        told.append(watch.stdout.readline())
        server.start()
        told.append(watch.stdout.readline())  # it had kept nothing
        publish(server, state(ago=0, scans=2), retain=True)
        told.append(watch.stdout.readline())
        watch.terminate()
        watch.communicate(timeout=10)
    assert [line.strip() for line in told[1:2]] == [
        f"The broker at {address} can't be reached any more."
    ]
    assert "knows nothing of" in told[2]
    assert [told[0][:20], told[3][:20]] == ["thermometers records"] * 2


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ([], "Nothing to ask."),
        (["--broker", "localhost"], "--broker needs --prefix"),
        (["--broker", "localhost:x", "--prefix", "a"], "is no HOST or HOST:PORT"),
        (["--pages", "shop-pi.local"], "is no web address"),
        (["--pages", "http://localhost", "--oldest", "soon"], "is no time from 1 s to 366 days."),
        (["none.toml"], "none.toml can't be read: No such file or directory."),
        (
            ["--broker", "localhost", "--prefix", "a", "--user", "a", "--password-file", "none"],
            "The secret in none can't be read",
        ),
    ],
)
def test_what_it_can_not_make_sense_of_is_bad_input(asked: list[str], says: str) -> None:
    said = longsoak("watch", *asked)
    assert (said.returncode, says in said.stderr) == (2, True), said.stderr


def test_a_folder_without_a_record_is_told(tmp_path: Path) -> None:
    said = longsoak("watch", "--record", tmp_path)
    assert said.returncode == 1
    assert said.stderr == (
        f"there is no record at {tmp_path}/record.db. Name the folder `record` that lies beside "
        "the rig file, on the computer that measures.\n"
    )


def test_it_starts_without_what_measuring_and_pages_need(tmp_path: Path) -> None:
    """A check that runs every few minutes on a small computer should cost it nothing."""
    command: list[str | Path] = [COMMAND, "watch", "--pages", f"http://{HOST}:{free_port()}"]
    ended = subprocess.run(
        command,
        env={**os.environ, "PYTHONPROFILEIMPORTTIME": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == 1
    loaded = {line.rpartition("|")[2].strip() for line in ended.stderr.splitlines()}
    assert "longsoak.service.statesources" in loaded
    heavy = {"pydantic", "paho.mqtt", "starlette", "influxdb_client", "numpy", "serial"}
    assert heavy & loaded == set()
