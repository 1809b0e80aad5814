"""Published values of Ethernet and ARP: EtherTypes, addresses, worked octets, what a probe is."""

import pytest

from analyzer.facts import Address, Hardware, Kind
from analyzer.facts.paths import LONGEST
from analyzer.frames import SHORTEST, TAGS
from tests import raw

PC_HW, UNIT_HW = Hardware(0x00005E005301), Hardware(0x00005E005302)
PC, UNIT, NOBODY = (Address.parse(text) for text in ("192.0.2.10", "192.0.2.20", "0.0.0.0"))

# RFC 826, packet format: whole frames without padding, built from the layout
ASK = "ffffffffffff00005e0053010806 0001080006040001 00005e005301 c000020a 000000000000 c0000214"
REPLY = "00005e00530100005e0053020806 0001080006040002 00005e005302 c0000214 00005e005301 c000020a"
PROBE = "ffffffffffff00005e0053010806 0001080006040001 00005e005301 00000000 000000000000 c000020a"
ANNOUNCEMENT = (
    "ffffffffffff00005e0053010806 0001080006040001 00005e005301 c000020a 000000000000 c000020a"
)


def test_ether_types() -> None:
    """IEEE Registration Authority and IANA, EtherTypes."""
    assert {kind: int(kind) for kind in Kind if kind >= 0x0600} == {
        Kind.IPV4: 0x0800,
        Kind.ARP: 0x0806,
        Kind.IPV6: 0x86DD,
        Kind.EAPOL: 0x888E,
        Kind.LLDP: 0x88CC,
    }
    assert {0x8100, 0x88A8} <= set(TAGS)  # IEEE 802.1Q: customer and service tag


def test_type_field_begins_at_0x0600() -> None:
    """IEEE 802.3 clause 3.2.6: a value from 0x0600 is a type, up to 0x05DC a length."""
    frames = raw.table(raw.ethernet(bytes(46), 0x0600), raw.ethernet(bytes(46), 0x05DC))
    assert frames.kind.tolist() == [0x0600, Kind.OTHER_LLC]


def test_tag_control_information() -> None:
    """IEEE 802.1Q 9.6: 0xA00A is priority 5, drop eligible 0, VLAN 10."""
    frames = raw.table(raw.ethernet(bytes(46), tags=bytes.fromhex("8100a00a")))
    assert frames.tag.tolist() == [10]


def test_sizes() -> None:
    """IEEE 802.3: 60 to 1514 octets without the FCS; one tag adds 4."""
    assert (SHORTEST, LONGEST) == (60, 1514 + 4)


def test_spanning_tree_is_llc_42_42_03() -> None:
    """IEEE 802.1D (from memory): group address 01-80-C2-00-00-00, LLC 42-42-03."""
    tree = raw.ethernet(bytes.fromhex("424203") + bytes(43), 38, dst="0180c2000000")
    assert raw.table(tree).kind.tolist() == [Kind.SPANNING_TREE]


def test_group_bit_and_virtual_router() -> None:
    """RFC 9542 2.1.1: the lowest bit of the first octet is set for groups. RFC 9568 7.3: virtual
    router 10 is 00-00-5E-00-01-0A."""
    assert Hardware(0xFFFFFFFFFFFF).is_group
    assert Hardware(0x0180C2000000).is_group
    assert Hardware(0x01005E000001).is_group  # RFC 1112 6.4: multicast
    assert not PC_HW.is_group
    assert Hardware(0x00005E00010A).is_virtual_router
    assert not Hardware(0x00005E00020A).is_virtual_router  # the IPv6 range
    assert not PC_HW.is_virtual_router
    assert str(Hardware(0x00005E00010A)) == "00-00-5E-00-01-0A"


