"""Rigs and records to look at, written through the shipped loader and writer; all invented."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from longsoak.core.handflags import flag_content
from longsoak.core.quality.health import ClosedDay
from longsoak.rigfile.load import parse
from longsoak.store.files import folder_of
from longsoak.store.health import HealthMemory, HealthNews
from longsoak.store.inbox import Inbox
from longsoak.store.writer import Batch, RecordWriter
from longsoak.vocabulary.alarm import AlarmChange, AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.health import Fault, Finding
from longsoak.vocabulary.logbook import FLAG, About, LogbookEntry, Subject
from longsoak.vocabulary.reading import Scan
from longsoak.vocabulary.rig import Kind, Probe, Rig

NOW_MS = 1_790_165_051_000  # 2026-09-23T12:04:11Z
DAY_MS = 86_400_000
DRIFT = "plain lime 90/160"
RAW_UNIT = {
    Kind.PINS: "Ohm",
    Kind.REFERENCE: "Ohm",
    Kind.HUMIDITY: "%",
    Kind.TEMPERATURE: "Cel",
    Kind.LEVEL: "mV",
    Kind.FLOAT: "1",
    Kind.FLOW: "Hz",
    Kind.PUMP_CURRENT: "mA",
    Kind.POLARISATION: "mV",
}
UNCERTAINTY = {
    Kind.PINS: 0.45,
    Kind.REFERENCE: 5e4,
    Kind.HUMIDITY: 1.0,
    Kind.TEMPERATURE: 0.25,
    Kind.LEVEL: 1.0,
    Kind.FLOAT: 0.0,
    Kind.FLOW: 0.09,
    Kind.PUMP_CURRENT: 0.02,
    Kind.POLARISATION: 5.0,
}

HEAD = """
[rig]
name = "{name}"
invented = true
start = 2026-05-04

[specimen]
height = {height}
width = {width}
underside = {underside}
edges = {{ top = "sealed", bottom = "open", left = "guarded", right = "guarded" }}
between_bays = {between}
"""
BAY = """
[[bays]]
name = "{name}"
from = {start}
to = {end}
layers = [{layers}]
"""
TRAY = """
[reservoir]
name = "catch tray"
level = "water level"
float = "high float"
depth_table = [[0, 0], [150, 61.2], [500, 204]]
length = 1200
breadth = 340
rim = 150
stop = {stop:g}
pump_needs = {pump_needs:g}
"""
BUS = """
[[buses]]
name = "wire"
driver = "scpi"
"""
TRAY_PROBES = """
[[probes]]
name = "water level"
kind = "level"
place = "catch tray"
bus = "wire"
address = { channel = 90 }
zero = -20.0
per_unit = 0.1
every = 5
record = 60
resolution = 0.5

[[probes]]
name = "high float"
kind = "float"
trips_at = 105
bus = "wire"
address = { channel = 91 }
"""
PUMP_PROBES = """
[[probes]]
name = "drip rail flow"
kind = "flow"
place = "drip rail"
runs_from = 0.4
per_unit = 0.1333
bus = "wire"
address = { channel = 92 }

