"""The small rig with the simulated reservoir under it, and a book that is told of what is read."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from core.water import simulated
from longsoak.core.water.book import WaterBook
from longsoak.core.water.vessel import drawn
from longsoak.vocabulary.rig import Block, EvaporationPan, Kind, Probe, Rig, Weighs
from longsoak.vocabulary.water import Found, WaterHour, WaterNews
from rigs import small_rig

NAMES = ("water level", "pan level", "flow", "scale")


def water_rig(*, pan: bool = False, flow: bool = True, scale: bool = False) -> Rig:
    """The rig; of pan, flow and scale what is asked for."""
    usual = small_rig()
    blocks = (Block(simulated.PEDESTALS, 0.0, simulated.HIGH),)
    table = drawn(simulated.LENGTH, simulated.BREADTH, blocks, rim=simulated.RIM)
    assert usual.reservoir is not None
    kept = [probe for probe in usual.probes if probe.name != "water level"]
    more = [probe("water level", Kind.LEVEL, record=60.0, resolution=0.1)]
    if pan:
        more.append(probe("pan level", Kind.LEVEL))
    if flow:
        more.append(replace(probe("flow", Kind.FLOW), runs_from=0.3))
    if scale:
        more.append(replace(probe("scale", Kind.SCALE), weighs=Weighs.SPECIMEN))
    return replace(
        usual,
        probes=(*kept, *more),
        reservoir=replace(usual.reservoir, depth_table=tuple(table), blocks=blocks),
        pan=EvaporationPan("pan level", 0.05, 1 / 1.25, 0.05) if pan else None,
    )


def probe(name: str, kind: Kind, *, record: float = 60.0, resolution: float = 0.0) -> Probe:
    return Probe(name, kind, "tray", {}, 60.0, record, resolution)


@dataclass
class Told:
    """What a book told of a plan, the newest of what was told again."""

    book: WaterBook
    truth: simulated.Truth = field(default_factory=simulated.Truth)
    hours: list[WaterHour] = field(default_factory=list)
    news: dict[tuple[Found, float, str], WaterNews] = field(default_factory=dict)
    at: dict[tuple[Found, float, str], float] = field(default_factory=dict)

    def of(self, found: Found) -> list[WaterNews]:
        """What was told of one kind, in the order of time."""
        ordered = sorted(self.news.items(), key=lambda each: each[0][1])
        return [news for (kind, _, _), news in ordered if kind is found]


def told(
    plan: simulated.Plan,
    rig: Rig | None = None,
    *,
    again: Callable[[WaterBook], WaterBook] | None = None,
) -> Told:
    """Tell a book what a plan gives; `again` may exchange the book each midnight."""
    rig = rig or water_rig()
    found = Told(WaterBook(rig))
    names = {each.name for each in rig.probes}
    layout = tuple(name for name in NAMES if name in names)
    places = [NAMES.index(name) + 1 for name in layout]
    flags = (1,) * len(layout)
    for look in simulated.run(plan, found.truth):
        if look is None:
            continue
        if again is not None and look.at % simulated.DAY < plan.every:
            found.book = again(found.book)
        for news in found.book.take(look.at, layout, [look[place] for place in places], flags):
            if isinstance(news, WaterHour):
                found.hours.append(news)
            else:
                key = news.found, news.begin, news.subject
                found.news[key] = news
                found.at.setdefault(key, look.at)
    return found
