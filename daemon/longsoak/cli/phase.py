"""`longsoak phase`: begin a phase of the test, end it, or list them."""

import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple, NoReturn

import click

from longsoak.cli.asking import user
from longsoak.cli.common import DONE, FOUND_WRONG, own_record, rig_file, table, told
from longsoak.cli.options import entry_options
from longsoak.cli.writing import moment_said, recorded, write_entry
from longsoak.core.gates import gate_content, gate_document, gate_words
from longsoak.core.logbook import bay_called, text_of
from longsoak.core.moments import moment_of
from longsoak.core.phases import WETTING, WORDS, begun, ended, phase_document, phases
from longsoak.core.proof.safety import DECIDES, SAFETY
from longsoak.core.wording import time_words
from longsoak.service.clock import SystemClock
from longsoak.store.gatelook import gates_kept, gates_of
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.gate import Gate, GateName
from longsoak.vocabulary.logbook import PHASE
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig

_EXAMPLE = (
    'Example: longsoak phase rig.toml "At equilibrium for two weeks" --begin wetting '
    '--name "first wetting" --by mk'
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("text", required=False)
@click.option("--begin", "word", type=click.Choice(WORDS), help="What begins; it ends the last.")
@click.option("--name", help="What it is called.")
@click.option("--control", help="The bay that stays unwetted in it. [default: none]")
@click.option("--although", help="Why a wetting begins though a gate before it is not met.")
@click.option("--safe", help="Who saw each item of the safety list to be so, by full name.")
@click.option("--gates", is_flag=True, help="Only tell the gates before a wetting.")
@click.option("--end", is_flag=True, help="End the one there is, with none after it.")
@entry_options
def phase(
    rig_file: Path,
    text: str | None,
    word: str | None,
    name: str | None,
    control: str | None,
    although: str | None,
    safe: str | None,
    gates: bool,
    end: bool,
    at: str | None,
    by: str | None,
    corrects: int | None,
    as_json: bool,
) -> None:
    """Begin or end a phase of the test on RIG_FILE, with TEXT as the reason, or list them.

    A phase begins with an entry of the logbook and lasts until the next one begins, or an end is
    written. A mistake is set right by an entry that corrects it; `longsoak note --corrects N`
    takes it away.

    A wetting has gates before it: readings at rest, a baseline of 14 days, every channel proven,
    the safety list ticked. While one is not met it is refused (exit code 1), unless --although says
    why it begins all the same; reason and gates stay in the entry.
    """
    said = any(each is not None for each in (word, name, control, although, by, corrects)) or end
    if gates:
        if text is not None or said:
            raise click.UsageError("--gates only looks: leave the reason and what begins out.")
        _look(rig_file, at, safe, as_json=as_json)
    if text is None and (said or at is not None or safe is not None):
        raise click.UsageError(
            'Write the reason behind the rig file: longsoak phase rig.toml "..."'
        )
    if text is not None and end == (word is not None):
        raise click.UsageError("Say what begins with --begin, or end the one there is with --end.")
    if end and name is not None:
        raise click.UsageError("An end has no name: it ends the phase there is.")
    if end and control is not None:
        raise click.UsageError("An end has no control: it ends the phase there is.")
    if text is not None and word != WETTING and (although is not None or safe is not None):
        raise click.UsageError("--although and --safe are for --begin wetting, which has gates.")
    with told():
        if text is None:
            record, _ = own_record(rig_file)
            _list(record, as_json=as_json)
            sys.exit(DONE)
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        at_ms = moment_said(at, record, corrects=corrects, kind=PHASE, now_ms=now_ms)
        known = phases(Logbook(record.folder).entries(kind=PHASE))
        who, says = user() if by is None else by, text_of(text)
        said_of = _Said(although or "", (safe or "").strip())
        if word is None:
            entry = ended(known, by=who, says=says, at_ms=at_ms, now_ms=now_ms, corrects=corrects)
        else:
            entry = begun(
                word,
                name=(name or "").strip(),
                by=who,
                says=says,
                at_ms=at_ms,
                now_ms=now_ms,
                corrects=corrects,
                control="" if control is None else bay_called(control, rig).name,
                gates=_gates(record, rig, word, corrects, at_ms, now_ms, said_of, as_json=as_json),
            )
        write_entry(record, rig, entry, (), as_json=as_json)


class _Said(NamedTuple):
    although: str
    safe_by: str


def _gates(
    record: Record,
    rig: Rig,
    word: str,
    corrects: int | None,
    at_ms: int,
    now_ms: int,
    said: _Said,
    *,
    as_json: bool,
) -> Mapping[str, Json] | None:
    """What is kept of the gates of what begins; tells them, and ends here where one stays shut."""
    if word != WETTING:
        return None
    kept = gates_kept(record, corrects, at_ms=at_ms)
    if kept is not None:
        if any(said):
            raise RequestError(
                "The gates of a wetting stay as they were when it began: leave --although and "
                "--safe out of its correction. Nothing was kept."
            )
        return kept
    gates = gates_of(record, rig, at_ms=at_ms, now_ms=now_ms, safe_by=said.safe_by)
    if not as_json:
        click.echo(_lines(gates))
    try:
        return gate_content(gates, although=said.although, safe_by=said.safe_by)
    except RequestError as error:
        says = f'{error} Write the reason with --although "REASON".'
        if as_json:
            document = {
                "outcome": f"refused: {says}",
                "entry": None,
                "gates": [gate_document(gate) for gate in gates],
            }
            click.echo(json.dumps(document, ensure_ascii=False, indent=1))
        else:
            click.echo(says, err=True)
        sys.exit(FOUND_WRONG)


def _look(rig_file: Path, at: str | None, safe: str | None, *, as_json: bool) -> NoReturn:
    """Tell the gates as they stand, and end: exit code 1 if one is not met."""
    with told():
        record, rig = recorded(rig_file)
        now_ms = SystemClock().utc_ms()
        at_ms = now_ms if at is None else moment_of(at, now_ms=now_ms)
        gates = gates_of(record, rig, at_ms=at_ms, now_ms=now_ms, safe_by=safe or "")
        if as_json:
            document = [gate_document(gate) for gate in gates]
            click.echo(json.dumps(document, ensure_ascii=False, indent=1))
        else:
            click.echo(_lines(gates))
    sys.exit(DONE if all(gate.met for gate in gates) else FOUND_WRONG)


def _lines(gates: Sequence[Gate]) -> str:
    """The gates, a line each, and the safety list where that is what has to be gone through."""
    lines = [gate_words(gate) for gate in gates]
    if any(gate.name is GateName.SAFETY and not gate.met for gate in gates):
        lines.append('The safety list, for --safe "FULL NAME" of who saw each item to be so:')
        lines += [f"  {item.title}." for item in SAFETY]
        lines.append(DECIDES)
    return "\n".join(lines)


def _list(record: Record, *, as_json: bool) -> None:
    found = phases(Logbook(record.folder).entries(kind=PHASE))[::-1]
    if as_json:
        document = [phase_document(each) for each in found]
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    elif found:
        rows = [
            (
                str(each.number),
                each.phase,
                each.name,
                each.control,
                time_words(each.from_ms),
                "it goes on" if each.until_ms is None else time_words(each.until_ms),
                each.by,
                each.says.partition("\n")[0],
            )
            for each in found
        ]
        heads = ("number", "phase", "name", "control", "from", "until", "by", "why")
        click.echo(table(heads, rows, right="number"))
    else:
        click.echo("No phase was begun.")
