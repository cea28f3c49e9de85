"""`longsoak wettrade`, `newhole` and `closing`, run as a user runs them."""

import json
from pathlib import Path

import pytest

from longsoak.core.closing import KEYS
from pages.pagerig import keep
from processes import longsoak, running
from whole.thermorig import lay_out


def test_what_is_done_to_the_specimen_is_kept_and_listed(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    by = ("--by", "mk")
    with running(rig_file) as run:
        run.says("recording")
        poured = longsoak(
            *("wettrade", rig_file, "Screed at the joist end", "--litres", "40", "--bay", "panel"),
            *("--mix", "lime 1, sand 3", "--curing", "18", "--settles", "35"),
            *("--at", "2026-01-04 09:00", *by),
        )
        assert (poured.returncode, poured.stderr) == (0, "")
        assert "It settles until 8 Feb 2026, 09:00:00 UTC." in poured.stdout
        assert "Wet lime and cement burn skin and eyes" in poured.stdout
        moved = longsoak(
            *("newhole", rig_file, "Its hole had split", "--probe", "T1", "--offset", "0.4"),
            *("--uncertainty", "0.1", "--overlap", "48", *by),
        )
        assert "A new series of T1 begins: the new one reads 0.40 ± 0.20 °C more" in moved.stdout
        assert longsoak("closing", rig_file).returncode == 1
        for item in KEYS:
            more = ("--not-done",) if item == "cores" else ()
            done = longsoak(
                *("closing", rig_file, f"About {item}", "--item", item, "--name", "Mina Kolar"),
                *(*more, *by),
            )
            assert (done.returncode, done.stderr) == (0, "")
        assert run.stop() == 0
    (trade,) = json.loads(longsoak("wettrade", rig_file, "--json").stdout)
    assert (trade["litres"], trade["bay"], trade["curing_temperature"]) == (40, "panel", 18)
    assert trade["settles_until"] == "2026-02-08T09:00:00.000Z"
    assert (
        "40 L of lime 1, sand 3 into panel, cured at 18 °C" in longsoak("wettrade", rig_file).stdout
    )
    (hole,) = json.loads(longsoak("newhole", rig_file, "--json").stdout)
    assert (hole["probe"], hole["offset"], hole["overlap_h"]) == ("T1", 0.4, 48)
    assert "0.40 ± 0.20 °C more, by 48 h side by side" in longsoak("newhole", rig_file).stdout
    listed = longsoak("closing", rig_file)
    assert listed.returncode == 0
    assert "cores: not done\n  About cores\n  Mina Kolar, " in listed.stdout
    assert "Every item is answered." in listed.stdout
    items = json.loads(longsoak("closing", rig_file, "--json").stdout)
    assert [item["item"] for item in items if item["answer"] == "not done"] == ["cores"]
    notes = longsoak("note", rig_file).stdout
    assert "40 L of lime 1, sand 3 into panel, cured at 18 °C; it settles until" in notes
    assert "A new series begins: the new one reads 0.40 ± 0.20 more" in notes
    assert "Cores: not done, Mina Kolar." in notes


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("wettrade", "--litres", "4"), "Write what was done behind the rig file"),
        (("wettrade", "Poured", "--litres", "4"), "Say how much was poured with --litres"),
        (("wettrade", "Poured", "--litres", "4", "--mix", "m", "--bay", "x"), "no bay 'x'"),
        (("wettrade", "Poured", "--litres", "0", "--mix", "m"), "is not litres from 0.001"),
        (("newhole", "--probe", "cork-lime 30/60"), "Write the reason behind the rig file"),
        (("newhole", "Split"), "Say which probe was moved or renewed with --probe."),
        (("newhole", "Split", "--probe", "water level"), "water level sits in no hole"),
        (("newhole", "Split", "--probe", "plain lime"), "A new hole is about a probe. Name it"),
        (("newhole", "Split", "--probe", "cork-lime 30/60", "--offset", "1"), "has a standard unc"),
        (("closing", "--item", "cores"), "Write the answer behind the rig file"),
        (("closing", "Done", "--item", "cores"), "Say which item it answers with --item, and who"),
        (("closing", "Done", "--item", "cores", "--name", "mk"), "initials are no signature"),
        (("closing", "Done", "--item", "flowers", "--name", "Mina Kolar"), "is not one of"),
    ],
)
def test_what_can_not_be_is_told_in_words(
    tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    kept = keep(tmp_path / "rig")
    command, *more = arguments
    ended = longsoak(command, kept.rig_file, *more)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert says in " ".join(ended.stderr.split())
    assert list(kept.inbox.waiting()) == []
    kept.close()
