"""A recording -> a copy of it that is small and private enough to mail, and diagnosed alike.

    recording -> diagnosis -> chosen frames -> rewritten -> written -> diagnosed again

The copy is believed only after it has been diagnosed itself. Where the chosen frames do not give
the same diagnosis, all of them are copied; where these do not either, there is no copy.
"""

import gzip
import os
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from secrets import token_hex
from typing import BinaryIO, cast

from analyzer.diagnosis import Diagnosis, diagnose
from analyzer.errors import BadOption, Unusable
from analyzer.facts import Address, Facts, Hardware, Interface
from analyzer.findings import Level, Rule
from analyzer.frames import Decoder, Frames
from analyzer.inputs import open_recording
from analyzer.inputs.records import Recording
from analyzer.linkup import Told
from analyzer.trim.choosing import Chooser, everything, needed
from analyzer.trim.heads import Spoken, heads, spoken
from analyzer.trim.renaming import Met, Renaming
from analyzer.trim.rewriting import Rewriter
from analyzer.trim.writer import Writer

__all__ = ["Order", "Trimmed", "trim"]

GZIP_ENDING = ".gz"
REMEMBERED = 1 << 16
"""Packets that a repetition is recognised of; copies come within milliseconds, loops soon."""

Again = Callable[[], AbstractContextManager[Recording]]
"""Opens the recording from its beginning."""


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """How to trim. comment: what the copy says of itself; key: what makes a renaming this one,
    None where names stay; avoid: addresses that are no new names.
    """

    comment: str
    keep_payload: bool = False
    key: bytes | None = None
    avoid: Collection[Address] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Trimmed:
    """What was done. sparing: whether only the frames needed were copied; covered: octets of
    payload that were filled; sizes: octets of both files; renamed: new names of stations and
    addresses by the old ones; names: those of all that is in the copy; told: what the user told, in
    new names.
    """

    original: Diagnosis
    copy: Diagnosis
    sparing: bool
    covered: int
    sizes: tuple[int, int]
    renamed: dict[str, str]
    names: dict[str, str]
    told: Told


def trim(again: Again, rules: Sequence[Rule], told: Told, order: Order, out: Path) -> Trimmed:
    """Write the copy of a recording, packed with gzip where the name of the file says so.

    Raises BadOption where the file exists or cannot be written, and Unusable where the copy would
    be diagnosed differently. Until it is known to be diagnosed alike it has another name, and
    nothing is left of a copy that did not succeed.
    """
    with again() as recording:
        original = diagnose(recording, rules, told)
    for chooser in dict.fromkeys((needed(original), everything)):
        names = _names(again, original, told, order, chooser)
        rewriter, new_told = Rewriter(names.renaming, order.keep_payload), names.told(told)
        with _new_file(out) as (part, accept):
            with again() as recording, _packed(part, out.suffix) as stream:
                copying = _Copy(original.facts, rewriter, names, order.comment)
                copying.write(recording, chooser, stream)
            with part.open("rb") as written:
                copy = diagnose(open_recording(written, out.name), rules, new_told)
            if essence(copy, _Names(None)) == essence(original, names):
                accept()
                return Trimmed(
                    original=original,
                    copy=copy,
                    sparing=chooser is not everything,
                    covered=rewriter.covered,
                    sizes=(recording.consumed, part.stat().st_size),
                    renamed=names.known(original),
                    names=names.all(),
                    told=new_told,
                )
    raise Unusable(
        "a copy of it without payload would not be judged like the whole recording.",
        original.facts.file,
        "Nothing was written. Try again with --keep-payload, or send the recording itself.",
    )


# --- the same diagnosis -------------------------------------------------------------------------

Essence = tuple[object, ...]