[[probes]]
name = "pump"
kind = "pump current"
runs_from = 0.3
per_unit = 0.001
bus = "wire"
address = { channel = 93 }
"""


@dataclass(frozen=True, slots=True)
class Bays:
    """What the specimen is made of: bays with layers, and the pins' grid in each.

    A bay named in `own` has layers of its own; pins deeper than a bay is thick are left out there.
    """

    names: tuple[str, ...] = ("cork-lime", "plain lime")
    layers: tuple[tuple[str, str, float], ...] = (
        ("{bay} render", "", 60),
        ("timber panel", "timber", 180),
    )
    own: Mapping[str, tuple[tuple[str, str, float], ...]] = field(default_factory=dict)
    depths: tuple[float, ...] = (30, 90, 170)
    heights: tuple[float, ...] = (60, 160, 260, 360)
    height: float = 420
    underside: float = 110
    reservoir: bool = True
    elsewhere: bool = True
    pump: bool = False
    name: str = "render pair"

    def layers_of(self, name: str) -> tuple[tuple[str, str, float], ...]:
        """The layers of the bay `name`."""
        return self.own.get(name, self.layers)

    def thickness(self, name: str) -> float:
        """How thick the bay `name` is, mm."""
        return sum(thick for _, _, thick in self.layers_of(name))


UNLIKE = Bays(
    names=("thick", "thin", "medium"),
    own={
        "thick": (("rubble", "masonry", 480), ("lime plaster", "lime", 20)),
        "thin": (("board", "timber", 50),),
        "medium": (("brick", "masonry", 200), ("cork", "cork", 40)),
    },
    depths=(12, 38, 120, 300),
    heights=(60, 200, 380),
    name="three of unlike thickness",
)


def rig_text(bays: Bays = Bays()) -> str:
    """A rig file of `bays`."""
    wide = 600
    parts = [
        HEAD.format(
            name=bays.name,
            height=bays.height,
            width=wide * len(bays.names),
            underside=bays.underside,
            between=["sealed"] * (len(bays.names) - 1),
        )
    ]
    for i, name in enumerate(bays.names):
        own = "cork" if "cork" in name else "lime"
        layers = ", ".join(
            f'{{ name = "{layer.format(bay=name)}", material = "{material or own}",'
            f" thickness = {thick} }}"
            for layer, material, thick in bays.layers_of(name)
        )
        parts.append(BAY.format(name=name, start=i * wide, end=(i + 1) * wide, layers=layers))
    if bays.reservoir:
        stop = min(100, bays.underside - 10)
        parts.append(TRAY.format(stop=stop, pump_needs=min(25, stop / 2)))
    parts.append(BUS)
    channel = 100
    for name in bays.names:
        for depth in (d for d in bays.depths if d < bays.thickness(name)):
            for height in bays.heights:
                channel += 1
                parts.append(
                    f'[[probes]]\nname = "{name} {depth:g}/{height:g}"\nkind = "pins"\n'
                    f'bay = "{name}"\ndepth = {depth}\nheight = {height}\nbus = "wire"\n'
                    f'address = {{ channel = {channel} }}\ncurve = "Douglas-fir (coast)"\n'
                    f'temperature = "{bays.names[0]} timber"\nevery = 900\n'
                )
    for name in bays.names:
        channel += 1
        parts.append(
            f'[[probes]]\nname = "{name} timber"\nkind = "temperature"\nbay = "{name}"\n'
            f"depth = {round(bays.thickness(name) * 0.625)}\nheight = {bays.height / 2:g}\n"
            f'bus = "wire"\naddress = {{ channel = {channel} }}\nevery = 60\n'
        )
    if bays.elsewhere:
        for name, kind, more in (
            ("meter reference", "reference resistor", "nominal = 10e6"),
            ("air wet RH", "humidity", 'place = "air, wet face"'),
            ("air wet T", "temperature", 'place = "air, wet face"'),
            ("air dry RH", "humidity", 'place = "air, dry face"'),
            ("air dry T", "temperature", 'place = "air, dry face"'),
        ):
            channel += 1
            parts.append(
                f'[[probes]]\nname = "{name}"\nkind = "{kind}"\n{more}\nbus = "wire"\n'
                f"address = {{ channel = {channel} }}\nevery = 60\n"
            )
    if bays.reservoir:
        parts.append(TRAY_PROBES)
    if bays.pump:
        parts.append(PUMP_PROBES)
    return "\n".join(parts)


def make_rig(bays: Bays = Bays()) -> Rig:
    """The rig of `rig_text`."""
    return parse(rig_text(bays), file="rig.toml", find_kind=None)


@dataclass(frozen=True, slots=True)
class Wrong:
    """A reading that is not as it should be; `value` None leaves none."""

    flag: Flag
    reason: Reason = Reason.NONE
    value: float | None = None


OTHERWISE: Mapping[str, Wrong] = {
    "plain lime 30/60": Wrong(Flag.PASS, Reason.WETTER_THAN_CURVE, 25.0),
    "plain lime 90/60": Wrong(Flag.SUSPECT, value=23.1),
    "plain lime 170/260": Wrong(Flag.MISSING, Reason.NO_ANSWER),
    "cork-lime 170/360": Wrong(Flag.FAIL, Reason.OPEN_CIRCUIT, 3.2),
    "cork-lime 170/60": Wrong(Flag.NOT_EVALUATED, Reason.NO_TEMPERATURE),
}


def usual(probe: Probe, hours: float) -> float:
    """A plausible invented value, `hours` before now."""
    sway = math.sin(hours / 3.8) + 0.4 * math.sin(hours * 1.7)
    if probe.kind is Kind.PINS:
        plain = 2.6 if probe.bay and "plain" in probe.bay else 0.0
        depth, height = probe.depth or 0.0, probe.height or 0.0
        return 11.5 + (11 + plain) * math.exp(-depth / 75) * math.exp(-height / 800) + 0.12 * sway
    return {
        Kind.REFERENCE: 10.02e6 + 4e3 * sway,
        Kind.HUMIDITY: 58 + 4 * sway,
        Kind.TEMPERATURE: 20.4 + 0.9 * sway,
        Kind.LEVEL: 72 - 0.02 * hours + 0.3 * sway,
        Kind.FLOAT: 0.0,
        Kind.FLOW: 2.8 + 0.2 * sway,
        Kind.PUMP_CURRENT: 0.42 + 0.01 * sway,
    }[probe.kind]


def scan_of(
    rig: Rig, utc_ms: int, *, now_ms: int = NOW_MS, wrong: Mapping[str, Wrong] | None = None
) -> Scan:
    """One scan of every probe."""
    values: list[float] = []
    flags: list[Flag] = []
    reasons: list[Reason] = []
    for probe in rig.probes:
        odd = (wrong or {}).get(probe.name)
        value = usual(probe, (now_ms - utc_ms) / 3_600_000)
        if odd is not None:
            value = math.nan if odd.value is None else odd.value
        values.append(value)
        flags.append(odd.flag if odd else Flag.PASS)
        reasons.append(odd.reason if odd else Reason.NONE)
    return Scan(
        bus="wire",
        utc_ms=utc_ms,
        boottime_ms=utc_ms - NOW_MS + 400 * DAY_MS,
        synchronised=True,
        probes=tuple(p.name for p in rig.probes),
        units=tuple(RAW_UNIT[p.kind] for p in rig.probes),
        raw=tuple(math.nan if flag is Flag.MISSING else 4.2e6 for flag in flags),
        values=tuple(values),
        uncertainties=tuple(
            math.nan if math.isnan(v) else UNCERTAINTY[p.kind]
            for v, p in zip(values, rig.probes, strict=True)
        ),
        flags=tuple(flags),
        reasons=tuple(reasons),
    )


def change(
    key: str, utc_ms: int, old: AlarmState, new: AlarmState, *, value: float | None = None,
    says: str = "", by: str | None = None,
) -> AlarmChange:  # fmt: skip
    """An alarm change."""
    return AlarmChange(key, utc_ms, utc_ms - NOW_MS + 400 * DAY_MS, old, new, value, says, by)


@dataclass(slots=True)
class Kept:
    """A rig folder with a record in it, still open for writing."""

    rig_file: Path
    rig: Rig
    writer: RecordWriter
    inbox: Inbox
    wrong: Mapping[str, Wrong] = field(default_factory=dict)

    @property
    def folder(self) -> Path:
        """The record's folder."""
        return folder_of(self.rig_file)

    def scan(self, utc_ms: int, *, otherwise: Mapping[str, Wrong] | None = None) -> None:
        """Commit a scan of every probe, some `otherwise` than they are."""
        odd = {**self.wrong, **(otherwise or {})}
        scan = scan_of(self.rig, utc_ms, now_ms=utc_ms, wrong=odd)
        self.writer.commit(Batch(scans=[scan]))

    def close(self) -> None:
        """Close writer and inbox."""
        self.writer.close()
        self.inbox.close()


