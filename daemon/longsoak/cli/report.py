"""`longsoak report`: write down what came of a test, for somebody who doubts it."""

import sys
from pathlib import Path

import click

from longsoak.cli.common import BAD_INPUT, DONE, a_path, own_record, rig_file, told

_EXAMPLE = "Example: longsoak report rig.toml report.html --pdf report.pdf"
_MISSING = (
    "A report needs the libraries that draw it, which are not installed here: "
    "pip install 'longsoak[report]'. Nothing was written."
)


@click.command(epilog=_EXAMPLE)
@rig_file
@click.argument("out", type=a_path)
@click.option("--pdf", type=a_path, help="Write it as PDF too, into this file.")
def report(rig_file: Path, out: Path, pdf: Path | None) -> None:
    """Write a report on the test of RIG_FILE into OUT, one HTML file.

    It holds the question, the set-up, the instruments and their proof, method, conditions, results
    with their uncertainty, what was set aside, deviations, the verdicts, and what somebody who
    doubts them will ask. Two reports of one record are the same, byte for byte.
    """
    try:
        from longsoak.report.beside import beside
        from longsoak.report.contents import report as written
        from longsoak.report.paperhtml import as_html
        from longsoak.report.paperpdf import as_pdf
    except ImportError:
        click.echo(_MISSING, err=True)
        sys.exit(BAD_INPUT)
    with told():
        record, _ = own_record(rig_file)
        paper = written(record)
        wanted = [] if pdf is None else [pdf]
        with beside(lambda _: as_pdf(paper), wanted) as as_pdfs:
            files = {out: as_html(paper).encode()}
            files |= zip(wanted, as_pdfs(), strict=True)
    for file, content in files.items():
        try:
            file.write_bytes(content)
        except OSError as error:
            click.echo(f"{file} can't be written: {error.strerror}. Name another place.", err=True)
            sys.exit(BAD_INPUT)
        click.echo(f"{file}: {len(content) / 1000:.0f} kB")
    sys.exit(DONE)