class _Names:
    """The new names of what users tell and reports say; the old ones where nothing is renamed."""

    def __init__(self, renaming: Renaming | Met | None) -> None:
        self.renaming = renaming

    def address(self, address: Address) -> Address:
        if self.renaming is None:
            return address
        if address.is_ipv6:
            return Address.of_ipv6(self.renaming.ipv6(address.packed))
        return Address(self.renaming.address(address))

    def hardware(self, hardware: int) -> Hardware:
        return Hardware(hardware if self.renaming is None else self.renaming.hardware(hardware))

    def told(self, told: Told) -> Told:
        pc = told.pc
        if isinstance(pc, Hardware):
            pc = self.hardware(pc)
        elif pc is not None:
            pc = self.address(pc)
        controllers = tuple((self.address(one), port) for one, port in told.controllers)
        return Told(controllers, pc)

    def interface(self, one: Interface) -> Interface:
        hardware = None if one.hardware is None else self.hardware(one.hardware)
        addresses = [(int(self.address(Address(own))), mask) for own, mask in one.addresses]
        return replace(one, hardware=hardware, addresses=addresses)

    def all(self) -> dict[str, str]:
        """The new names of everything that is in the copy."""
        return self.renaming.changed() if isinstance(self.renaming, Renaming) else {}

    def known(self, diagnosis: Diagnosis) -> dict[str, str]:
        """The new names of every station and address by the old ones; none where names stay."""
        if self.renaming is None:
            return {}
        stations, linkups = diagnosis.facts.stations, diagnosis.case.linkups
        hardware = [one.hardware for one in stations if one.hardware is not None]
        addresses = diagnosis.facts.addresses | {linkup.controller for linkup in linkups}
        new = {str(one): str(self.address(one)) for one in sorted(addresses)}
        return new | {str(one): str(self.hardware(one)) for one in hardware}


def essence(diagnosis: Diagnosis, names: _Names) -> Essence:
    """What has to be the same of original and copy."""
    return (
        [one.rule for one in diagnosis.findings if one.level is Level.FAULT][:1],
        sorted(
            (names.address(one.linkup.controller), str(one.verdict), str(one.stopped_at))
            for one in diagnosis.outcomes
        ),
        {(one.rule, str(one.level)) for one in diagnosis.findings},
        diagnosis.status,
    )


def _masks(diagnosis: Diagnosis) -> Iterator[int]:
    """Masks that the recording names, or that somebody's directed broadcasts tell: all ones behind
    the network (RFC 922).
    """
    facts = diagnosis.facts
    told = [mask for one in facts.interfaces for _, mask in one.addresses]
    told += [message.mask for message in facts.dhcp if message.mask is not None]
    groups = (group for station in facts.stations for group in station.broadcast_to)
    told += [~(group & ~(group + 1)) & 0xFFFFFFFF for group in groups]
    return (mask for mask in told if Address(mask).is_mask)


def _names(
    again: Again, original: Diagnosis, told: Told, order: Order, chooser: Chooser
) -> "_Names":
    """New names for a copy, of which none occurs in the recording or is one to avoid. All that is
    renamed occurs: the copy is made once with every name left, to nowhere, to learn of it.
    """
    if order.key is None:
        return _Names(None)
    met = Met()
    old = _Names(met)
    old.told(told)
    old.known(original)
    for address in order.avoid:
        old.address(address)
    rewriter = Rewriter(met, order.keep_payload)
    with again() as recording, Path(os.devnull).open("wb") as nowhere:
        _Copy(original.facts, rewriter, old, order.comment).write(recording, chooser, nowhere)
    renaming = Renaming(_masks(original), order.key, met)
    stuck = sorted(renaming.stuck)
    if stuck:
        what = f"no other name is free for {Address(stuck[0])}, beside all that occurs."
        todo = "Nothing was written. Trim it without --rename."
        raise Unusable(what, original.facts.file, todo)
    return _Names(renaming)


# --- the file -----------------------------------------------------------------------------------


