"""`longsoak sample`, run as a user runs it."""

import json
from pathlib import Path

import pytest

from longsoak.store.files import folder_of
from longsoak.store.logbook import Logbook
from pages.pagerig import keep
from processes import longsoak, running
from whole.thermorig import lay_out

K1 = (
    *("K1", "--bay", "panel", "--depth", "60", "80", "--height", "120", "--material", "wood"),
    *("--cut", "dry", "--sealed", "--minutes", "4", "--wet", "152.30", "--by", "mk"),
)


def test_a_sample_is_written_wet_completed_once_it_is_dry_and_listed(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path)
    with running(rig_file) as run:
        run.says("recording")
        wet = longsoak("sample", rig_file, *K1)
        assert (wet.returncode, wet.stderr) == (0, "")
        assert wet.stdout.startswith("Kept as number 1, of ")
        assert "not dried yet" in longsoak("sample", rig_file).stdout
        twice = longsoak("sample", rig_file, *K1)
        assert (twice.returncode, twice.stdout) == (2, "")
        assert "Entry 1 is a sample 'K1' already" in twice.stderr
        dry = longsoak(
            *("sample", rig_file, "--corrects", "1", "--oven", "103", "--dry", "128.45"),
            *("--balance", "0.01", "--by", "mk"),
        )
        assert (dry.returncode, dry.stderr) == (0, "")
        assert run.stop() == 0
    first, second = (Logbook(folder_of(rig_file)).entry(number) for number in (1, 2))
    assert first is not None
    assert second is not None
    assert second.at_utc_ms == first.at_utc_ms  # of when it was cut
    (told,) = json.loads(longsoak("sample", rig_file, "--json").stdout)
    assert (told["number"], told["identity"], told["wet_g"]) == (2, "K1", 152.30)
    assert told["moisture"] == pytest.approx(18.5675, abs=5e-5)
    shown = longsoak("sample", rig_file).stdout
    assert "18.57 ± 0.02" in shown
    assert "sample" in longsoak("note", rig_file).stdout
    compared = longsoak("sample", rig_file, "--compare")
    assert (compared.returncode, compared.stdout) == (
        0, "Left out: K1, no embedded pins in its depth within 30 mm of it.\n"
    )  # fmt: skip
    document = json.loads(longsoak("sample", rig_file, "--compare", "--json").stdout)
    assert (document["pairs"], document["agreement"]) == ([], None)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--compare", "--wet", "12"), "--compare goes with --json alone: it writes nothing."),
        (("--wet", "12"), "Say the sample's identity behind the rig file."),
        (("K1", "--bay", "plain lime"), "A sample also needs --depth FROM TO, --height,"),
        (("K1", "--corrects", "7"), "Entry 7 is no sample to complete."),
        ((*K1[:1], "--bay", "stone", *K1[3:]), "There is no bay 'stone'"),
    ],
)
def test_what_is_missing_is_told_in_words(
    tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    kept = keep(tmp_path / "rig")
    kept.close()
    ended = longsoak("sample", kept.rig_file, *arguments)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert says in ended.stderr
    assert longsoak("sample", kept.rig_file).stdout == "No sample was written down.\n"
