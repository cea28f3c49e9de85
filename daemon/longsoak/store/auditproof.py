"""Whether a root that was noted down belongs to what the record holds now."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from longsoak.core.merkle import Frontier, consistency_proof, inclusion_proof
from longsoak.store.ledgerentries import LOGBOOK, RIG_VERSION, SCANS, words
from longsoak.vocabulary.ledger import DayHead, LedgerEntry


@dataclass(frozen=True, slots=True)
class RigProved:
    """A version of the rig file that was kept before the day was closed.

    `path` are the hashes that lead from its entry, the one with that number, to the root.
    """

    version: int
    accepted_utc_ms: int
    sha256: str
    entry: int
    path: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Proof:
    """What became of a root that was noted down.

    `says` is why it is not proved; empty if it is. `head` is the day as the record has it. The rest
    is what the root vouches for: the last scan, how many scans, how many entries of the logbook,
    the versions of the rig file; and `grew_to` with `growth`, the hashes that show the root of the
    newest closed day to continue this one.
    """

    day: date
    root: str
    says: str
    head: DayHead | None = None
    last_scan: int = 0
    last_utc_ms: int | None = None
    logbook: int = 0
    rigs: tuple[RigProved, ...] = ()
    grew_to: DayHead | None = None
    growth: tuple[str, ...] = ()

    @property
    def proved(self) -> bool:
        """Whether everything up to the end of the day is as it was then."""
        return not self.says


def prove(
    day: date,
    root: str,
    *,
    heads: Sequence[DayHead],
    entries: Sequence[LedgerEntry],
    leaves: Sequence[bytes],
    altered: Sequence[int],
    rigs: Sequence[tuple[int, int, str]],
) -> Proof:
    """Hold a root against the record.

    Parameters
    ----------
    day, root : date, str
        As noted down.
    heads : sequence of DayHead
        The closed days, as the record has them.
    entries, leaves : sequence of LedgerEntry, sequence of bytes
        What was entered, and the leaves made again of what the record holds now.
    altered : sequence of int
        Numbers of the entries whose leaf is not what was entered.
    rigs : sequence of tuple
        Number, time of acceptance (UTC ms) and SHA-256 of each version of the rig file.
    """
    now = roots(leaves)
    closed = [head for head in heads if head.day == day]
    proved = next((head for head in closed if _at(now, head.entries) == root), None)
    if proved is None:
        end = closed[-1].entries if closed else len(entries)
        first = [words(entries[number - 1]) for number in altered if number <= end]
        says = _why_not(day, root, closed, heads, now, first)
        return Proof(day, root, says, closed[-1] if closed else None)
    size = proved.entries
    within = entries[:size]
    known = {version: (accepted, digest) for version, accepted, digest in rigs}
    sound = next((h for h in reversed(heads) if _at(now, h.entries) == h.root), proved)
    return Proof(
        day,
        root,
        "",
        proved,
        last_scan=max((e.last for e in within if e.kind == SCANS), default=0),
        logbook=sum(entry.kind == LOGBOOK for entry in within),
        rigs=tuple(
            RigProved(
                entry.first,
                *known[entry.first],
                entry.number,
                tuple(h.hex() for h in inclusion_proof(entry.number - 1, leaves[:size])),
            )
            for entry in within
            if entry.kind == RIG_VERSION
        ),
        grew_to=sound,
        growth=tuple(h.hex() for h in consistency_proof(size, leaves[: sound.entries])),
    )


def roots(leaves: Sequence[bytes]) -> list[str]:
    """The root over the first leaf, over the first two, and so on."""
    tree = Frontier()
    found = []
    for leaf in leaves:
        tree.add(leaf)
        found.append(tree.root().hex())
    return found


def _at(now: Sequence[str], size: int) -> str | None:
    return now[size - 1] if 1 <= size <= len(now) else None


def _why_not(
    day: date,
    root: str,
    closed: Sequence[DayHead],
    heads: Sequence[DayHead],
    now: Sequence[str],
    altered: Sequence[str],
) -> str:
    other = next((h for h in heads if h.root == root and _at(now, h.entries) == root), None)
    if other is not None:
        return f"it is the root of {other.day}, not of {day}. Give the day that stands beside it."
    if altered:
        kept = any(head.root == root for head in closed)
        still = "the record names the same root" if kept else "the record names another root by now"
        return f"{still}, and {altered[0]} is not what was entered{_more(len(altered) - 1)}."
    if root in now:
        number = now.index(root) + 1
        return (
            f"it stands for the first {number} entries, at which the record has closed no day: a "
            "closed day was taken out or given another name."
        )
    if not heads:
        return "the record has not closed any day yet."
    if not closed:
        return (
            f"the record has closed no day {day}, and the root is none of another: it is another "
            "record's, or everything was entered anew."
        )
    return (
        f"the record says {closed[-1].root} of that day. Every entry is what the record holds now, "
        "so either this is another record's root, or something was altered and everything after it "
        "entered anew; which, one root can't tell."
    )


def _more(count: int) -> str:
    return f", nor {count} more" if count else ""
