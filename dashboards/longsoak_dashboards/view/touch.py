"""Touching probes in any order: every channel is watched, and the one that moves is named."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp

from longsoak.core.proof.book import Book, Proof
from longsoak.core.proof.touch import RESTING, Movement, moved_most, movements, rested
from longsoak.core.wording import where_words
from longsoak.store.proofrequests import LONGEST
from longsoak.vocabulary.proof import ProofEntry, Step
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import SWITCHES, Kind, Probe, Rig
from longsoak_dashboards.view.sentences import span_words

_AS_IT_WAS = "as it was"
_MOST = 1000.0  # times: beyond, as from an open pair, a figure says nothing
_WORTH_TELLING = 5.0  # s
_FULL = 5.0  # times what counts as moved: the bar is full


@dataclass(frozen=True, slots=True)
class MovementRow:
    """One channel while it is watched. `bar` is a share of 1."""

    name: str
    where: str
    words: str
    bar: float
    moved: bool
    done: bool


@dataclass(frozen=True, slots=True)
class TouchPage:
    """What the sheet shows. `stage` is "start", "rest", "touch" or "over"."""

    stage: str
    since_ms: int
    want: Probe | None
    there: int
    wanted: int
    rows: tuple[MovementRow, ...]
    moved: str | None
    to_touch: tuple[str, ...]
    said: str
    more: str


def touch_page(
    book: Book,
    proof: Proof,
    readings: Mapping[str, Sequence[Reading]],
    *,
    since_ms: int | None,
    want: str | None,
    patience: float,
    now_ms: int,
) -> TouchPage:
    """Work out the sheet.

    Parameters
    ----------
    readings : mapping of str to sequence of Reading
        By probe, since `since_ms`.
    since_ms : int or None
        When the closer look began, ms since 1970 UTC; None before there is one.
    want : str or None
        The probe that is to be touched; None is any.
    patience : float
        How long the readings at rest may take, s: no channel is waited for any longer.
    """
    rig = book.rig
    probes = {probe.name: probe for probe in rig.probes}
    to_touch = tuple(subject for step, subject in book.to_do(proof) if step is Step.TOUCH)
    touches = [] if since_ms is None else touches_since(proof, since_ms)
    before, after = rested(readings, touches)
    there = sum(len(of_one) for of_one in before.values())
    wanted = RESTING * len(rig.probes)
    # Each touch that is kept has the channels watched for as long again.
    began = touches[-1].utc_ms if touches else since_ms
    passed = 0.0 if began is None else (now_ms - began) / 1000
    found: dict[str, Movement] = {}
    if since_ms is None:
        stage = "start"
    elif not 0 <= passed <= LONGEST:
        stage = "over"
    elif not touches and there < wanted and passed < patience:
        stage = "rest"
    else:
        stage, found = "touch", movements(before, after, rig=rig, touches=touches)
    return TouchPage(
        stage=stage,
        since_ms=since_ms or 0,
        want=probes.get(want or ""),
        there=there,
        wanted=wanted,
        rows=tuple(
            _row(probes[name], rig, movement, done=proof.newest(Step.TOUCH, name) is not None)
            for name, movement in sorted(found.items(), key=_most_first)
        ),
        moved=moved_most(found),
        to_touch=to_touch,
        said=f"{touches[-1].subject}, {touches[-1].outcome.value}. {touches[-1].says}"
        if touches
        else "",
        more=_more_words(there, wanted, passed) if stage == "rest" else "",
    )


def touches_since(proof: Proof, since_ms: int) -> list[ProofEntry]:
    """The touches that a proof kept since a closer look began, in that order."""
    entries = (*proof.superseded, *proof.entries.values())
    found = [e for e in entries if e.step is Step.TOUCH and e.utc_ms > since_ms]
    return sorted(found, key=lambda entry: entry.utc_ms)


def _more_words(there: int, wanted: int, passed: float) -> str:
    """How long the rest will take from here, where that is worth telling."""
    if not there or (left := passed * (wanted - there) / there) < _WORTH_TELLING:
        return ""
    return f"about {span_words(left)} more"


def _most_first(item: tuple[str, Movement]) -> float:
    """What moved comes first; all others keep their order, so that the list does not dance."""
    movement = item[1]
    return -movement.strength if movement.moved else 0.0


def _row(probe: Probe, rig: Rig, movement: Movement, *, done: bool) -> MovementRow:
    return MovementRow(
        name=probe.name,
        where=where_words(probe, rig),
        words=_change_words(probe, movement.change),
        bar=min(1.0, movement.strength / _FULL),
        moved=movement.moved,
        done=done,
    )


def _change_words(probe: Probe, change: float) -> str:
    """How far it went: "+1.2 °C"; a resistance as a share of what it was."""
    if probe.kind in (Kind.PINS, Kind.REFERENCE):
        return _share_words(exp(min(50.0, max(-50.0, change))))
    if probe.kind in SWITCHES:
        return "moved" if change else _AS_IT_WAS
    shown = f"{change:+.1f} {probe.unit_words}"
    return _AS_IT_WAS if abs(change) < 0.05 else shown


def _share_words(times: float) -> str:
    if times > _MOST:
        return f"over {_MOST:g} times R"
    if times < 1 / _MOST:
        return f"under 1/{_MOST:g} of R"
    if 0.99 < times < 1.01:
        return _AS_IT_WAS
    return f"{times:.2g} times R" if times > 1 else f"1/{1 / times:.2g} of R"
