"""What the versions of a rig file say of the probes that were read under them."""

from collections.abc import Sequence

from longsoak.core.wording import bound_words
from longsoak.report.fields import BOUNDS
from longsoak.rigfile.curvefile import curve_text
from longsoak.rigfile.load import parse, tables_of
from longsoak.store.reader import RigVersion
from longsoak.vocabulary.errors import RigFileError
from longsoak.vocabulary.flags import Reason
from longsoak.vocabulary.rig import UNIT, Kind, Probe, Rig


class Rigs:
    """Every version of a rig file, read.

    One that this version of the program no longer takes says nothing of its probes; its readings
    are told all the same.
    """

    def __init__(self, versions: Sequence[RigVersion]) -> None:
        self.versions = tuple(versions)
        self._rigs = {version.number: _read(version) for version in versions}
        self._probes = {
            (number, probe.name): probe
            for number, rig in self._rigs.items()
            if rig is not None
            for probe in rig.probes
        }

    def rig(self, version: int) -> Rig | None:
        """The rig of a version, if it could be read."""
        return self._rigs.get(version)

    def invented(self, version: int) -> bool:
        """Whether a version says that all its data is invented, even if the rest is not taken."""
        text = next((kept.text for kept in self.versions if kept.number == version), "")
        try:
            table = tables_of(text, file="").get("rig")
        except RigFileError:
            return False
        return isinstance(table, dict) and table.get("invented") is True

    def probe(self, version: int, name: str) -> Probe | None:
        """A probe as a version declares it."""
        return self._probes.get((version, name))

    def kind(self, version: int, name: str) -> Kind | None:
        """What a probe measured under a version; None if that is not known."""
        probe = self.probe(version, name)
        return None if probe is None else probe.kind

    def unit(self, version: int, name: str) -> str | None:
        """The unit of a probe's values, a UCUM code; None if its kind is not known."""
        kind = self.kind(version, name)
        return None if kind is None else UNIT[kind]

    def curves(self, version: int) -> str:
        """The curves that a version's probes are converted by, as TOML; empty if there are none."""
        rig = self.rig(version)
        if rig is None:
            return ""
        used = sorted({probe.curve for probe in rig.probes if probe.curve is not None})
        return "\n".join(curve_text(rig.curves[name]) for name in used)


def bound_of(kind: Kind | None, reason: Reason) -> str | None:
    """Whether a value with that reason is only a bound, and which way the truth lies.

    A probe of unknown kind is taken for pins: a bound that looks like a number would mislead.
    """
    words = bound_words(Kind.PINS if kind is None else kind, 0.0, reason)
    return None if words is None else BOUNDS[words]


def _read(version: RigVersion) -> Rig | None:
    try:
        return parse(version.text, file=f"version {version.number}", find_kind=None)
    except RigFileError:
        return None
