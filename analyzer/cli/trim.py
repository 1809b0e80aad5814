"""whynolink trim: a recording -> a smaller, more private copy."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from secrets import token_bytes

import click

from analyzer import __version__
from analyzer.cli.options import by_example, controllers_option, limit_option, pc_option, told_by
from analyzer.cli.reading import STANDARD_INPUT, check_single, progress, unpacked
from analyzer.cli.writing import write
from analyzer.errors import BadOption
from analyzer.inputs.parcels import Limits
from analyzer.inputs.records import Chunk, Recording
from analyzer.linkup import Told
from analyzer.reports.to_text import to_text
from analyzer.reports.trimmed import comment, summary
from analyzer.trim import Order, trim
from rules import all_rules


@click.command(
    name="trim",
    epilog=by_example(
        "whynolink trim recording.pcapng --output copy.pcapng.gz",
        "whynolink trim recording.pcapng --output copy.pcapng.gz --rename",
    ),
)
@click.argument("recording")
@click.option(
    "--output", "-o", metavar="PATH", required=True, help="Write the copy here; .gz packs it."
)
@controllers_option
@pc_option
@click.option("--keep-payload", is_flag=True, help="Leave the contents of frames as recorded.")
@click.option("--rename", is_flag=True, help="Give all addresses other names.")
@limit_option
def command(
    recording: str,
    output: str,
    controllers: Sequence[str],
    pc: str | None,
    keep_payload: bool,
    rename: bool,
    limit: int,
) -> int:
    """Copy RECORDING with only what its diagnosis needs, for mailing.

    RECORDING may be a parcel that holds one recording.

    The copy is diagnosed too, and kept only where it is judged alike. Nothing is overwritten.
    """
    if recording == STANDARD_INPUT:
        todo = "Give the name of a file: it is read more than once."
        raise BadOption("standard input cannot be trimmed.", recording, todo)
    told = told_by(controllers, pc)
    said = comment(f"whynolink {__version__}", keep_payload, rename)
    order = Order(said, keep_payload, token_bytes(16) if rename else None)
    check_single(recording, list(unpacked(recording, Limits(limit))))
    again = partial(_recording, recording, limit)
    trimmed = trim(again, all_rules(), told, order, Path(output))
    options = "".join(f" {text}" for text in _options(trimmed.told))
    write(to_text(summary(trimmed, order, options)), None)
    return 0


@contextmanager
def _recording(name: str, limit: int) -> Iterator[Recording]:
    """The recording in an input, to be read once, with its progress shown."""
    with closing(unpacked(name, Limits(limit))) as items:
        recording = next(one for one in items if isinstance(one, Recording))
        with progress(recording.size) as advance:
            recording.chunks = _watched(recording, recording.chunks, advance)
            yield recording


def _watched(
    recording: Recording, chunks: Iterator[Chunk], advance: Callable[[int], None]
) -> Iterator[Chunk]:
    for chunk in chunks:
        yield chunk
        advance(recording.consumed)


def _options(told: Told) -> Iterator[str]:
    """The options that tell this."""
    for address, port in told.controllers:
        yield f"--controller {address.with_port(port) if port else address}"
    if told.pc is not None:
        yield f"--pc {told.pc}"
