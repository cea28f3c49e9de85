"""What the sheet "Findings" shows, as a program: it prints two lines of JSON, the quicker first.

    python -m longsoak.report.shown FOLDER NOW

FOLDER is the record's and NOW the time, UTC ms. The first line has the verdicts, as `longsoak
findings --json` has them; the second sections, each with its title and parts: tables with what is
said of them, and sentences. It ends with 2 and one sentence where the record can't be read.
"""

import json
import sys
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path

from longsoak.report.analysis import analyst_of
from longsoak.report.analysiswords import listings
from longsoak.report.paper import Listing, Part, Points, Text
from longsoak.report.verdicts import findings
from longsoak.report.verdictwords import finding_document
from longsoak.report.witnesses import held_against
from longsoak.store.logbook import Logbook
from longsoak.store.reader import Record
from longsoak.vocabulary.errors import LongsoakError


def main() -> None:
    """Print it."""
    folder, now_ms = Path(sys.argv[1]), int(sys.argv[2])
    record = Record(folder)
    try:
        _print([finding_document(each) for each in findings(record, now_ms=now_ms)])
        _print([{"title": title, "parts": parts} for title, parts in _sections(record, now_ms)])
    except ImportError:
        _end("Judging takes numpy, which is not installed here: pip install 'longsoak[analysis]'.")
    except LongsoakError as error:
        _end(str(error))


def _sections(record: Record, now_ms: int) -> Iterator[tuple[str, list[dict[str, object]]]]:
    analyst = analyst_of(record, now_ms=now_ms)
    if analyst is None:
        return
    yield "Results", _documents(listings(analyst.all()))
    entries = list(Logbook(record.folder).entries())
    parts = held_against(record, entries, now_ms)
    yield "Readings by hand, samples and mass", _documents(parts)


def _documents(parts: Iterable[Part]) -> list[dict[str, object]]:
    """Tables and sentences; a sentence by itself is a table of none."""
    found = []
    for part in parts:
        if isinstance(part, Listing):
            found.append(asdict(part))
        elif isinstance(part, Text | Points):
            says = part.says if isinstance(part, Points) else (part.says,)
            found.append(asdict(Listing("", says, (), ())))
    return found


def _print(document: object) -> None:
    print(json.dumps(document, ensure_ascii=False), flush=True)  # noqa: T201 - what it is for


def _end(says: str) -> None:
    print(says, file=sys.stderr)  # noqa: T201
    sys.exit(2)


if __name__ == "__main__":
    main()
