"""Pieces of one rotating recording are told as one; everything else is not."""

import io
import json
import struct
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.diagnosis import Diagnosis, diagnose
from analyzer.inputs.parcels import unpack
from analyzer.inputs.parcels.pieces import FOLLOWS_WITHIN, OVERLAP
from analyzer.inputs.records import Interface, Recording
from analyzer.outputs import pcapng
from analyzer.reports.document import report
from analyzer.reports.to_json import to_json
from analyzer.reports.to_text import to_text
from rules import ALL
from tests import raw
from tests.parcels import FRAME, WHOLE, gzipped, looked, tarred, zipped

SECOND = raw.SECOND


def piece(begin: float, end: float, frames: int = 3, link: int = 1) -> bytes:
    times = [begin + (end - begin) * n / (frames - 1) for n in range(frames)]
    return raw.pcap(*((int(time * SECOND), FRAME) for time in times), link=link)


def only(parcel: bytes) -> Recording:
    (item,) = unpack(io.BytesIO(parcel), "parcel")
    assert isinstance(item, Recording)
    return item


def test_pieces_are_joined_in_order_of_time() -> None:
    parcel = {"one": piece(20, 29.9), "two": piece(0, 9.9), "three": piece(10, 19.9)}
    whole = only(zipped(parcel))
    times = [time for chunk in whole.chunks for time in chunk.time.tolist()]
    assert times == sorted(times)
    assert len(times) == 9
    assert whole.name == "parcel > two to one (3 pieces)"
    assert [(one.name, one.first) for one in whole.pieces] == [
        ("parcel > two", 1),
        ("parcel > three", 4),
        ("parcel > one", 7),
    ]
    assert whole.pieces[0].sha256 == raw.read(parcel["two"])[0].sha256
    assert whole.consumed == whole.size == sum(map(len, parcel.values()))
    assert whole.damage is None


@pytest.mark.parametrize(
    "second",
    [
        piece(10 + FOLLOWS_WITHIN / SECOND + 0.1, 20),  # a pause
        piece(10 - OVERLAP / SECOND - 0.1, 20),  # recorded at the same time
        piece(0, 10),  # the same file again
        piece(10.1, 20, link=101),  # another interface
        gzipped(raw.section() + raw.interface() + raw.enhanced(FRAME, 10_100_000)),  # a format
        raw.pcap(),  # nothing in it
    ],
    ids=["pause", "beside", "twice", "interface", "format", "empty"],
)
def test_what_does_not_follow_on_is_told_by_itself(second: bytes) -> None:
    frames, _ = looked(zipped({"a": piece(0, 10), "b": second}))
    assert list(frames) == ["parcel > a", "parcel > b"]


def test_two_recorders_at_the_same_time_make_two_recordings() -> None:
    """Both rotate, a little apart: each piece goes to the one that it follows."""
    parcel = {
        f"{name}{n}": piece(n * 10 + late, n * 10 + late + 9.9)
        for n in range(3)
        for name, late in (("a", 0), ("b", 5))
    }
    frames, _ = looked(tarred(parcel))
    assert frames == {
        "parcel > a0 to a2 (3 pieces)": 9,
        "parcel > b0 to b2 (3 pieces)": 9,
    }


def test_a_damaged_piece_ends_what_is_joined() -> None:
    """What is lost at its end would be taken for silence."""
    parcel = {"a": piece(0, 9.9), "b": piece(10, 19.9)[:-1], "c": piece(20, 29.9)}
    frames, _ = looked(zipped(parcel))
    assert frames == {"parcel > a to b (2 pieces)": 5, "parcel > c": 3}
    whole = next(iter(unpack(io.BytesIO(zipped(parcel)), "parcel")))
    assert isinstance(whole, Recording)
    assert sum(len(chunk.start) for chunk in whole.chunks) == 5
    assert whole.damage is not None
    assert whole.damage.after_frame == 5
    assert whole.damage.why == "parcel > b: the file ends inside a frame"


def next_generation(begin: float, names: list[str], drops: int, used: int = 0) -> bytes:
    """Frames of one second on the last of the named interfaces."""
    about = (raw.interface(options=raw.option(2, one.encode()) + raw.END) for one in names)
    frames = (raw.enhanced(FRAME, int((begin + n / 2) * 10**6), used) for n in range(3))
    lost = raw.option(5, drops.to_bytes(8, "little")) + raw.END
    return b"".join([raw.section(), *about, *frames, raw.statistics(0, lost)])


def test_interfaces_of_pieces_are_the_same_ones() -> None:
    """Losses are counted since recording began: the last count tells all."""
    pieces = {str(n): next_generation(n * 1.1, ["x", "y"], n * 10, used=1) for n in range(3)}
    whole = only(zipped(pieces))
    assert {index for chunk in whole.chunks for index in chunk.interface.tolist()} == {1}
    assert [one.name for one in whole.interfaces] == ["x", "y"]
    assert whole.interfaces[0].drops == 20


