"""Pieces of one rotating recording: found by what they describe and when, and told as one."""

import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.columns import Small
from analyzer.errors import Broken, NotARecording
from analyzer.inputs import open_recording
from analyzer.inputs.limits import Limits
from analyzer.inputs.parcels.sources import Source
from analyzer.inputs.pcapng import MAX_COMMENTS, MAX_INTERFACES
from analyzer.inputs.records import Chunk, Damage, Interface, Piece, Recording

FOLLOWS_WITHIN = 2_000_000_000
"""Nanoseconds from the last frame of a piece to the first of the next: nobody saves a recording and
starts another one faster by hand (common practice, no source)."""
OVERLAP = 100_000_000
"""Nanoseconds by which it may begin before that: recorders write frames of several processors a
little out of order (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Surveyed:
    """A recording before it is diagnosed, as plain data. key: the same for all that one recorder
    writes about one adapter; first, last: nanoseconds since 1970; whole: read to its end without
    damage.
    """

    key: str
    first: int
    last: int
    whole: bool


def chains(sources: Sequence[Source], limits: Limits) -> list[list[Source]]:
    """The recordings of a parcel in its order; those that follow on from one another together."""
    begun = [survey(source, limits, to_its_end=False) for source in sources]
    alike = Counter(one.key for one in begun if one)
    read = [
        (survey(source, limits) or one) if one and alike[one.key] > 1 else one
        for source, one in zip(sources, begun, strict=True)
    ]
    return [[sources[place] for place in chain] for chain in in_time(read)]


def in_time(surveyed: Sequence[Surveyed | None]) -> list[list[int]]:
    """The places of all, those that follow on from one another together and in order of time.

    None stands for what cannot be joined with others.
    """
    alone = [[place] for place, one in enumerate(surveyed) if one is None]
    done: list[list[tuple[int, Surveyed]]] = []
    open_chains: dict[str, list[list[tuple[int, Surveyed]]]] = {}
    known = [(place, one) for place, one in enumerate(surveyed) if one is not None]
    for place, one in sorted(known, key=lambda each: each[1].first):
        earlier = open_chains.get(one.key, [])
        near = [chain for chain in earlier if chain[-1][1].last + FOLLOWS_WITHIN >= one.first]
        chain = next((chain for chain in near if _follows(chain[-1][1], one)), None)
        if chain is None:
            chain = []
            near.append(chain)
            done.append(chain)
        chain.append((place, one))
        open_chains[one.key] = near
    return sorted([*alone, *([place for place, _ in chain] for chain in done)], key=min)


def _follows(before: Surveyed, after: Surveyed) -> bool:
    if not before.whole or after.first <= before.first:
        return False
    return -OVERLAP <= after.first - before.last <= FOLLOWS_WITHIN


def survey(source: Source, limits: Limits, to_its_end: bool = True) -> Surveyed | None:
    """Look at a recording; None where it holds no frames, or cannot be read."""
    times: list[int] = []
    key = ""
    try:
        with source.opened() as stream:
            recording = open_recording(stream, source.way, limits)
            for chunk in recording.chunks:
                key = key or _key(recording)
                times = [*times[:1], int(chunk.time[0]), int(chunk.time[-1])]
                if not to_its_end:
                    break
    except (NotARecording, Broken, OSError):
        return None
    if not times:
        return None
    return Surveyed(key, times[0], times[-1], to_its_end and recording.damage is None)


def _key(recording: Recording) -> str:
    """The same for recordings of one format whose interfaces, as far as known, are alike."""
    told = repr((recording.format, *(_description(one) for one in recording.interfaces)))
    return hashlib.sha256(told.encode("utf-8", "surrogatepass")).hexdigest()


def _description(one: Interface) -> tuple[object, ...]:
    """What a recorder writes about an interface alike in all its files."""
    kept = (one.link, one.snap_length, one.fcs_octets, one.resolution, one.offset, one.name)
    return (*kept, tuple(one.addresses), one.hardware, one.speed)


def called(ways: Sequence[str]) -> str:
    """What pieces are called that are told as one."""
    return f"{ways[0]} to {ways[-1].rpartition(' > ')[2]} ({len(ways)} pieces)"


def joined(chain: Sequence[Source], limits: Limits) -> Recording:
    """Pieces in time order as one recording; its frames are counted through."""
    whole = Recording(name=called([source.way for source in chain]), format="")
    whole.size = sum(source.size for source in chain)
    whole.chunks = _chunks(whole, chain, limits)
    return whole


def _chunks(whole: Recording, chain: Sequence[Source], limits: Limits) -> Iterator[Chunk]:
    frames = consumed = 0
    for source in chain:
        with source.opened() as stream:
            piece = open_recording(stream, source.way, limits)
            begin, places = frames, np.zeros(0, np.int32)
            for chunk in piece.chunks:
                places = _places(whole, piece, places)
                chunk.interface = places[chunk.interface]
                chunk.first += begin
                frames += len(chunk.start)
                whole.consumed = consumed + piece.consumed
                yield chunk
            consumed += piece.consumed
            _add(whole, piece, _places(whole, piece, places), begin)
        if len(whole.interfaces) > MAX_INTERFACES:
            whole.damage = Damage(0, frames, f"there are more than {MAX_INTERFACES:,} interfaces")
        if whole.damage is not None and whole.damage.stopped:
            return


def _places(whole: Recording, piece: Recording, places: Small) -> Small:
    """Where the interfaces of a piece stand in the whole; what is new there is added."""
    new = piece.interfaces[len(places) :]
    more = [_place(whole, one, index) for index, one in enumerate(new, len(places))]
    return np.append(places, np.array(more, np.int32))


def _place(whole: Recording, one: Interface, index: int) -> int:
    told = _description(one)
    alike = [n for n, two in enumerate(whole.interfaces) if _description(two) == told]
    if not alike:
        whole.interfaces.append(one)
        alike = [len(whole.interfaces) - 1]
    return index if index in alike else alike[0]


def _add(whole: Recording, piece: Recording, places: Small, begin: int) -> None:
    """Take over what a piece says at its end."""
    whole.format = piece.format
    whole.compressed |= piece.compressed
    whole.untimed += piece.untimed
    new = [text for text in piece.comments if text not in whole.comments]
    whole.comments += new[: MAX_COMMENTS - len(whole.comments)]
    for one, place in zip(piece.interfaces, places.tolist(), strict=True):
        _add_counts(whole.interfaces[place], one)
    whole.pieces.append(Piece(piece.name, begin + 1, piece.sha256))
    digests = "".join(one.sha256 for one in whole.pieces)
    whole.sha256 = hashlib.sha256(digests.encode()).hexdigest()
    if piece.damage is not None:
        told = piece.damage
        why, before = f"{piece.name}: {told.why}", begin + told.after_frame
        if told.stopped or whole.damage is None:
            whole.damage = Damage(told.octet, before, why, told.stopped)


def _add_counts(total: Interface, one: Interface) -> None:
    """Listening goes on to the end of the last piece. Losses of the interface are counted since
    recording began, losses before single frames are not (draft-ietf-opsawg-pcapng 4.6 and 4.3).
    """
    if one is total:
        return
    if one.ended is not None:
        total.ended = max(total.ended or 0, one.ended)
    if one.drops is not None:
        total.drops = max(total.drops or 0, one.drops)
    if one.missed is not None:
        total.missed = (total.missed or 0) + one.missed
