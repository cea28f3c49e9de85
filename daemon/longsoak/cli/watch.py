"""`longsoak watch`: whether a rig is being recorded, asked from elsewhere."""

import json
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import click

from longsoak.cli.common import DONE, FOUND_WRONG, a_path, told
from longsoak.cli.options import duration
from longsoak.cli.watched import Broker, broker_of, named_in, secret
from longsoak.core.watching import Finding, What
from longsoak.service.clock import Clock, SystemClock
from longsoak.service.statesources import Asked, Source, ask_pages, ask_record, check
from longsoak.store.files import RECORD
from longsoak.vocabulary.errors import StoreError

_DAY = 86_400.0

Rest = Callable[[float], object]


@click.command(epilog="Example: longsoak watch --broker broker.local --prefix longsoak/render-pair")
@click.argument("rig_file", required=False, type=a_path)
@click.option("--pages", metavar="URL", help="Where the rig's pages are, as a browser is told.")
@click.option(
    "--pages-password-file",
    type=a_path,
    help="The file that holds a password of the pages; the one for reading is enough.",
)
@click.option("--broker", metavar="HOST[:PORT]", help="Where its MQTT broker is.")
@click.option("--prefix", help="The first part of its topics.")
@click.option("--user", help="A user of the broker.")
@click.option("--password-file", type=a_path, help="The file that holds that user's password.")
@click.option("--tls", is_flag=True, help="Encrypt what is said to the broker.")
@click.option("--ca-file", type=a_path, help="Who signed the server's certificate, in PEM.")
@click.option("--record", type=a_path, help="The record's own folder, on the computer it lies on.")
@click.option(
    "--oldest",
    type=duration(1, 366 * _DAY),
    help="How old the newest reading may be, for example 10m. Three record periods if left out, "
    "and a minute at least.",
)
@click.option(
    "--wait",
    type=duration(0, 3600),
    default="30s",
    show_default=True,
    help="How long something newer may take to come where the data look old; through a broker at "
    "least as long as the state takes to be told anew.",
)
@click.option(
    "--every", type=duration(1, _DAY), help="Look again and again, and print what changes."
)
@click.option("--keep-going", is_flag=True, help="With --every: go on when something is wrong.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, an object a line.")
def watch(
    rig_file: Path | None,
    pages: str | None,
    pages_password_file: Path | None,
    broker: str | None,
    prefix: str | None,
    user: str | None,
    password_file: Path | None,
    tls: bool,
    ca_file: Path | None,
    record: Path | None,
    oldest: float | None,
    wait: float,
    every: float | None,
    keep_going: bool,
    as_json: bool,
) -> None:
    """Say whether a rig is being recorded: exit code 0 if it is, 1 if not or if nobody answers.

    Ask its pages, its broker or both from another machine, or its record on its own. RIG_FILE
    names page and broker itself. All that are asked have to be well.
    """
    clock = SystemClock()
    rest = threading.Event().wait
    urls: list[str] = [] if pages is None else [pages]
    brokers: list[Broker] = []
    if rig_file is not None:
        page, named = named_in(rig_file)
        urls += [page] if page else []
        brokers += [named] if named else []
    if broker is not None:
        if prefix is None:
            raise click.UsageError("--broker needs --prefix, the first part of the topics.")
        password = secret(password_file)
        brokers.append(broker_of(broker, prefix, user, password, tls=tls, ca_file=ca_file))
    own = secret(pages_password_file)
    sources: list[Source] = [_of_pages(url, ca_file, own, clock, rest) for url in urls]
    sources += [one.hearing(clock) for one in brokers]
    sources += [] if record is None else [_of_record(record, clock, rest)]
    if not sources:
        raise click.UsageError(
            "Nothing to ask. Name --pages, --broker, --record, or a rig file with page in [rig] or "
            "with [notices.mqtt]."
        )
    look = partial(check, clock=clock, oldest=oldest, wait=wait)
    before: list[Finding] | None = None
    with ExitStack() as stack:
        for source in sources:
            stack.callback(source.close)
        while True:
            found = [look(source) for source in sources]
            _show(sources, found, before, as_json=as_json)
            wrong = any(finding.what is not What.FINE for finding in found)
            if every is None or (wrong and not keep_going):
                break
            before = found
            rest(every)
    sys.exit(FOUND_WRONG if wrong else DONE)


def _show(
    sources: Sequence[Source],
    found: Sequence[Finding],
    before: Sequence[Finding] | None,
    *,
    as_json: bool,
) -> None:
    """Print what each source says, if it is another thing than before."""
    for i, (source, finding) in enumerate(zip(sources, found, strict=True)):
        if before is not None and before[i].what is finding.what:
            continue
        if as_json:
            said = {"asked": source.name, "found": finding.what.value, "says": finding.says}
            click.echo(json.dumps(said, ensure_ascii=False))
        else:
            click.echo(finding.says)
    sys.stdout.flush()


def _of_pages(
    url: str, ca_file: Path | None, password: str | None, clock: Clock, rest: Rest
) -> Source:
    if not url.startswith(("http://", "https://")):
        raise click.UsageError(
            f"{url!r} is no web address. Write for example http://shop-pi.local:8460/"
        )
    ask = partial(ask_pages, url, ca_file=ca_file, password=password)
    return Asked(f"The pages at {url}", ask, clock=clock, rest=rest)


def _of_record(folder: Path, clock: Clock, rest: Rest) -> Source:
    from longsoak.rigfile.load import parse  # half a second, and only for this
    from longsoak.store.readback import ReadBack

    record = ReadBack(folder)
    with told():
        if not (folder / RECORD).exists():
            raise StoreError(
                f"there is no record at {folder / RECORD}. Name the folder `record` that lies "
                "beside the rig file, on the computer that measures."
            )
        version = record.rig_version()
        if version is None:
            raise StoreError(f"no rig file was accepted into {folder} yet. Start `longsoak run`.")
        rig = parse(version.text, file="rig.toml", find_kind=None)
    ask = partial(ask_record, record, rig, clock=clock)
    return Asked(f"The record in {folder}", ask, clock=clock, rest=rest)
