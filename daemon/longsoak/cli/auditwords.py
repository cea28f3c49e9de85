"""What an audit found, as a text and as JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date

from longsoak.cli.common import table
from longsoak.core.wording import gap_length_words, rfc3339, time_words, with_noun
from longsoak.store.audit import Audit
from longsoak.store.auditproof import Proof
from longsoak.vocabulary.happening import RunGap
from longsoak.vocabulary.ledger import DayHead

_MOST = 10  # days, gaps and wrong things that are written out
_SHORT = 16  # digits of a root in a table

Noted = tuple[date, str]


def report(found: Audit, noted: Noted | None) -> str:
    """What was found, for a person."""
    blocks = [
        [f"The record in {found.folder}, gone through from end to end."],
        [*_summary(found)],
        [*_days(found)],
        [*_gaps(found.gaps)],
        found.notes,
        [f"Wrong: {wrong.what}: {wrong.says}." for wrong in found.wrong[:_MOST]],
        [] if noted is None else _proof(found.proof, noted),
        [_verdict(found, asked=noted is not None)],
    ]
    return "\n\n".join("\n".join(lines) for lines in blocks if lines)


def picture(found: Audit, noted: Noted | None) -> dict[str, object]:
    """What was found, for a program."""
    return {
        "record": str(found.folder),
        "wrong": [asdict(wrong) for wrong in found.wrong],
        "wrong_beyond": found.more_wrong,
        "notes": found.notes,
        "schema_lacks": list(found.lacks),
        "scans": found.scans,
        "from": _time(found.first_utc_ms),
        "to": _time(found.last_utc_ms),
        "days": [{"day": str(day)} | asdict(count) for day, count in found.days.items()],
        "stretches": found.stretches,
        "gaps": [
            {
                "from": rfc3339(gap.from_utc_ms),
                "to": rfc3339(gap.to_utc_ms),
                "length_s": None if gap.length_ms is None else gap.length_ms / 1000,
                "clean": gap.clean,
            }
            for gap in found.gaps
        ],
        "ledger": {
            "entries": found.entries,
            "closed_days": [_head(head) for head in found.heads],
            "open_scans": found.open_scans,
            "open_rows": found.open_rows,
        },
        "photos": found.photos,
        "photos_elsewhere": found.elsewhere,
        "proof": None if noted is None else _proof_picture(found.proof, noted),
    }


def _summary(found: Audit) -> list[str]:
    readings = sum(count.readings for count in found.days.values())
    good = sum(count.good for count in found.days.values())
    file = sum(wrong.what == "file" for wrong in found.wrong)
    rows = [
        ("file", f"damaged in {with_noun(file, 'place')}" if file else "whole"),
        ("schema", _lacks(found.lacks) if found.lacks else "as this version writes it"),
    ]
    if found.first_utc_ms is not None and found.last_utc_ms is not None:
        rows += [
            ("scans", f"{found.scans:,}, each read"),
            ("", f"from {time_words(found.first_utc_ms)}"),
            ("", f"to   {time_words(found.last_utc_ms)}"),
            ("readings", f"{readings:,}, {good:,} of them a pass"),
        ]
    else:
        rows.append(("scans", "none"))
    rows.append(("clock", f"{with_noun(found.stretches, 'stretch', 'stretches')} without a step"))
    rows.append(
        (
            "ledger",
            f"{with_noun(found.entries, 'entry', 'entries')} made again, "
            f"{with_noun(len(found.heads), 'closed day')}",
        )
    )
    if found.heads:
        last = found.heads[-1]
        rows += [("", f"last {last.day}, root"), ("", last.root)]
    scans, others = with_noun(found.open_scans, "scan"), with_noun(found.open_rows, "row")
    rows.append(("", f"in no closed day yet: {scans} and {others} of other kinds"))
    elsewhere = f"; {found.elsewhere} more were kept elsewhere" if found.elsewhere else ""
    rows.append(("photos", f"{with_noun(found.photos, 'photo')} looked at{elsewhere}"))
    return [f"{name:10}{says}".rstrip() for name, says in rows]


def _lacks(lacks: Sequence[str]) -> str:
    return f"of an earlier version, without {', '.join(lacks)}; `longsoak run` brings it up to date"


def _days(found: Audit) -> list[str]:
    if not found.days:
        return []
    roots = {head.day: head.root for head in found.heads}
    days = sorted(found.days.items())
    rows = [
        (
            str(day),
            f"{count.scans:,}",
            f"{count.readings:,}",
            f"{count.good:,}",
            f"{roots[day][:_SHORT]}..." if day in roots else "",
        )
        for day, count in days[-_MOST:]
    ]
    written = table(
        ("day", "scans", "readings", "pass", "root begins"), rows, right="scans readings pass"
    ).split("\n")
    earlier = len(days) - _MOST
    if earlier > 0:
        before = with_noun(earlier, "earlier day")
        written.append(f"and {before} with scans; --json has them all, and every root whole")
    return written


def _gaps(gaps: Sequence[RunGap]) -> list[str]:
    if not gaps:
        return ["No gap between two runs."]
    lines = [
        f"Gap: no readings for {gap_length_words(gap)} from {time_words(gap.from_utc_ms)} "
        f"({'stopped on purpose' if gap.clean else 'cut off'})."
        for gap in gaps[-_MOST:]
    ]
    earlier = len(gaps) - _MOST
    return lines + ([f"and {with_noun(earlier, 'earlier gap')}"] if earlier > 0 else [])


def _proof(proof: Proof | None, noted: Noted) -> list[str]:
    day, root = noted
    if proof is None:
        return [f"Not proved: {day}, root {root}: the record could not be read so far."]
    if not proof.proved:
        return [f"Not proved: {day}, root {root}:", f"  {proof.says}"]
    lines = [
        f"Proved: {day}, root {root}.",
        "What the record holds up to the end of that day is what it held when the root was made:",
        "nothing of it was altered, taken out or put in since. That is",
    ]
    if proof.last_scan:
        lines.append(f"  scans 1 to {proof.last_scan:,}, and with them all readings")
        if proof.last_utc_ms is not None:
            lines.append(f"    the last was taken {time_words(proof.last_utc_ms)}")
    for rig in proof.rigs:
        accepted = time_words(rig.accepted_utc_ms)
        lines.append(f"  version {rig.version} of the rig file, accepted {accepted}")
        lines.append(f"    SHA-256 {rig.sha256}")
    lines.append(f"  {with_noun(proof.logbook, 'entry', 'entries')} of the logbook")
    lines.append("  and all events, alarms, requests and proofs of the wiring until then.")
    lines.append(
        "It does not prove that what was entered was right, nor when the root was noted down: for"
    )
    lines.append("that ask somebody else who got the same mail.")
    return lines


def _verdict(found: Audit, *, asked: bool) -> str:
    count = len(found.wrong) + found.more_wrong
    unproved = asked and (found.proof is None or not found.proof.proved)
    if not count:
        nothing = "othing is wrong with the record."
        return f"The root is not proved; apart from that n{nothing}" if unproved else f"N{nothing}"
    first = found.wrong[0]
    are = "thing is" if count == 1 else "things are"
    also = ", and the root is not proved" if unproved else ""
    return f"{count} {are} wrong with the record{also}; the first: {first.what}: {first.says}."


def _proof_picture(proof: Proof | None, noted: Noted) -> dict[str, object]:
    day, root = noted
    known: dict[str, object] = {"day": str(day), "root": root}
    if proof is None:
        return known | {"proved": False, "says": "the record could not be read so far"}
    known |= {"proved": proof.proved, "says": proof.says}
    if proof.head is not None:
        known["closed_day"] = _head(proof.head)
    if not proof.proved or proof.grew_to is None:
        return known
    return known | {
        "last_scan": proof.last_scan,
        "last_scan_at": _time(proof.last_utc_ms),
        "logbook_entries": proof.logbook,
        "rig_versions": [
            {
                "version": rig.version,
                "accepted": rfc3339(rig.accepted_utc_ms),
                "accepted_utc_ms": rig.accepted_utc_ms,
                "sha256": rig.sha256,
                "entry": rig.entry,
                "inclusion": list(rig.path),
            }
            for rig in proof.rigs
        ],
        "grew_to": _head(proof.grew_to),
        "consistency": list(proof.growth),
    }


def _head(head: DayHead) -> dict[str, object]:
    return {
        "day": str(head.day),
        "entries": head.entries,
        "root": head.root,
        "closed": rfc3339(head.closed_utc_ms),
    }


def _time(utc_ms: int | None) -> str | None:
    return None if utc_ms is None else rfc3339(utc_ms)
