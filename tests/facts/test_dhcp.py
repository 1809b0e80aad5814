"""Who asked for an address and who offered one."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analyzer.facts import DhcpMessage, gather
from analyzer.facts import dhcp as module
from analyzer.facts.dhcp import ACK, BOOTP, DISCOVER, OFFER, REQUEST
from captures.plant import Plant
from tests import raw


def messages(plant: Plant) -> list[DhcpMessage]:
    return gather(raw.opened(plant.pcap())).dhcp


def test_a_lease_with_its_offer() -> None:
    plant = Plant()
    pc, server = plant.pc("192.0.2.15"), plant.station("192.0.2.1")
    plant.lease(pc, server, router="192.0.2.1")
    found = messages(plant)
    assert [one.type for one in found] == [DISCOVER, OFFER, REQUEST, ACK]
    assert [one.from_client for one in found] == [True, False, True, False]
    assert [one.moment.frame for one in found] == [1, 2, 3, 4]
    assert {str(one.client) for one in found} == {"00-00-5E-00-53-15"}
    offer = found[1]
    assert (str(offer.offered), str(offer.server)) == ("192.0.2.15", "192.0.2.1")
    assert str(offer.mask) == "255.255.255.0"
    assert [str(router) for router in offer.routers] == ["192.0.2.1"]
    assert str(found[2].requested) == "192.0.2.15"
    assert len({one.transaction for one in found}) == 1
    assert [str(one.sender)[-2:] for one in found] == ["15", "01", "15", "01"]


def test_offers_of_two_servers() -> None:
    plant = Plant()
    pc = plant.pc("192.0.2.15")
    servers = [plant.station("192.0.2.1"), plant.station("192.0.2.2")]
    plant.dhcp("discover", pc)
    for n, server in enumerate(servers):
        plant.dhcp("offer", pc, f"192.0.2.{100 + n}", server=server)
    offers = [one for one in messages(plant) if one.type == OFFER]
    assert [(str(one.server), str(one.offered)) for one in offers] == [
        ("192.0.2.1", "192.0.2.100"),
        ("192.0.2.2", "192.0.2.101"),
    ]


def message(options: bytes, ports: tuple[int, int] = (68, 67)) -> bytes:
    fixed = bytes([1, 1, 6, 0]) + bytes(24) + bytes.fromhex(raw.PC_HW) + bytes(202)
    body = fixed + bytes([99, 130, 83, 99]) + options
    return raw.ethernet(raw.ipv4(raw.udp(body, *ports), 17, "0.0.0.0", "255.255.255.255"))


def only(frame: bytes) -> DhcpMessage:
    (found,) = raw.facts(frame).dhcp
    return found


def test_a_link_without_hardware_addresses_names_no_sender() -> None:
    (found,) = raw.facts(message(b"\xff")[14:], link=101).dhcp
    assert found.sender is None


def test_a_message_without_a_type_is_bootp() -> None:
    for options in (b"\xff", bytes([53, 1, 99, 255]), bytes([53, 2, 1, 1, 255])):
        found = only(message(options))
        assert found.type == BOOTP
        assert (found.mask, found.server, found.requested, found.routers) == (None, None, None, [])


def test_options_of_a_wrong_length_are_left_out() -> None:
    found = only(
        message(bytes([1, 3, 255, 255, 255, 54, 5, 1, 2, 3, 4, 5, 3, 6]) + bytes(6) + b"\xff")
    )
    assert (found.mask, found.server) == (None, None)
    assert [str(router) for router in found.routers] == ["0.0.0.0"]


def test_a_name_that_is_no_text_is_no_trouble() -> None:
    assert only(message(bytes([12, 3, 0xFF, 0xFE, 65, 255]))).name.endswith("A")


@pytest.mark.parametrize("ports", [(67, 67), (68, 67), (67, 68), (68, 68)])
def test_ports_of_client_server_and_relay(ports: tuple[int, int]) -> None:
    assert only(message(b"\xff", ports)).from_client


@pytest.mark.parametrize("ports", [(68, 69), (50000, 67), (67, 50000)])
def test_other_ports_are_something_else(ports: tuple[int, int]) -> None:
    assert raw.facts(message(b"\xff", ports)).dhcp == []


def test_messages_are_capped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_MESSAGES", 3)
    frames = [(n, message(bytes([53, 1, 1, 255]))) for n in range(9)]
    assert [one.moment.frame for one in raw.facts(*frames).dhcp] == [1, 2, 3]


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=60), st.integers(0, 340))
def test_never_raises(options: bytes, size: int) -> None:
    raw.facts(message(options))
    frame = message(options)
    cut = raw.record(frame[:size], original=len(frame))
    gather(raw.opened(raw.pcap_header() + cut))