@contextmanager
def _new_file(out: Path) -> Iterator[tuple[Path, Callable[[], None]]]:
    """A new file beside the one wanted, which gets its name when it is accepted, else goes again.
    Nothing that is there already is replaced.
    """
    part = out.with_name(f"{out.name}.{token_hex(4)}.part")
    accepted: list[bool] = []
    try:
        if os.path.lexists(out):
            raise FileExistsError
        part.open("xb").close()
        yield part, lambda: accepted.append(True)
        if accepted:
            _move(part, out)
    except FileExistsError:
        todo = "Name another file with --output; nothing is overwritten."
        raise BadOption("exists already.", str(out), todo) from None
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or "not a usable file name"
        todo = "Choose another --output, or look for room and rights there."
        raise BadOption(f"cannot be written: {why}.", str(out), todo) from None
    finally:
        with suppress(OSError, ValueError):
            part.unlink(missing_ok=True)


def _move(part: Path, out: Path) -> None:
    """Give a file its name. Raises FileExistsError."""
    try:
        out.hardlink_to(part)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):  # not every file system has a second name for a file
        if os.path.lexists(out):
            raise FileExistsError from None
        part.rename(out)


@contextmanager
def _packed(part: Path, ending: str) -> Iterator[BinaryIO]:
    with part.open("wb") as stream:
        if ending == GZIP_ENDING:
            with gzip.GzipFile(filename="", mode="wb", fileobj=stream, mtime=0) as packed:
                yield cast("BinaryIO", packed)
        else:
            yield stream


class _Copy:
    """Copies the chosen frames of one recording."""

    def __init__(self, facts: Facts, rewriter: Rewriter, names: _Names, comment: str) -> None:
        self.facts = facts
        self.rewriter = rewriter
        self.interfaces = [names.interface(one) for one in facts.interfaces]
        self.comment = comment
        self.known: Spoken = spoken(facts.sessions)
        self.time = 0 if facts.untimed == facts.coverage.frames else None
        self.tags: dict[int, int] = {}

    def write(self, recording: Recording, chooser: Chooser, stream: BinaryIO) -> None:
        """Read the recording once more, and write what is chosen."""
        writer = Writer(stream, self.interfaces, self.comment)
        decoder = Decoder(recording.interfaces)
        last = 0
        for chunk in recording.chunks:
            frames = decoder.decode(chunk)
            last = int(frames.time[-1])
            self._chunk(frames, chooser, writer)
        writer.end(last, recording.damage is not None)

    def _chunk(self, frames: Frames, chooser: Chooser, writer: Writer) -> None:
        spans = heads(frames, self.known)
        links = [one.link for one in self.interfaces]
        rows = chooser(frames).nonzero()[0]
        columns = (
            frames.number, frames.fingerprint, frames.start, frames.end,
            frames.network, frames.kind, frames.interface, frames.time, frames.wire,
            frames.direction,
        )  # fmt: skip
        values = (column[rows].tolist() for column in columns)
        for row, number, packet, start, end, network, kind, interface, time, wire, way in zip(
            rows.tolist(), *values, strict=True
        ):
            octets = self.rewriter.frame(
                frames.octets[start:end].tobytes(),
                links[interface],
                kind,
                network - start,
                self._tag(number, packet),
                [(begin - start, end - start, same) for begin, end, same in spans.get(row, ())],
            )
            if self._is_untimed(time, interface, way, len(octets), wire):
                writer.untimed(octets, wire)
            else:
                writer.frame(octets, interface, time, wire, way)
            self.time = time

    def _is_untimed(self, time: int, interface: int, way: int, stored: int, wire: int) -> bool:
        """Whether a frame may have come without a time, and can be written so: it is read with the
        time of the frame before it, the first interface, and its octets up to the snap length.
        """
        if not self.facts.untimed or time != self.time or interface or way:
            return False
        return stored == min(wire, self.interfaces[0].snap_length or wire)

    def _tag(self, number: int, packet: int) -> int:
        """The number of the first frame with the same packet, or of this one."""
        tag = self.tags.pop(packet, number)
        self.tags[packet] = tag
        if len(self.tags) > REMEMBERED:
            del self.tags[next(iter(self.tags))]
        return tag
