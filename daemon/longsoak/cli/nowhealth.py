"""What `longsoak now` says of the health of the probes."""

from collections.abc import Sequence

from longsoak.cli.common import table
from longsoak.core.probehealth import ProbeHealth, health_of
from longsoak.core.proof.book import Book
from longsoak.core.wording import rfc3339, with_noun
from longsoak.store.health import HealthRecord
from longsoak.store.reader import Record
from longsoak.vocabulary.rig import Rig


def look_at_health(record: Record, rig: Rig) -> list[ProbeHealth]:
    """What is known of each probe.

    Raises
    ------
    StoreError
        The record can't be read.
    """
    kept, book = HealthRecord(record.folder), Book(record.proof_entries(), rig)
    standing = kept.standing()
    return health_of(rig.probes, kept.goodness(), standing, book, begun=kept.begun())


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
            "proven": each.proven,
        }
        for each in seen
    ]


def health_line(seen: Sequence[ProbeHealth]) -> str:
    """All of it in a line."""
    bad = sum(bool(each.found) for each in seen)
    if not any(each.begun for each in seen):
        return "Health: nothing was judged yet."
    if not bad:
        return "Health: nothing was found against any probe."
    return f"Health: {with_noun(bad, 'probe')} in doubt; --health says which and why."


def health_lines(seen: Sequence[ProbeHealth]) -> list[str]:
    """Each probe's good hours and proof, then what was found, a sentence each."""
    rows = [(each.probe.name, *each.hours_words, each.health_words, each.proven) for each in seen]
    heads = ("probe", "good, last day", "last week", "whole test", "health", "proof")
    says = [finding.says + "." for each in seen for finding in each.found]
    return [table(heads, rows), "", *(f"Doubt: {words}" for words in says)]
