"""What `longsoak now` says of the health of the probes."""

from collections.abc import Sequence

from longsoak.cli.common import table
from longsoak.core.handflags import flag_picture
from longsoak.core.probehealth import ProbeHealth, aside_words
from longsoak.core.wording import rfc3339, with_noun

_LINE = "\n"


def health_picture(seen: Sequence[ProbeHealth]) -> list[dict[str, object]]:
    """The same for ``--json``."""
    return [
        {
            "probe": each.probe.name,
            "judged": each.judged,
            "good_hours": {
                name: None if hours is None else {"good": hours.good, "of": hours.of}
                for name, hours in (
                    ("last_day", each.day),
                    ("last_week", each.week),
                    ("whole_test", each.whole),
                )
            },
            "found": [
                {
                    "fault": finding.fault.value,
                    "since": rfc3339(finding.since_ms),
                    "found": rfc3339(finding.found_ms),
                    "says": finding.says,
                    "against": list(finding.against),
                    "figures": dict(finding.figures),
                }
                for finding in each.found
            ],
            "set_aside": [
                {"fault": finding.fault.value, "says": finding.says, "by_entry": flag.number}
                for finding, flag in each.set_aside
            ],
            "by_hand": [flag_picture(flag) for flag in each.by_hand],
            "proven": each.proven,
            "flag": each.flag,
        }
        for each in seen
    ]


def health_line(seen: Sequence[ProbeHealth]) -> str:
    """All of it in a line."""
    bad = sum(bool(each.found) for each in seen)
    if not any(each.begun for each in seen):
        return "Health: nothing was judged yet."
    aside = aside_words(sum(each.touched for each in seen))
    says = f"{with_noun(bad, 'probe')} in doubt" if bad else "nothing was found against any probe"
    if aside:
        says = f"{says}. {aside.removesuffix('.')}"
    return f"Health: {says}{'; --health says which and why' if bad or aside else ''}."


def health_lines(seen: Sequence[ProbeHealth]) -> list[str]:
    """Each probe's good hours and proof, then what was found, a sentence each."""
    rows = [
        (each.probe.name, *each.hours_words, each.health_words, each.proven, each.flag)
        for each in seen
    ]
    heads = ("probe", "good, last day", "last week", "whole test", "health", "proof", "flag now")
    says = [finding.says + "." for each in seen for finding in each.found]
    aside = [
        f"Set aside: {finding.says}, until {flag.by} wrote in the logbook, {flag.number}: "
        f"{flag.says.partition(_LINE)[0]}"
        for each in seen
        for finding, flag in each.set_aside
    ]
    return [table(heads, rows), "", *(f"Doubt: {words}" for words in says), *aside]