def keep(
    folder: Path,
    *,
    text: str | None = None,
    times: Sequence[int] = (NOW_MS - 11_000,),
    now_ms: int = NOW_MS,
    wrong: Mapping[str, Wrong] = OTHERWISE,
    wrong_since_ms: int = 0,
    stopped_after: int | None = None,
    changes: Sequence[AlarmChange] = (),
) -> Kept:
    """Lay out a rig with scans at `times`; the first run is cut off after time `stopped_after`."""
    folder.mkdir(parents=True, exist_ok=True)
    rig_file = folder / "rig.toml"
    rig_file.write_text(text or rig_text())
    rig = parse(rig_file.read_text(), file="rig.toml", find_kind=None)
    writer = RecordWriter(folder_of(rig_file), now="2026-05-04T09:00:00.000Z")
    inbox = Inbox(folder_of(rig_file))
    kept = Kept(rig_file, rig, writer, inbox, wrong)
    first = times[0] if times else now_ms
    writer.accept_rig(rig_file.read_text(), utc_ms=first)
    begun = False
    for start, end in ((0, stopped_after or 0), (stopped_after or 0, now_ms + 1)):
        run = [t for t in times if start < t <= end]
        if not run:
            continue
        writer.begin_run(
            boot="b",
            software="0",
            utc_ms=run[0],
            boottime_ms=run[0] - NOW_MS + 400 * DAY_MS,
            synchronised=True,
        )
        begun = True
        scans = [
            scan_of(rig, t, now_ms=now_ms, wrong=wrong if t >= wrong_since_ms else None)
            for t in run
        ]
        writer.commit(Batch(scans=scans))
    if not begun:
        writer.begin_run(
            boot="b", software="0", utc_ms=now_ms, boottime_ms=400 * DAY_MS, synchronised=True
        )
    writer.commit(Batch(changes=list(changes)))
    return kept


