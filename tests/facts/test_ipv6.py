"""Calls and pings over IPv6: who tried whom, and how that went."""

from ipaddress import IPv6Address
from typing import Any

import pytest
from scapy.layers.inet import TCP
from scapy.layers.inet6 import (
    ICMPv6EchoReply,
    ICMPv6EchoRequest,
    ICMPv6ND_NS,
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrHopByHop,
)
from scapy.packet import Packet, Raw

from analyzer.reports.document.recording import oddities
from captures.plant import Plant, Station
from rules.recording import no_attempt
from tests.support import begun, diagnosed, ended, slugs

PC, UNIT = "2001:db8::15", "2001:db8::60"
PORT, OWN = 502, 50000


def packet(plant: Plant, by: Station, to: Station, message: Packet, *between: Packet) -> None:
    ends = (PC, UNIT) if by.is_pc else (UNIT, PC)
    data: Any = IPv6(src=ends[0], dst=ends[1])
    for one in between:
        data /= one
    plant.frame(by, to.hw, 0x86DD, bytes(data / message))


def segment(flags: str, from_client: bool = True, data: bytes = b"") -> Packet:
    sport, dport = (OWN, PORT) if from_client else (PORT, OWN)
    return TCP(sport=sport, dport=dport, flags=flags) / Raw(data)


CALL, ACCEPT, REFUSE = segment("S"), segment("SA", False), segment("RA", False)
ASK, ANSWER = segment("PA", data=b"ask"), segment("PA", False, b"answer")
MORE = segment("PA", False, b"more")


@pytest.mark.parametrize(
    ("messages", "tried", "accepted", "refused", "answers", "how"),
    [
        ([CALL, ACCEPT, ASK, ANSWER], 1, 1, 0, 1, "once: answered."),
        ([CALL, ACCEPT, ASK], 1, 1, 0, 0, "once: accepted, and no data came back."),
        ([CALL, REFUSE], 1, 0, 1, 0, "once: refused."),
        ([CALL], 1, 0, 0, 0, "once: no answer is in the recording."),
        ([ASK, ANSWER, MORE], 0, 0, 0, 2, "over IPv6: answered."),
        ([ACCEPT], 0, 1, 0, 0, "over IPv6: accepted, and no data came back."),
    ],
)
def test_a_call(
    messages: list[Packet], tried: int, accepted: int, refused: int, answers: int, how: str
) -> None:
    plant, pc, unit = begun()
    for one in messages:
        by, to = (pc, unit) if one.dport == PORT else (unit, pc)
        packet(plant, by, to, one)
    diagnosis = diagnosed(ended(plant))
    (call,) = diagnosis.facts.over_ipv6
    assert (call.client, call.server, call.port) == (IPv6Address(PC), IPv6Address(UNIT), PORT)
    counts = (call.tried, call.accepted, call.refused, call.answers)
    assert counts == (tried, accepted, refused, answers)
    assert oddities(diagnosis)[-1].startswith(f"{PC} calls port {PORT} of {UNIT} over IPv6")
    assert oddities(diagnosis)[-1].endswith(how)
    assert no_attempt.RULE.slug not in slugs(diagnosis)


@pytest.mark.parametrize("answered", [True, False])
def test_pings(answered: bool) -> None:
    plant, pc, unit = begun()
    for number in range(2):
        packet(plant, pc, unit, ICMPv6EchoRequest(id=1, seq=number))
        if answered:
            packet(plant, unit, pc, ICMPv6EchoReply(id=1, seq=number))
    diagnosis = diagnosed(ended(plant))
    (pings,) = diagnosis.facts.over_ipv6
    assert (str(pings.client), str(pings.server), pings.port) == (PC, UNIT, None)
    assert (pings.tried, pings.answers) == (2, 2 * answered)
    how = "answered." if answered else "no answer is in the recording."
    assert oddities(diagnosis)[-1] == f"{PC} pings {UNIT} over IPv6, twice: {how}"
    assert no_attempt.RULE.slug not in slugs(diagnosis)


def test_what_a_router_passes_on_is_counted_once() -> None:
    plant, pc, unit = begun()
    ping = IPv6(src=PC, dst=UNIT, hlim=64) / ICMPv6EchoRequest(id=1, seq=1)
    router = plant.station("192.0.2.1")
    plant.frame(pc, router.hw, 0x86DD, bytes(ping))
    ping.hlim = 63
    plant.frame(router, unit.hw, 0x86DD, bytes(ping), after=0.02)
    ping.hlim = 64
    plant.frame(pc, router.hw, 0x86DD, bytes(ping), after=1)
    (pings,) = diagnosed(ended(plant)).facts.over_ipv6
    assert pings.tried == 2


def test_behind_extension_headers() -> None:
    plant, pc, unit = begun()
    packet(plant, pc, unit, CALL, IPv6ExtHdrHopByHop(), IPv6ExtHdrDestOpt())
    (call,) = diagnosed(ended(plant)).facts.over_ipv6
    assert (call.port, call.tried) == (PORT, 1)


def test_a_question_for_a_neighbour_is_no_call() -> None:
    plant, pc, unit = begun()
    packet(plant, pc, unit, ICMPv6ND_NS(tgt=UNIT))
    diagnosis = diagnosed(ended(plant))
    assert diagnosis.facts.over_ipv6 == []
    assert no_attempt.RULE.slug in slugs(diagnosis)


def test_many_pairs_are_named_in_part() -> None:
    plant, pc, unit = begun()
    for port in range(600, 612):
        packet(plant, pc, unit, TCP(sport=OWN, dport=port, flags="S"))
    diagnosis = diagnosed(ended(plant))
    assert len(diagnosis.facts.over_ipv6) == 12
    assert oddities(diagnosis)[-1] == "4 more pairs over IPv6."
