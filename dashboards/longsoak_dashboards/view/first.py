"""The first page: how far one is, and what comes next, while a rig has no record yet."""

from dataclasses import dataclass
from pathlib import Path

from longsoak.core.cautions import cautions, output_cautions
from longsoak.core.proof.safety import DECIDES, SAFETY, SafetyItem
from longsoak.core.wording import with_noun
from longsoak.rigfile.filesaway import files_away
from longsoak.rigfile.plan import COLUMNS, OUTPUT_COLUMNS, output_plan, wiring_plan
from longsoak.vocabulary.errors import Mistake
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.view.sentences import capital, counted

Table = tuple[tuple[str, ...], ...]  # its headings first


@dataclass(frozen=True, slots=True)
class Wrong:
    """One mistake: where it stands, what was found and expected there, and how to mend it."""

    place: str
    field: str
    found: str
    expected: str
    remedy: str


@dataclass(frozen=True, slots=True)
class FirstPage:
    """What the page shows.

    `file` is the rig file's name, `folder` where it lies; `smallest` is the text of one to begin
    with, empty where there is one. Without mistakes and with a `plan` it is good.
    """

    lead: str
    file: str
    folder: str
    smallest: str = ""
    mistakes: tuple[Wrong, ...] = ()
    plan: Table = ()
    outputs: Table = ()
    cautions: tuple[str, ...] = ()
    decides: str = DECIDES
    safety: tuple[SafetyItem, ...] = SAFETY


def without_file(path: Path, smallest: str) -> FirstPage:
    """There is no rig file yet; `smallest` is one to begin with."""
    lead = f"There is no {path.name} here yet. It says what hangs where, and all else follows."
    return FirstPage(lead, path.name, _folder(path), smallest=smallest)


def with_mistakes(path: Path, mistakes: tuple[Mistake, ...]) -> FirstPage:
    """The rig file has mistakes; all of them are told."""
    one = len(mistakes) == 1
    count = capital(counted(len(mistakes), "mistake", "mistakes"))
    lead = f"{count} in {path.name}: nothing is measured before {'it is' if one else 'they are'} "
    wrong = tuple(_wrong(each, path) for each in mistakes)
    return FirstPage(f"{lead}mended.", path.name, _folder(path), mistakes=wrong)


def ready(path: Path, rig: Rig, text: str) -> FirstPage:
    """The rig file is good, and nothing was measured under it yet."""
    probes, buses = with_noun(len(rig.probes), "probe"), with_noun(len(rig.buses), "bus", "buses")
    alarms = with_noun(len(rig.alarms), "alarm")
    return FirstPage(
        f"{path.name} is good: {rig.name}, {probes} on {buses}, {alarms}. Nothing is measured yet.",
        path.name,
        _folder(path),
        plan=(COLUMNS, *wiring_plan(rig)),
        outputs=(OUTPUT_COLUMNS, *output_plan(rig)) if rig.outputs else (),
        cautions=(*cautions(rig), *output_cautions(rig), *files_away(text, beside=path.parent)),
    )


def _wrong(mistake: Mistake, path: Path) -> Wrong:
    place = f"Line {mistake.line}" if mistake.line else "The file"
    if mistake.file != str(path):  # a curve file that it names
        place += f" of {Path(mistake.file).name}" if mistake.line else f" {mistake.file}"
    return Wrong(place, mistake.field, repr(mistake.found), mistake.expected, mistake.remedy)


def _folder(path: Path) -> str:
    return str(path.resolve().parent)
