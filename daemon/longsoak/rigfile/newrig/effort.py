"""What a layout takes: pairs of pins, hours of drilling, minutes a week. Pure.

None of the times is from a standard: they are assumptions, told with the result, and each of them
can be changed by whoever has drilled such holes before.
"""

from dataclasses import dataclass, replace

from longsoak.rigfile.newrig.answers import Answers, Layout
from longsoak.rigfile.newrig.probes import plan_probes
from longsoak.vocabulary.rig import Kind


@dataclass(frozen=True, slots=True)
class Minutes:
    """What is assumed, min."""

    pair: float = 15.0  # mark out, drill two holes, measure their depth twice, drive and seal
    card: float = 4.0  # installation card with a photo, for what sits inside
    look: float = 15.0  # the pages, the tray, the pump, top up
    hand: float = 2.0  # one reading with a hand meter, written down
    weighing: float = 20.0  # three readings of the scale, drained
    round: float = 10.0  # conductivity and pH of the water, a photo of the faces


@dataclass(frozen=True, slots=True)
class Effort:
    """What a layout takes. `control_to_build` says that a bay in it is not there yet."""

    layout: Layout
    pairs: int
    others: int
    drilling_hours: float
    weekly_minutes: float
    hand_readings: int
    control_to_build: bool


def effort(answers: Answers, layout: Layout, minutes: Minutes) -> Effort:
    """What a layout of these answers takes.

    Parameters
    ----------
    answers : Answers
        Of either layout.
    layout : Layout
        The one that is asked about.
    minutes : Minutes
        What each piece of work takes, min.

    Returns
    -------
    Effort
        A sceptic-proof layout counts a control bay like the first bay where none is declared.
    """
    planned = replace(answers, layout=layout, air=answers.air)
    probes = plan_probes(planned)
    pairs = sum(probe.kind is Kind.PINS for probe in probes)
    inside = sum("bay" in probe.says for probe in probes)
    spots = sum(len(bay.depths) for bay in answers.bays)
    others = len(probes) - pairs
    sceptical = layout is Layout.SCEPTIC_PROOF
    missing = sceptical and answers.control is None
    if missing:
        first = answers.bays[0]
        more = 2 * len(first.depths) * len(first.along)
        warm = 1 if answers.thermometers else 0
        pairs, inside = pairs + more, inside + more + warm
        others, spots = others + warm, spots + len(first.depths)
    hand = spots if sceptical else 0
    week = minutes.look + (hand * minutes.hand + minutes.weighing + minutes.round) * sceptical
    return Effort(
        layout=layout,
        pairs=pairs,
        others=others,
        drilling_hours=(pairs * minutes.pair + inside * minutes.card) / 60,
        weekly_minutes=week,
        hand_readings=hand,
        control_to_build=missing,
    )


def effort_words(one: Effort) -> str:
    """An effort as a line."""
    control = ", with a control bay that is yet to be built" if one.control_to_build else ""
    return (
        f"{one.layout}: {one.pairs} pairs of pins and {one.others} other probes{control}; "
        f"about {one.drilling_hours:.1f} h of drilling and cards, then "
        f"{one.weekly_minutes:.0f} min a week"
    )


def what_it_adds() -> tuple[str, ...]:
    """What a sceptic-proof layout has that a minimum has not, in words. Common practice."""
    return (
        "every place twice, so that one bad hole is not taken for water",
        "a control bay of the same build that is never wetted",
        "a reference resistor, read with the pins, that vouches for their instrument",
        "humidity and temperature of the air on both sides",
        "a hand reading beside each depth, a weighing, and a round of water and photos every week",
    )


def assumptions(minutes: Minutes) -> str:
    """The assumptions behind these figures, with the options that change them."""
    return (
        f"Assumed, not measured: {minutes.pair:g} min for a pair of pins (--minutes-pair), "
        f"{minutes.card:g} for an installation card (--minutes-card); each week {minutes.look:g} "
        f"to look and top up (--minutes-look), {minutes.hand:g} a hand reading (--minutes-hand), "
        f"{minutes.weighing:g} to weigh (--minutes-weighing), {minutes.round:g} for water and "
        "photos (--minutes-round)."
    )