def test_an_interface_that_comes_later_is_added() -> None:
    """Far behind the first frames: nothing tells it from the pieces before until then."""
    late = raw.enhanced(bytes(1 << 16), 2 << 20) * 80
    late += raw.interface(options=raw.option(2, b"late") + raw.END) + raw.enhanced(
        FRAME, 3 << 20, 1
    )
    first, second = (next_generation(begin, ["x"], 0) for begin in (0, 1.1))
    whole = only(zipped({"a": first, "b": second + late}))
    chunks = list(whole.chunks)
    assert [index for chunk in chunks for index in chunk.interface.tolist()] == [0] * 86 + [1]
    assert [one.name for one in whole.interfaces] == ["x", "late"]


# --- what the joined recording tells ------------------------------------------------------------


def told(diagnosis: Diagnosis) -> dict[str, Any]:
    """The report, without what names the file."""
    content: dict[str, Any] = json.loads(to_json([diagnosis]))
    for name in ("file", "sha256", "pieces"):
        content["recordings"][0].pop(name, None)
    return content


CAPTURES = Path(__file__).parents[2] / "captures"
STORIES = ["sessions-taken.pcap", "idle-limit.pcap", "healthy-busy-site.pcap", "two-ways.pcap"]


def records(octets: bytes) -> list[tuple[int, bytes]]:
    """Microseconds and octets of each record of a pcap file."""
    at, found = 24, []
    while at < len(octets):
        seconds, part, stored = struct.unpack_from("<3I", octets, at)
        end = at + 16 + stored
        found.append((seconds * 10**6 + part, octets[at:end]))
        at = end
    return found


@pytest.mark.parametrize("name", STORIES)
@settings(max_examples=8, deadline=None)
@given(data=st.data())
def test_the_diagnosis_is_that_of_the_recording_in_one_piece(
    name: str, data: st.DataObject
) -> None:
    """Cut anywhere where the next frame comes soon, packed in any order."""
    octets = (CAPTURES / name).read_bytes()
    frames = records(octets)
    steps = [after[0] - before[0] for before, after in pairwise(frames)]
    near = [n for n, step in enumerate(steps, 1) if 0 < step <= FOLLOWS_WITHIN // 1000]
    cuts = sorted(data.draw(st.sets(st.sampled_from(near), min_size=1, max_size=4)))
    parts = [
        octets[:24] + b"".join(record for _, record in frames[begin:end])
        for begin, end in pairwise([0, *cuts, len(frames)])
    ]
    places = data.draw(st.permutations(range(len(parts))))
    joined = only(zipped({f"{place}.pcap": parts[place] for place in places}))
    assert told(diagnose(joined, ALL)) == told(diagnose(only(octets), ALL))


def test_the_report_says_where_each_piece_begins() -> None:
    parts = {f"{n}.pcap": piece(n * 10, n * 10 + 9.9) for n in range(14)}
    diagnosis = diagnose(only(zipped(parts)), ALL)
    few = to_text(report([diagnosis]))
    assert '"parcel > 1.pcap": from frame 4 on' in few
    assert "2 more: list them with --all." in few
    assert '"parcel > 13.pcap": from frame 40 on' in to_text(report([diagnosis], everything=True))
    (recording,) = json.loads(to_json([diagnosis]))["recordings"]
    assert recording["file"] == "parcel > 0.pcap to 13.pcap (14 pieces)"
    assert recording["pieces"][1] == {
        "file": "parcel > 1.pcap",
        "first_frame": 4,
        "sha256": raw.read(parts["1.pcap"])[0].sha256,
    }
    assert "pieces" not in json.loads(to_json([diagnose(only(WHOLE), ALL)]))["recordings"][0]


def test_listening_goes_on_to_the_end_of_the_last_piece() -> None:
    """The first piece says when it began, each when it ended; losses do not add up."""

    def listened(begin: int, end: int) -> bytes:
        one = Interface(1, 65535, 4, name="cable")
        told = (begin * SECOND, end * SECOND)
        head = pcapng.section() + pcapng.interface(one)
        frames = b"".join(pcapng.packet(at * SECOND, FRAME) for at in range(begin + 1, end))
        return head + frames + pcapng.statistics(told[1], *told, dropped=2)

    whole = only(zipped({"a": listened(10, 20), "b": listened(20, 31)}))
    assert sum(len(chunk.time) for chunk in whole.chunks) == 19
    (interface,) = whole.interfaces
    assert (interface.began, interface.ended) == (10 * SECOND, 31 * SECOND)
    assert interface.drops == 2