def test_worked_request_and_reply() -> None:
    """RFC 826, packet format."""
    for octets, operation, sha, spa, tha, tpa in (
        (ASK, 1, PC_HW, PC, 0, UNIT),
        (REPLY, 2, UNIT_HW, UNIT, PC_HW, PC),
        (PROBE, 1, PC_HW, NOBODY, 0, PC),
        (ANNOUNCEMENT, 1, PC_HW, PC, 0, PC),
    ):
        arp = raw.table(bytes.fromhex(octets)).arp
        row = [arp.operation, arp.sha, arp.spa, arp.tha, arp.tpa]
        assert [int(column[0]) for column in row] == [operation, sha, spa, tha, tpa]


def test_request_with_its_answer() -> None:
    """RFC 826, packet generation and reception."""
    arp = raw.facts(bytes.fromhex(ASK), (0.5, bytes.fromhex(REPLY))).arp
    (question,) = arp.questions.values()
    assert (question.asker, question.asker_ip, question.wanted) == (PC_HW, PC, UNIT)
    assert [hardware for _, hardware in question.answers] == [UNIT_HW]
    assert {address: list(one.counts) for address, one in arp.claims.items()} == {
        PC: [PC_HW],
        UNIT: [UNIT_HW],
    }


def test_a_probe_is_no_claim_and_no_question() -> None:
    """RFC 5227 1.1 and 2.1.1: sender address 0.0.0.0."""
    arp = raw.facts(bytes.fromhex(PROBE)).arp
    assert {key: series.count for key, series in arp.probes.items()} == {(PC_HW, PC): 1}
    assert (arp.claims, arp.questions, arp.announcements) == ({}, {}, {})


def test_an_announcement_is_a_claim_and_no_question() -> None:
    """RFC 5227 1.1 and 2.3: a request with sender and target address alike."""
    arp = raw.facts(bytes.fromhex(ANNOUNCEMENT)).arp
    assert {key: series.count for key, series in arp.announcements.items()} == {(PC_HW, PC): 1}
    assert list(arp.claims[PC].counts) == [PC_HW]
    assert (arp.probes, arp.questions) == ({}, {})


def test_an_announcement_may_have_the_form_of_a_reply() -> None:
    """RFC 2131 4.4.1: a client announces its new address by a broadcast reply."""
    reply = raw.arp_frame(2, str(PC_HW).replace("-", ""), str(PC), str(PC))
    arp = raw.facts(reply).arp
    assert {key: series.count for key, series in arp.announcements.items()} == {(PC_HW, PC): 1}
    assert list(arp.claims[PC].counts) == [PC_HW]


@pytest.mark.parametrize("operation", [1, 2])
def test_any_arp_with_another_sender_hardware_address_is_a_second_claim(operation: int) -> None:
    """RFC 5227 2.4: request or reply, the sender address counts."""
    other = raw.arp_frame(operation, str(UNIT_HW).replace("-", ""), str(PC), str(UNIT))
    arp = raw.facts(bytes.fromhex(ANNOUNCEMENT), (1.0, other)).arp
    assert list(arp.claims[PC].counts) == [PC_HW, UNIT_HW]


def test_a_foreign_probe_for_an_address_in_use_is_no_second_claim() -> None:
    """RFC 5227 2.4 and 2.5: it is only answered."""
    probe = raw.arp_frame(1, str(UNIT_HW).replace("-", ""), "0.0.0.0", str(PC))
    arp = raw.facts(bytes.fromhex(ANNOUNCEMENT), (1.0, probe)).arp
    assert list(arp.claims[PC].counts) == [PC_HW]


def test_two_probes_for_one_address_are_kept_apart() -> None:
    """RFC 5227 2.1.1: another station's probe for the same address is a conflict while probing."""
    probe = raw.arp_frame(1, str(UNIT_HW).replace("-", ""), "0.0.0.0", str(PC))
    arp = raw.facts(bytes.fromhex(PROBE), (0.5, probe)).arp
    assert list(arp.probes) == [(PC_HW, PC), (UNIT_HW, PC)]
