"""`longsoak prove --sheet` and `--labels`, as a person uses them once a rig is proven."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from longsoak.core.proof.book import RIG
from longsoak.core.proof.finding import Finding
from longsoak.service.drivers import load_rig
from longsoak.store.files import folder_of
from longsoak.store.inbox import Inbox
from longsoak.store.proofrequests import ask_to_keep
from longsoak.store.writer import Batch
from longsoak.vocabulary.proof import Json, Outcome, Step
from processes import longsoak
from proving.walked import PROOF, entry, finding_of
from rigs import START_MS, Keeper
from whole.thermorig import lay_out


@pytest.fixture(scope="module")
def rig_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rig of two thermometers, proven by reads; its record is a real one."""
    rig_file = lay_out(tmp_path_factory.mktemp("paper"), probes=2)
    rig, _ = load_rig(rig_file)
    content: dict[str, Json] = {
        "why": "before",
        "steps": ["reads"],
        "software": "0.9.1",
        "rig_version": 1,
    }
    entries = [entry(Step.BEGIN, RIG, Finding(Outcome.NOTED, "Begun.", content))]
    entries += [
        entry(Step.READS, probe.name, finding_of(Step.READS, probe, rig)) for probe in rig.probes
    ]
    with Keeper(folder_of(rig_file), rig) as keeper, closing(Inbox(folder_of(rig_file))):
        keeper.writer.accept_rig(rig_file.read_text(), utc_ms=START_MS)
        asked = [ask_to_keep(folder_of(rig_file), each) for each in entries]
        keeper.scan({"T0": 20.0, "T1": 21.0})
        keeper.writer.commit(Batch(proof=list(zip(asked, entries, strict=True))))
    return rig_file


@pytest.fixture
def out(tmp_path: Path) -> Iterator[Path]:
    """Where to write; nothing may be left beside it."""
    yield tmp_path / "out.html"
    assert [path.name for path in tmp_path.iterdir() if path.name != "out.html"] == []


def test_the_newest_proof_is_written_and_what_is_there_is_kept_unless_it_may_be_replaced(
    rig_file: Path, out: Path
) -> None:
    written = longsoak("prove", rig_file, "--sheet", out)
    assert written.returncode == 0, written.stderr
    assert written.stdout == f"{out} holds the proof begun at {PROOF}, proven.\n"
    html = out.read_text()
    assert "Proven: 2 channels: 2 proven, by reads alone." in html
    assert html.endswith("</html>\n")
    out.write_text("somebody's notes")
    refused = longsoak("prove", rig_file, "--sheet", out)
    assert refused.returncode == 2
    assert "is there already. Add --replace to write over it." in refused.stderr
    assert out.read_text() == "somebody's notes"
    assert longsoak("prove", rig_file, "--sheet", out, "--replace").returncode == 0
    assert out.read_text() == html


def test_labels_want_the_address_of_the_pages_and_no_record(rig_file: Path, out: Path) -> None:
    refused = longsoak("prove", rig_file, "--labels", out)
    assert refused.returncode == 2
    assert 'Add page to [rig], for example page = "http://' in refused.stderr
    assert not out.exists()
    text = rig_file.read_text().replace("[rig]", '[rig]\npage = "http://shop-pi.example:8460/"')
    other = rig_file.parent / "elsewhere" / "rig.toml"
    other.parent.mkdir()
    other.write_text(text)
    assert not folder_of(other).exists()
    written = longsoak("prove", other, "--labels", out)
    assert written.returncode == 0, written.stderr
    assert written.stdout == f"{out} holds 2 labels that lead to http://shop-pi.example:8460/.\n"
    assert out.read_text().count('class="code"') == 2


def test_a_proof_is_named_by_how_its_beginning_begins(rig_file: Path, out: Path) -> None:
    written = longsoak("prove", rig_file, "--sheet", out, "--of", PROOF[:10])
    assert written.stdout == f"{out} holds the proof begun at {PROOF}, proven.\n"
    assert longsoak("prove", rig_file, "--show", "--of", PROOF).returncode == 0
    none = longsoak("prove", rig_file, "--show", "--of", "2020")
    assert (none.returncode, none.stdout) == (2, "")
    assert none.stderr == f"No proof began at 2020. Say which: {PROOF}.\n"


def test_without_a_proof_nothing_is_written(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path / "rig", probes=1)
    out = tmp_path / "out.html"
    told = longsoak("prove", rig_file, "--sheet", out)
    assert (told.returncode, told.stdout) == (1, "")
    assert str(folder_of(rig_file)) in told.stderr
    assert not out.exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--sheet", "a.html", "--labels", "b.html"), "go one at a time"),
        (("--sheet", "a.html", "--show"), "go one at a time"),
        (("--show", "--replace"), "--replace is for --sheet and --labels."),
        (("--sheet", "rig.toml", "--replace"), "rig.toml is the rig file."),
        (("--reads", "--of", "2031"), "--of is for --show, --compare and --sheet."),
    ],
)
def test_what_can_not_be_asked_together_is_told(
    rig_file: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], words: str
) -> None:
    monkeypatch.chdir(rig_file.parent)
    before = rig_file.read_text()
    told = longsoak("prove", "rig.toml", *options)
    assert told.returncode == 2
    assert words in " ".join(told.stderr.split())
    assert rig_file.read_text() == before
