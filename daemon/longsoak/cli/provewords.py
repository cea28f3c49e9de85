"""Proofs in words for a terminal, and as one JSON object for programs."""

from longsoak.cli.common import table
from longsoak.core.proof.book import WHY_WORDS, Book, Proof
from longsoak.core.proof.compare import Change
from longsoak.core.proof.safety import DECIDES, SAFETY
from longsoak.core.wording import rfc3339, time_words, with_noun
from longsoak.vocabulary.proof import ProofEntry


def entry_line(entry: ProofEntry) -> str:
    """One step as the walk prints it: "good  C 30/60, open: ..."."""
    return f"{entry.outcome.value:<8}  {entry.subject}, {entry.step.value}: {entry.says}"


def proof_words(book: Book, proof: Proof) -> str:
    """A proof as a table of channels, the safety list, and the verdict."""
    began = proof.began
    when = proof.name if began is None else time_words(began.utc_ms)
    people = ", ".join(proof.people)
    head = f"{book.rig.name}, proof {WHY_WORDS[proof.why]}, begun {when} by {people}"
    rows = [
        (found.probe, found.verdict.value, found.says.removeprefix(found.verdict.value)[2:])
        for found in book.verdicts(proof)
    ]
    lines = [head, "", table(("probe", "verdict", "why"), rows)] if rows else [head]
    safety = book.safety(proof)
    if safety:
        titles = {item.key: item.title for item in SAFETY}
        lines += ["", "Before the water goes on:"]
        lines += [f"  {_ticked(entry):<8}  {titles[key]}" for key, entry in safety]
        lines.append(f"  {DECIDES}")
    state = "finished" if proof.finished else "not finished"
    return "\n".join([*lines, "", f"{book.summary(proof)}; {state}."])


def comparison_words(first: Proof, later: Proof, changes: tuple[Change, ...]) -> str:
    """What changed between two proofs, what is beyond its allowance first."""
    if not changes:
        return f"Nothing was measured in both proofs, {first.name} and {later.name}."
    ordered = sorted(changes, key=lambda change: not change.beyond)
    rows = [
        (change.probe, "changed" if change.beyond else "as before", change.says)
        for change in ordered
    ]
    beyond = sum(change.beyond for change in changes)
    head = f"From {first.name} to {later.name}"
    told = f"{with_noun(len(changes), 'figure')} compared, {beyond} beyond what is allowed."
    return "\n".join([head, "", table(("probe", "state", "what"), rows), "", told])


def book_picture(book: Book) -> dict[str, object]:
    """All proofs as one JSON object."""
    return {"rig": book.rig.name, "proofs": [_picture(book, proof) for proof in book.proofs]}


def _picture(book: Book, proof: Proof) -> dict[str, object]:
    return {
        "proof": proof.name,
        "why": proof.why.value,
        "by": list(proof.people),
        "finished": proof.finished is not None,
        "proven": book.proven(proof),
        "says": book.summary(proof),
        "to_do": [{"step": step.value, "subject": subject} for step, subject in book.to_do(proof)],
        "channels": [
            {"probe": found.probe, "verdict": found.verdict.value, "says": found.says}
            for found in book.verdicts(proof)
        ],
        "entries": [_entry(entry) for entry in proof.entries.values()],
        "superseded": [_entry(entry) for entry in proof.superseded],
    }


def _entry(entry: ProofEntry) -> dict[str, object]:
    return {
        "at": rfc3339(entry.utc_ms),
        "step": entry.step.value,
        "subject": entry.subject,
        "outcome": entry.outcome.value,
        "by": entry.by,
        "says": entry.says,
        "content": entry.content,
    }


def _ticked(entry: ProofEntry | None) -> str:
    return "open" if entry is None else entry.outcome.value
