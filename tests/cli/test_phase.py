"""`longsoak phase`, run as a user runs it."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from longsoak.core.phases import phase_content
from longsoak.core.proof.book import RIG, steps_of
from longsoak.core.proof.safety import SAFETY
from longsoak.store.requests import Request
from longsoak.store.writer import Batch
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.logbook import PHASE, LogbookEntry
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from pages.pagerig import DAY_MS, Kept, Wrong, keep, scan_of
from pages.serving import now_ms
from processes import longsoak, running
from whole.thermorig import lay_out


def listed(rig_file: Path) -> list[dict[str, object]]:
    found: list[dict[str, object]] = json.loads(longsoak("phase", rig_file, "--json").stdout)
    return found


def test_phases_follow_each_other_are_corrected_ended_and_exported(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    day = datetime.now(UTC) - timedelta(days=20)
    began = f"{day:%Y-%m-%d} 09:00"
    with running(rig_file) as run:
        run.says("recording")
        none = longsoak("phase", rig_file, "Done", "--end", "--by", "mk")
        assert none.returncode == 2
        assert "so none can end. Nothing was kept." in none.stderr
        first = longsoak(
            *("phase", rig_file, "Two weeks of the same", "--begin", "baseline"),
            *("--name", "first", "--at", began, "--by", "mk"),
        )
        assert (first.returncode, first.stderr) == (0, "")
        assert first.stdout.startswith("Kept as number 1, of ")
        wets = longsoak(
            *("phase", rig_file, "At rest", "--begin", "wetting", "--control", "panel"),
            *("--by", "mk", "--although", "A trial of the pump", "--safe", "Mina Kolar"),
        )
        assert wets.returncode == 0
        # It keeps its time: only its name was wrong.
        named = longsoak(
            *("phase", rig_file, "Its name was wrong", "--begin", "baseline", "--name", "winter"),
            *("--corrects", "1", "--by", "wm"),
        )
        assert named.returncode == 0
        ended = longsoak("phase", rig_file, "The pump failed", "--end", "--by", "mk", "--json")
        assert json.loads(ended.stdout)["entry"]["content"] == {"name": "", "phase": None}
        assert run.stop() == 0
    newest, oldest = listed(rig_file)[0], listed(rig_file)[1]
    assert (oldest["number"], oldest["phase"], oldest["name"]) == (3, "baseline", "winter")
    assert oldest["from"] == f"{day:%Y-%m-%d}T09:00:00.000Z"
    assert oldest["until"] == newest["from"]
    assert (newest["phase"], newest["control"], oldest["control"]) == ("wetting", "panel", None)
    assert newest["until"] is not None
    assert newest["gates_not_met"] == ["readings steady", "proof"]
    assert newest["although"] == "A trial of the pump"
    shown = longsoak("phase", rig_file).stdout
    assert "winter" in shown
    assert "Its name was wrong" in shown
    out = tmp_path / "out"
    assert longsoak("export", rig_file, out).returncode == 0
    heads, *rows = (out / "phases.csv").read_text().splitlines()
    assert heads == "number,phase,name,control,from_time,until_time,by,says"
    assert [row.split(",")[:4] for row in rows] == [
        ["3", "baseline", "winter", ""],
        ["2", "wetting", "", "panel"],
    ]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--begin", "wetting"), "Write the reason behind the rig file"),
        (("Dry",), "Say what begins with --begin, or end the one there is with --end."),
        (("Dry", "--begin", "wetting", "--end"), "Say what begins with --begin, or end"),
        (("Dry", "--end", "--name", "x"), "An end has no name"),
        (("Dry", "--end", "--control", "plain lime"), "An end has no control"),
        (("Dry", "--begin", "wetting", "--control", "x"), "There is no bay 'x' on this rig."),
        (("Dry", "--begin", "soaking"), "is not one of"),
        (("Dry", "--begin", "wetting", "--at", "noon"), "'noon' is no time"),
        (("Dry", "--begin", "drying", "--although", "x"), "are for --begin wetting, which has"),
        (("Dry", "--end", "--safe", "Mina Kolar"), "are for --begin wetting, which has gates."),
        (("Dry", "--begin", "wetting", "--safe", "mk"), "'mk' is no full name, expected 3 letters"),
        (("--gates", "--begin", "wetting"), "--gates only looks"),
    ],
)
def test_what_can_not_be_is_told_in_words(
    tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    kept = keep(tmp_path / "rig")
    kept.close()
    ended = longsoak("phase", kept.rig_file, *arguments)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert says in " ".join(ended.stderr.split())
    assert longsoak("phase", kept.rig_file).stdout == "No phase was begun.\n"


RISES = "cork-lime 30/60"


def at_rest(folder: Path, *, now: int) -> Kept:
    """A rig that was at rest for 12 days."""
    times = range(now - 12 * DAY_MS, now, 900_000)
    return keep(folder, times=list(times), now_ms=now, wrong={})


def proven(kept: Kept, now: int) -> None:
    """Prove all of its channels, and tick the safety list."""
    taken = [(Step.BEGIN, RIG), *((Step.SAFETY, item.key) for item in SAFETY)]
    taken += [(s, p.name) for p in kept.rig.probes for s in steps_of(p, kept.rig)]
    entries = [
        ProofEntry(0, now - DAY_MS, "a", step, name, Outcome.GOOD, "mk", "As told", {})
        for step, name in taken
    ]
    requests = [
        Request(f"p{n}", entry.utc_ms, "proof", "", "mk") for n, entry in enumerate(entries)
    ]
    kept.writer.commit(Batch(proof=list(zip(requests, entries, strict=True))))


def baseline(kept: Kept, from_ms: int) -> None:
    entry = LogbookEntry(
        asked_utc_ms=from_ms, at_utc_ms=from_ms, by="mk", says="Two weeks", kind=PHASE,
        content=phase_content("baseline"), number=1, request="baseline", kept_utc_ms=from_ms,
        synchronised=True,
    )  # fmt: skip
    kept.writer.commit(Batch(logbook=[entry]))


def gates(kept: Kept, *more: str) -> tuple[int, dict[str, str]]:
    told = longsoak("phase", kept.rig_file, "--gates", "--json", *more)
    return told.returncode, {gate["gate"]: gate["state"] for gate in json.loads(told.stdout)}


def asked(kept: Kept) -> list[dict[str, object]]:
    return [json.loads(request.body)["content"] for request in kept.inbox.waiting()]


def test_a_wetting_begins_once_its_gates_are_met(tmp_path: Path) -> None:
    now = now_ms()
    kept = at_rest(tmp_path / "rig", now=now)
    code, before = gates(kept)
    assert (code, before) == (
        1,
        {"readings steady": "met", "baseline": "not met", "proof": "not met",
         "safety list": "not met"},
    )  # fmt: skip
    begin = ("phase", kept.rig_file, "At rest", "--begin", "wetting", "--by", "mk")
    refused = longsoak(*begin)
    assert refused.returncode == 1
    assert "Baseline, not met: No baseline was begun; 14 days were asked for." in refused.stdout
    assert "Residual-current protection is there" in refused.stdout
    assert "local codes and licensed practice decide" in refused.stdout
    assert "3 gates not met (baseline, proof, safety list)" in refused.stderr
    assert asked(kept) == []

    baseline(kept, now - 15 * DAY_MS)
    proven(kept, now)
    assert gates(kept) == (0, dict.fromkeys(before, "met"))
    # As it stood three days ago, the baseline was too short and nothing was proven.
    then = datetime.fromtimestamp(now / 1000, UTC) - timedelta(days=3)
    code, earlier = gates(kept, "--at", f"{then:%Y-%m-%d %H:%M}")
    assert code == 1
    assert [name for name, state in earlier.items() if state != "met"] == [
        "baseline", "proof", "safety list",
    ]  # fmt: skip
    begun = longsoak(*begin)
    assert "Proof, met: 33 channels proven." in begun.stdout
    (content,) = asked(kept)
    assert set(content) == {"phase", "name", "gates"}
    kept.close()


def test_a_probe_that_still_rises_shuts_the_gate_and_a_reason_opens_it(tmp_path: Path) -> None:
    now = now_ms()
    times = range(now - 8 * DAY_MS, now, 900_000)
    kept = keep(tmp_path / "rig", times=list(times)[:1], now_ms=now, wrong={})
    rises = [
        scan_of(kept.rig, at, now_ms=now, wrong={RISES: Wrong(Flag.PASS, value=12.0 + day)})
        for at in times[1:]
        if (day := (at - times[0]) / DAY_MS)
    ]
    kept.writer.commit(Batch(scans=rises))
    begin = ("phase", kept.rig_file, "Go", "--begin", "wetting", "--by", "mk", "--json")
    refused = json.loads(longsoak(*begin).stdout)
    assert refused["entry"] is None
    assert "4 gates not met (readings steady, baseline" in refused["outcome"]
    steady = refused["gates"][0]
    assert steady["state"] == "not met"
    assert steady["says"] == f"1 of 24 probes still change: {RISES}: +7.00 % WME in 7 days."
    longsoak(*begin, "--although", "The shop closes in May", "--safe", "Mina Kolar")
    (content,) = asked(kept)
    assert (content["although"], content["safe_by"]) == ("The shop closes in May", "Mina Kolar")
    kept.close()


def test_a_wetting_that_is_set_right_keeps_its_gates(tmp_path: Path) -> None:
    kept = keep(tmp_path / "rig")
    gates: dict[str, Json] = {
        "gates": {"proof": {"state": "not met", "says": "x"}},
        "although": "A trial",
    }
    at = now_ms() - DAY_MS
    entry = LogbookEntry(
        asked_utc_ms=at, at_utc_ms=at, by="mk", says="Go", kind=PHASE, number=1, request="w",
        content=phase_content("wetting", gates=gates), kept_utc_ms=at, synchronised=True,
    )  # fmt: skip
    kept.writer.commit(Batch(logbook=[entry]))
    right = ("phase", kept.rig_file, "Its name", "--begin", "wetting", "--name", "first")
    longsoak(*right, "--corrects", "1", "--by", "mk")
    (content,) = asked(kept)
    assert content == {"phase": "wetting", "name": "first", **gates}
    again = longsoak(*right, "--corrects", "1", "--by", "mk", "--although", "Another")
    assert again.returncode == 2
    assert "The gates of a wetting stay as they were when it began" in again.stderr
    # For another time nobody looked at them.
    earlier = datetime.fromtimestamp(at / 1000, UTC) - timedelta(hours=1)
    moved = longsoak(*right, "--corrects", "1", "--by", "mk", "--at", f"{earlier:%Y-%m-%d %H:%M}")
    assert moved.returncode == 1
    assert "The wetting is not begun: 4 gates not met" in moved.stderr
    kept.close()