def drift(*, since_ms: int, over: bool = False) -> Finding:
    """A drift of one pair of pins that was found 20 days after it began."""
    return Finding(
        DRIFT,
        Fault.DRIFT,
        since_ms,
        since_ms + 20 * DAY_MS,
        f"{DRIFT}: has gone 0.6 % MC wetter than plain lime 90/60 and plain lime 90/260",
        over=over,
        against=("plain lime 90/60", "plain lime 90/260"),
        figures={"a month": 0.9876, "p": 0.00012},
    )


def told(kept: Kept, findings: Sequence[Finding], days: Sequence[ClosedDay] = ()) -> None:
    """Keep what was found, as the judging chore does."""
    memory = HealthMemory(1, None, b"")
    kept.writer.keep_health(HealthNews(memory, list(findings), [], list(days)))


def flagged(
    kept: "Kept", flag: Flag, *, since_ms: int, until_ms: int | None, name: str = DRIFT
) -> None:
    """Keep a flag that somebody set, on the pair that drifts unless told otherwise."""
    entry = LogbookEntry(
        asked_utc_ms=since_ms + 60_000,
        at_utc_ms=since_ms,
        by="mk",
        says="A hand meter says 13 %",
        kind=FLAG,
        subject=Subject(About.PROBE, name),
        content=flag_content(flag, until_ms=until_ms),
        number=1,
        request="flag",
        kept_utc_ms=until_ms or since_ms + 60_000,
    )
    kept.writer.commit(Batch(logbook=[entry]))
