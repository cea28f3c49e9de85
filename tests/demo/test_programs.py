"""Starting and stopping programs, the table of readings, and the command line's checks."""

import asyncio
import json
import os
import socket
import sys
from pathlib import Path

import pytest

from longsoak_demo.children import Child
from longsoak_demo.command import free_port, main, pace, say
from longsoak_demo.table import as_table, bad_probes, read_now
from waiting import wait_for


def child(tmp_path: Path, code: str) -> Child:
    return Child("program", [sys.executable, "-c", code], log=tmp_path / "log.txt")


def said(word: str, log: Path) -> None:
    wait_for(lambda: word in log.read_text(), what=f"{word!r} in the log")


def stopped(program: Child, log: Path, *, patience: float) -> str | None:
    """Start `program`, stop it once it has printed "ready", say how that went."""

    async def run() -> str | None:
        await program.start()
        await asyncio.to_thread(said, "ready", log)
        return await program.stop(patience=patience)

    return asyncio.run(run())


WAIT = "print('ready', flush=True); signal.pause()"


def test_a_program_that_stops_when_told_is_no_fault(tmp_path: Path) -> None:
    code = f"import signal, sys; signal.signal(15, lambda *_: sys.exit(0)); {WAIT}"
    assert stopped(child(tmp_path, code), tmp_path / "log.txt", patience=10) is None


def test_a_program_that_stops_with_an_error_is_told_with_its_last_words(tmp_path: Path) -> None:
    code = f"import signal, sys; signal.signal(15, lambda *_: sys.exit('disk full')); {WAIT}"
    told = stopped(child(tmp_path, code), tmp_path / "log.txt", patience=10)
    assert told == (
        f"program stopped with exit code 1. Its log, {tmp_path}/log.txt, ends:\n"
        "    ready\n    disk full"
    )


def test_a_program_ended_by_the_signal_itself_has_not_stopped_cleanly(tmp_path: Path) -> None:
    told = stopped(child(tmp_path, f"import signal; {WAIT}"), tmp_path / "log.txt", patience=10)
    assert told is not None
    assert told.startswith("program stopped with signal SIGTERM.")


def test_a_program_that_does_not_stop_is_killed_and_told(tmp_path: Path) -> None:
    code = f"import signal; signal.signal(15, signal.SIG_IGN)\nwhile True: {WAIT}"
    told = stopped(child(tmp_path, code), tmp_path / "log.txt", patience=0.2)
    assert told is not None
    assert told.startswith("program did not stop within 0.2 s and was killed.")


def test_a_program_that_dies_is_told_with_its_last_words(tmp_path: Path) -> None:
    async def run() -> str:
        program = child(tmp_path, "print('no such port'); raise SystemExit(3)")
        await program.start()
        async with asyncio.timeout(20):
            return await program.died()

    assert asyncio.run(run()) == (
        f"program ended by itself with exit code 3. Its log, {tmp_path}/log.txt, ends:\n"
        "    no such port"
    )


def test_a_taken_port_is_passed_over() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        number = taken.getsockname()[1]
        found = free_port(number)
    assert found is not None
    assert found > number


def latest(
    probe: str, value: float | None, words: str, unit: str, flag: str, reason: str = ""
) -> dict[str, object]:
    return {
        "probe": probe,
        "value": value,
        "value_words": words,
        "unit_words": unit,
        "flag": flag,
        "reason": reason,
    }


NOW = {
    "probes": [
        latest("cork 30/60", 9.12, "9.1", "% WME", "pass"),
        latest("timber", 18.25, "18.2", "°C", "pass"),
        latest("RH room", 62.4, "62", "% RH", "pass"),
        latest("switch", 0.0, "down", "", "pass"),
        latest("ref", 1.0013e7, "10.01 M", "Ω", "suspect", "odd"),
        latest("level", None, "none", "mm", "missing", "no answer"),
    ],
    "alarms": [],
}


def test_the_table_says_value_unit_and_flag_of_every_probe_in_the_words_it_was_given() -> None:
    assert as_table(read_now(json.dumps(NOW))).splitlines() == [
        "probe       value unit   flag",
        "cork 30/60    9.1 % WME  pass",
        "timber       18.2 °C     pass",
        "RH room        62 % RH   pass",
        "switch       down        pass",
        "ref         10.01 MΩ     suspect  odd",
        "level        none mm     missing  no answer",
    ]


def test_probes_without_a_good_reading_are_named_with_what_is_wrong() -> None:
    rows = read_now(json.dumps(NOW))
    assert bad_probes(rows, ["cork 30/60", "timber", "ref", "level", "float"]) == [
        "ref (suspect, odd)",
        "level (missing, no answer)",
        "float (no reading)",
    ]
    assert bad_probes(rows, ["cork 30/60", "timber"]) == []


@pytest.mark.parametrize("text", ["", "[]", '{"probes": 3}', '{"probes": [{}]}'])
def test_what_is_no_list_of_probes_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a list of probes"):
        read_now(text)


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--speed", "0", "'0' given, expected a number above 0"),
        ("--speed", "inf", "'inf' given, expected a number above 0"),
        ("--for", "soon", "'soon' given, expected a number above 0"),
        ("--port", "70000", "'70000' given, expected a port from 1 to 65535"),
    ],
)
def test_a_bad_option_is_refused_in_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str, value: str, words: str
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["--folder", str(tmp_path / "rig"), option, value])
    assert ended.value.code == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "rig").exists()


def test_a_bad_script_stops_the_demo_before_anything_is_made(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    script = tmp_path / "events.toml"
    script.write_text("[[events]]\nat = 1\n")
    assert main(["--folder", str(tmp_path / "rig"), "--events", str(script)]) == 2
    assert capsys.readouterr().err.startswith(f"{script}: events[0].kind is None, expected one of")
    assert not (tmp_path / "rig").exists()


def test_a_folder_that_is_no_demo_stops_the_demo(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "thesis.txt").write_text("years of work")
    assert main(["--folder", str(tmp_path)]) == 2
    assert "Name an empty folder or a new one." in capsys.readouterr().err


def test_a_listener_that_went_away_stops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with open(writing, "w") as deaf:  # noqa: PTH123 - a descriptor, no path
        with pytest.raises(BrokenPipeError):
            os.write(writing, b"is it really deaf?")
        monkeypatch.setattr(sys, "stdout", deaf)
        say("Stopping.")
        say("All stopped.")


def test_a_program_stopped_before_it_had_begun_is_no_fault(tmp_path: Path) -> None:
    async def run() -> str | None:
        program = child(tmp_path, "import time; time.sleep(60)")
        await program.start()
        return await program.stop(patience=10)

    assert asyncio.run(run()) is None


@pytest.mark.parametrize(
    ("speed", "told"),
    [
        (1, "a minute is 1 min"),
        (30, "a minute is 30 min"),
        (600, "a minute is 10.0 hours"),
        (40_000, "a minute is 27.8 days"),
    ],
)
def test_the_speed_is_told_in_a_unit_of_its_size(speed: float, told: str) -> None:
    assert pace(speed) == told
