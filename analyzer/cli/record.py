"""whynolink record: an adapter -> a recording, and the link-up as it comes up."""

import signal
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from ipaddress import IPv4Address
from pathlib import Path

import click

from analyzer import __version__
from analyzer.cli import complain
from analyzer.cli.options import by_example, told_by
from analyzer.cli.writing import write
from analyzer.diagnosis import diagnose
from analyzer.errors import Unusable
from analyzer.inputs import open_recording
from analyzer.recorder import adapters, capture, running
from analyzer.recorder.adapters import Adapter
from analyzer.recorder.pieces import Pieces
from analyzer.recorder.running import Ended
from analyzer.reports import recording as words
from analyzer.reports.blocks import Block
from analyzer.reports.document.answer import in_short
from analyzer.reports.live import Live
from analyzer.reports.to_text import to_text
from rules import all_rules

MEGA = 10**6
USUAL, WEEK = 10, 10080
"""Minutes after which it ends: enough for one attempt; and for a fault that comes and goes."""


@click.command(
    name="record",
    short_help="Record on ADAPTER, and show each stage as it comes up.",
    epilog=by_example(
        "whynolink record --list",
        "whynolink record --controller 192.0.2.60:502",
        'whynolink record "Ethernet 2" --keep-on --minutes 60 --output monday.pcapng',
        "whynolink record --controller 192.0.2.60:502 --until-break",
    ),
)
@click.argument("adapter", required=False)
@click.option(
    "--list",
    "only_list",
    is_flag=True,
    help="List the adapters, say which one it would be and whether recording can begin, and end.",
)
@click.option(
    "--controller",
    "controllers",
    metavar="ADDRESS[:PORT]",
    multiple=True,
    help="The controller that the PC is to reach; may be given again.",
)
@click.option(
    "--minutes",
    type=click.FloatRange(0, 10080, min_open=True),
    metavar="NUMBER",
    show_default="10, or a week where it waits for a break",
    help="End after this time.",
)
@click.option(
    "--megabytes",
    type=click.IntRange(4, 100_000),
    metavar="NUMBER",
    default=100,
    show_default=True,
    help="Room on the disk; it is used in four pieces, and the oldest gives way.",
)
@click.option("--keep-on", is_flag=True, help="Go on when the connection is complete.")
@click.option(
    "--until-break", is_flag=True, help="End a minute after the connection broke, as --breaks 1."
)
@click.option(
    "--breaks",
    type=click.IntRange(1, 100),
    metavar="NUMBER",
    help="End a minute after so many breaks; the pieces around each stay on the disk.",
)
@click.option("--output", metavar="PATH", help="Record into this file.")
def command(
    adapter: str | None,
    only_list: bool,
    controllers: Sequence[str],
    minutes: float | None,
    megabytes: int,
    keep_on: bool,
    until_break: bool,
    breaks: int | None,
    output: str | None,
) -> int:
    """Record on ADAPTER and show the stages of the connection as they come up.

    Without ADAPTER, the one whose IPv4 network the controller is in, or the only one with a link.
    Nothing is sent. The recording ends by itself when the connection stays complete for 30 s; with
    --until-break, a minute after it broke. Exit status as of diagnose.
    """
    known = adapters.adapters()
    told = told_by(controllers)
    ends = (address for address, _ in told.controllers if not address.is_ipv6)
    addresses = [IPv4Address(int(address)) for address in ends]
    if only_list:
        write(to_text(_listed(known, adapter, addresses)), None)
        return 0
    chosen = adapters.choose(known, adapter, addresses)
    click.echo(to_text(_chosen(known, chosen, adapter, addresses)))

    source = capture.Source(chosen.name)
    interface = running.described(chosen, source.link)
    began = datetime.now()
    path = Path(output or f"whynolink-{began:%Y%m%d-%H%M%S}.pcapng")
    made_with = f"whynolink {__version__}"
    head = running.head(interface, made_with, list(words.comments(known, chosen, controllers)))
    wanted = breaks or int(until_break)
    limit = 60 * (minutes or (WEEK if wanted else USUAL))
    pieces = Pieces(path, head, megabytes * MEGA)
    with _signals_end(), running.Recorder(source, pieces) as recorder:
        at = f"{began:%H:%M:%S}"
        click.echo(to_text(words.begins(chosen, path, at, limit, megabytes * MEGA, wanted)))
        watch, live = running.Watch(recorder, interface, all_rules(), told), Live()
        try:
            for elapsed, linked, diagnosis in watch.looks(limit, keep_on or wanted > 0, wanted):
                for line in live.lines(diagnosis, elapsed, linked):
                    click.echo(line)
        except KeyboardInterrupt as stop:
            watch.ended = Ended.SIGNAL if isinstance(stop, _Signal) else Ended.KEYBOARD
            click.echo()
    paths = list(pieces.paths)
    more = f" and {len(paths) - 1} more" if len(paths) > 1 else ""
    with running.Together(paths) as stream:
        diagnosis = diagnose(open_recording(stream, f"{paths[0].name}{more}"), all_rules(), told)
    answer = in_short([diagnosis], "whynolink diagnose --all, of the recording below", None)
    click.echo(to_text([*answer, *words.ended(watch.ended, recorder)]), nl=False)
    return diagnosis.status if recorder.problem is None else complain(str(recorder.problem))


class _Signal(KeyboardInterrupt):
    """Somebody ended the program, or closed its terminal."""


@contextmanager
def _signals_end() -> Iterator[None]:
    """Have signals that end a program end it as Ctrl-C does: with the last counts."""

    def end(*_: object) -> None:
        raise _Signal

    names = ("SIGTERM", "SIGHUP", "SIGBREAK")  # each system has some of them
    known = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {one: signal.signal(one, end) for one in known}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _chosen(
    known: Sequence[Adapter], chosen: Adapter, name: str | None, controllers: Sequence[IPv4Address]
) -> Iterator[Block]:
    yield from words.adapter_list(known, chosen)
    yield from words.choice(chosen, adapters.reason(chosen, name, controllers))
    yield from words.warned(list(adapters.warnings(chosen, known, controllers)))


def _listed(
    known: Sequence[Adapter], name: str | None, controllers: Sequence[IPv4Address]
) -> Iterator[Block]:
    """The adapters, the one that would be recorded on, and whether that can begin."""
    try:
        tried = [adapters.choose(known, name, controllers)]
    except Unusable as problem:
        if name is not None:
            raise
        tried = [one for one in known if one.has_link]
        yield from words.adapter_list(known)
        yield from words.no_choice(f"{problem.what} {problem.todo}")
    else:
        yield from _chosen(known, tried[0], name, controllers)
    if tried:
        yield from words.readiness(capture.lacking(tried[0].name))
