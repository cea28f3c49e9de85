"""`longsoak prove`: the walk along every channel before the water goes on."""

import getpass
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from threading import Event
from typing import NoReturn

import click

from longsoak.cli.cardfile import read_cards
from longsoak.cli.common import BAD_INPUT, DONE, FOUND_WRONG, a_path, own_record, rig_file, told
from longsoak.cli.measuring import measuring
from longsoak.cli.options import refuse_to_overwrite, write
from longsoak.cli.provewords import book_picture, comparison_words, entry_line, proof_words
from longsoak.core.proof.book import CHANNEL_STEPS, Book, Proof, Why
from longsoak.core.proof.card import Card, completed, note_card
from longsoak.core.proof.compare import compare
from longsoak.core.wording import with_noun
from longsoak.proving.walk import Walk
from longsoak.service.clock import SystemClock
from longsoak.store.files import folder_of
from longsoak.store.reader import Record
from longsoak.vocabulary.proof import Outcome, Step
from longsoak.vocabulary.rig import Rig

_STEPS = (*(step.value for step in CHANNEL_STEPS), Step.SAFETY.value)


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What the options ask for; None is all there is."""

    why: Why | None
    steps: tuple[Step, ...] | None
    probes: tuple[str, ...] | None
    anew: bool


def _steps(_ctx: click.Context, _param: click.Parameter, said: str | None) -> list[Step] | None:
    if said is None:
        return None
    words = [word.strip() for word in said.split(",")]
    for word in words:
        if word not in _STEPS:
            raise click.BadParameter(f"{word!r} is no step. The steps are {', '.join(_STEPS)}.")
    return [Step(word) for word in words]


@click.command(epilog="Example: longsoak prove rig.toml --by mk --steps reads,short")
@rig_file
@click.option("--by", help="Your initials, for the record. [default: the user's name]")
@click.option(
    "--why",
    type=click.Choice([why.value for why in Why]),
    help="What a new proof is made for. [default: before]",
)
@click.option("--steps", callback=_steps, help="Only these steps, with commas between.")
@click.option("--probe", "probes", multiple=True, help="Only this probe; may be given again.")
@click.option("--new", "anew", is_flag=True, help="Begin anew, though a proof is not finished.")
@click.option("--reads", is_flag=True, help="Take what needs no hands, and ask nothing.")
@click.option(
    "--card", "cards", type=a_path, help="Take installation cards from this file, and ask nothing."
)
@click.option("--json", "as_json", is_flag=True, help="Print all proofs as one JSON object.")
@click.option("--show", is_flag=True, help="Print the newest proof.")
@click.option(
    "--of", "began", help="An earlier proof for --show, --compare and --sheet, by when it began."
)
@click.option("--compare", "comparing", is_flag=True, help="Print what changed since the first.")
@click.option("--sheet", type=a_path, help="Write the newest proof as HTML, to be printed on A4.")
@click.option("--labels", type=a_path, help="Write labels for the cables as HTML, with QR codes.")
@click.option("--replace", is_flag=True, help="Write over a sheet or labels that are there.")
def prove(
    rig_file: Path,
    by: str | None,
    why: str | None,
    steps: list[Step] | None,
    probes: tuple[str, ...],
    anew: bool,
    reads: bool,
    cards: Path | None,
    as_json: bool,
    show: bool,
    began: str | None,
    comparing: bool,
    sheet: Path | None,
    labels: Path | None,
    replace: bool,
) -> None:
    """Walk along every channel and prove that it is there, is the one it claims to be, and is good.

    Uses the `longsoak run` that records beside the rig file, or starts one for as long as the walk
    takes. A walk that was stopped goes on where it was. Ends with exit code 1 while anything is
    bad or still to do.

    Leads and probes only: leave covers of mains equipment closed. Local codes and licensed
    practice decide what is safe.
    """
    modes = (reads, cards is not None, as_json, show, comparing, sheet is not None)
    if sum((*modes, labels is not None)) > 1:
        raise click.UsageError(
            "--reads, --card, --json, --show, --compare, --sheet and --labels go one at a time."
        )
    if began is not None and not (show or comparing or sheet):
        raise click.UsageError("--of is for --show, --compare and --sheet.")
    out = sheet or labels
    if out is None and replace:
        raise click.UsageError("--replace is for --sheet and --labels.")
    if out is not None:
        if out.absolute() == rig_file.absolute():
            raise click.UsageError(f"{out} is the rig file. Name another file to write to.")
        refuse_to_overwrite(out, replace=replace)
    if as_json or show or comparing:
        with told():
            _look_up(rig_file, began, as_json=as_json, comparing=comparing)
    if sheet is not None:
        with told():
            _write_sheet(rig_file, began, sheet)
    if labels is not None:
        with told():
            _write_labels(rig_file, labels)
    wanted = _Wanted(
        None if why is None else Why(why),
        None if steps is None else tuple(steps),
        probes or None,
        anew,
    )
    with told():
        good = _walk(rig_file, _who(by), wanted, reads=reads, cards=cards)
    sys.exit(DONE if good else FOUND_WRONG)


def _look_up(rig_file: Path, began: str | None, *, as_json: bool, comparing: bool) -> None:
    """Print what the record holds, and end."""
    book = _kept_book(rig_file)
    if as_json:
        newest = book.newest
        click.echo(json.dumps(book_picture(book), ensure_ascii=False, indent=1))
        sys.exit(DONE if newest is not None and book.proven(newest) else FOUND_WRONG)
    proof = _the_one(book, began)
    if not comparing:
        click.echo(proof_words(book, proof))
        sys.exit(DONE if book.proven(proof) else FOUND_WRONG)
    first = book.baseline(proof)
    if first is None:
        _end_for_want_of_proofs(book)
    changes = compare(first, proof, book.rig)
    click.echo(comparison_words(first, proof, changes))
    beyond = any(change.beyond for change in changes)
    sys.exit(DONE if changes and not beyond else FOUND_WRONG)


def _the_one(book: Book, began: str | None) -> Proof:
    """The newest proof, or the one whose time of beginning begins so, or an end."""
    if not book.proofs:
        _end_for_want_of_proofs(book)
    if began is None:
        return book.proofs[-1]
    found = [proof for proof in book.proofs if proof.name.startswith(began)]
    if len(found) == 1:
        return found[0]
    names = ", ".join(proof.name for proof in found or book.proofs)
    many = "Several proofs began" if found else "No proof began"
    click.echo(f"{many} at {began}. Say which: {names}.", err=True)
    sys.exit(BAD_INPUT)


def _write_sheet(rig_file: Path, began: str | None, out: Path) -> NoReturn:
    """Write a proof as a certificate, and end."""
    from longsoak.proving.sheet import certificate

    book = _kept_book(rig_file)
    proof = _the_one(book, began)
    # What is there may be replaced, or nothing is there: both were seen to.
    write(out, certificate(book, proof, first=book.baseline(proof)), replace=True)
    proven = book.proven(proof)
    told_as = "proven" if proven else "not proven"
    click.echo(f"{out} holds the proof begun at {proof.name}, {told_as}.")
    sys.exit(DONE if proven else FOUND_WRONG)


def _write_labels(rig_file: Path, out: Path) -> NoReturn:
    """Write a label for each probe of the rig file, and end."""
    from longsoak.proving.labels import labels
    from longsoak.service.drivers import load_rig

    rig, _ = load_rig(rig_file)
    write(out, labels(rig), replace=True)
    click.echo(f"{out} holds {with_noun(len(rig.probes), 'label')} that lead to {rig.page}.")
    sys.exit(DONE)


def _kept_book(rig_file: Path) -> Book:
    """All proofs of the record beside a rig file, or an end if it has none to hold."""
    record, _ = own_record(rig_file)
    rig = _measured(record)
    if rig is None:
        click.echo(f"Nothing has been recorded in {record.folder} yet.", err=True)
        sys.exit(FOUND_WRONG)
    return Book(record.proof_entries(), rig)


def _end_for_want_of_proofs(book: Book) -> NoReturn:
    has = with_noun(len(book.proofs), "proof")
    click.echo(f"The record holds {has}. `longsoak prove` begins one.", err=True)
    sys.exit(FOUND_WRONG)


def _walk(rig_file: Path, by: str, wanted: _Wanted, *, reads: bool, cards: Path | None) -> bool:
    """Take the steps that were asked for; return whether all is proven."""
    from longsoak.service.drivers import load_rig

    rig, _ = load_rig(rig_file)
    _refuse_unknown(rig, wanted.probes)
    record = Record(folder_of(rig_file))
    pause = Event()
    walk = Walk(record, rig, by=by, now_ms=SystemClock().utc_ms, wait=pause.wait)
    found = None if cards is None else read_cards(cards, rig)
    with measuring(rig_file, record, wait=pause.wait) as ours:
        if ours:
            click.echo("`longsoak run` was started for the walk and ends with it.")
        elif _measured(record) != rig:  # its readings would be judged as another probe's
            click.echo(
                f"{rig_file} was changed since `longsoak run` read it. Restart that, then prove.",
                err=True,
            )
            sys.exit(BAD_INPUT)
        if found is not None:
            return _take_cards(walk, wanted, found)
        if reads:
            return _take_reads(walk, wanted)
        from longsoak.cli.provesteps import Guide

        proof = _proof(walk, wanted, steps=wanted.steps)
        return Guide(
            walk,
            proof.name,
            steps=wanted.steps,
            probes=wanted.probes,
            same_rig=lambda: _measured(record) == rig,
        ).go()


def _measured(record: Record) -> Rig | None:
    """The rig as the measuring process knows it; None if it has kept none yet."""
    from longsoak.rigfile.load import parse

    kept = record.rig_version()
    if kept is None:
        return None
    return parse(kept.text, file=f"the rig file in {record.folder}", find_kind=None)


def _take_reads(walk: Walk, wanted: _Wanted) -> bool:
    """Look at every channel that is asked for, all buses at once."""
    from longsoak.cli.proveasking import looked

    began = walk.book().under_way is None or wanted.anew
    proof = _proof(walk, wanted, steps=(Step.READS,))
    names = [p.name for p in walk.rig.probes if wanted.probes is None or p.name in wanted.probes]
    found = looked(walk, names)
    good = True
    for probe, finding in walk.judge_each(Step.READS, found):
        click.echo(entry_line(walk.keep(proof.name, Step.READS, probe.name, finding)))
        good = good and finding.outcome is not Outcome.BAD
    if began:  # it was made for this alone
        click.echo(walk.finish(proof).says)
    return good


def _take_cards(walk: Walk, wanted: _Wanted, found: dict[str, Card]) -> bool:
    began = walk.book().under_way is None or wanted.anew
    narrowed = _Wanted(wanted.why, wanted.steps, tuple(found), wanted.anew)
    proof = _proof(walk, narrowed, steps=(Step.CARD,))
    good = True
    for probe in walk.rig.probes:
        if probe.name in found:
            card = completed(found[probe.name], walk.book().card(probe.name))
            finding = note_card(card, probe, walk.rig)
            click.echo(entry_line(walk.keep(proof.name, Step.CARD, probe.name, finding)))
            good = good and finding.outcome is not Outcome.BAD
    if began:
        click.echo(walk.finish(proof).says)
    return good


def _proof(walk: Walk, wanted: _Wanted, *, steps: Sequence[Step] | None) -> Proof:
    """The proof under way, or a new one."""
    under_way = walk.book().under_way
    if under_way is not None and not wanted.anew:
        if wanted.why is not None and wanted.why is not under_way.why:
            click.echo(
                f"The proof of {under_way.name} is not finished and was begun with "
                f"--why {under_way.why.value}. Finish it, or add --new.",
                err=True,
            )
            sys.exit(BAD_INPUT)
        click.echo(f"Going on with the proof begun at {under_way.name}.")
        return under_way
    return walk.begin(
        wanted.why or Why.BEFORE, steps=steps, probes=wanted.probes, software=version("longsoak")
    )


def _refuse_unknown(rig: Rig, probes: Sequence[str] | None) -> None:
    from difflib import get_close_matches

    names = [probe.name for probe in rig.probes]
    for name in probes or ():
        if name not in names:
            near = get_close_matches(name, names, n=1, cutoff=0.3)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            click.echo(f"The rig file has no probe {name!r}.{hint}", err=True)
            sys.exit(BAD_INPUT)


def _who(by: str | None) -> str:
    if by is not None:
        return by
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user by number only, as in a container
        return ""  # refused like initials that were left empty
