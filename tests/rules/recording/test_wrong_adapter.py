"""wrong-adapter: the recorded adapter leads to other stations than the controller."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, Verdict
from analyzer.findings import Certainty, Level
from captures.layouts import ETHERNET, NULL, RAW
from captures.plant import Plant, Station
from tests.support import TOLD, diagnosed, found, lead, slugs

SLUG = "wrong-adapter"


def office() -> tuple[Plant, Station]:
    """The PC's other adapter: it uses a server of its office network there."""
    plant = Plant()
    pc, server = plant.pc("198.51.100.15"), plant.station("198.51.100.9")
    plant.wait(5)
    plant.resolve(pc, server)
    session = plant.tcp(pc, server, 443).open()
    session.poll(4)
    session.close(after=0.5)
    return plant, pc


def chatting(plant: Plant) -> Plant:
    plant.wait(6)
    plant.chatter(plant.station("198.51.100.20"), plant.station("198.51.100.31"))
    return plant


@pytest.mark.parametrize("link_type", [ETHERNET, RAW])
def test_found_where_the_pc_is_in_use_elsewhere(link_type: int) -> None:
    plant, _ = office()
    diagnosis = diagnosed(chatting(plant), TOLD, link_type=link_type)
    expected = [SLUG] if link_type == ETHERNET else ["no-hardware-addresses", SLUG]
    assert sorted(slugs(diagnosis)) == sorted(expected)
    finding = found(diagnosis, SLUG)
    assert (finding.level, finding.certainty) == (Level.WARNING, Certainty.FITS)
    assert [str(one) for one in finding.values["held"]] == ["198.51.100.15"]
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.CANNOT_TELL]
    assert diagnosis.status == CANNOT_TELL


def test_found_by_the_interface_record_where_nothing_was_recorded() -> None:
    octets = Plant().pcapng(name="radio", hw="00:00:5e:00:53:16", address="198.51.100.15/24")
    diagnosis = diagnosed(octets, TOLD)
    assert slugs(diagnosis) == [SLUG]
    assert [str(one) for one in found(diagnosis, SLUG).values["held"]] == ["198.51.100.15"]
    assert diagnosis.status == CANNOT_TELL


def test_found_where_the_named_pc_is_not_on_this_adapter() -> None:
    plant, _ = office()
    diagnosis = diagnosed(chatting(plant), TOLD, pc="192.0.2.15")
    assert slugs(diagnosis) == [SLUG]
    held = {str(one) for one in found(diagnosis, SLUG).values["held"]}
    assert held == {f"198.51.100.{last}" for last in (15, 9, 20, 31)}


def looped() -> bytes:
    plant = Plant()
    pc = plant.pc("127.0.0.1")
    plant.wait(3)
    session = plant.tcp(pc, pc, 8080)
    for _ in range(3):
        session.send(b"hello", after=1)
    return plant.pcap(link_type=NULL)


def test_quiet_where_the_pc_calls_itself_and_nobody_was_named() -> None:
    diagnosis = diagnosed(looped())
    assert [str(one.linkup.controller) for one in diagnosis.outcomes] == ["127.0.0.1"]
    assert SLUG not in slugs(diagnosis)


def test_found_on_the_loopback_adapter() -> None:
    diagnosis = diagnosed(looped(), TOLD)
    assert sorted(slugs(diagnosis)) == ["no-hardware-addresses", SLUG]
    assert diagnosis.status == CANNOT_TELL


def test_found_for_one_of_two_controllers() -> None:
    plant, pc = office()
    near = plant.station("198.51.100.60")
    plant.resolve(pc, near)
    plant.tcp(pc, near).open().poll(3)
    diagnosis = diagnosed(chatting(plant), [*TOLD, "198.51.100.60:502"])
    assert slugs(diagnosis) == [SLUG]
    assert str(found(diagnosis, SLUG).controller) == "192.0.2.60"
    verdicts = [one.verdict for one in diagnosis.outcomes]
    assert verdicts == [Verdict.CANNOT_TELL, Verdict.COMPLETE]


def test_quiet_where_the_pc_tried_by_a_router() -> None:
    plant, pc = office()
    router, unit = plant.station("198.51.100.1"), plant.station("192.0.2.60")
    plant.resolve(pc, router)
    plant.tcp(pc, unit, via=router).syn(repeats=(1, 2, 4))
    assert lead(diagnosed(chatting(plant), TOLD)) == "subnet-mismatch"
    assert SLUG not in slugs(diagnosed(plant, TOLD))


def test_quiet_where_the_pc_is_alone_with_an_address_of_another_network() -> None:
    """The right adapter with the wrong address sends nothing to the controller either."""
    plant = Plant()
    pc = plant.pc("198.51.100.15")
    plant.wait(1)
    plant.link_up(pc)
    plant.wait(3)
    diagnosis = diagnosed(chatting(plant), TOLD)
    assert SLUG not in slugs(diagnosis)
    assert diagnosis.status == FAULT


@pytest.mark.parametrize("asks", [True, False])
def test_quiet_where_the_controllers_network_is_heard(asks: bool) -> None:
    """Another station uses, or asks for, an address of it: the cable is the right one."""
    plant, _ = office()
    if asks:
        plant.ask(plant.station("198.51.100.21"), "192.0.2.61", times=1)
    else:
        plant.announce(plant.station("192.0.2.22"))
    assert SLUG not in slugs(diagnosed(chatting(plant), TOLD))


def test_quiet_where_pc_and_controller_share_the_network_and_nothing_was_tried() -> None:
    plant, _ = office()
    diagnosis = diagnosed(chatting(plant), ["198.51.100.60"])
    assert slugs(diagnosis) == ["no-attempt"]


@pytest.mark.parametrize("controllers", [["192.0.77.60"], ["192.0.2.60"]])
def test_quiet_where_a_wide_mask_covers_both(controllers: list[str]) -> None:
    plant = Plant()
    pc, server = plant.pc("192.0.2.15"), plant.station("192.0.2.9")
    plant.wait(5)
    plant.resolve(pc, server)
    plant.tcp(pc, server, 443).open().poll(3)
    octets = plant.pcapng(name="cable", hw=pc.hw, address="192.0.2.15/16")
    assert slugs(diagnosed(octets, controllers)) == ["no-attempt"]


def test_quiet_where_the_pc_has_no_address_of_its_own() -> None:
    plant = Plant()
    pc = plant.pc("0.0.0.0", hw="00:00:5e:00:53:15")
    plant.wait(3)
    for pause, secs in ((0, 0), (4, 4), (8, 12)):
        plant.dhcp("discover", pc, secs=secs, after=pause)
    assert SLUG not in slugs(diagnosed(chatting(plant), TOLD))


def test_quiet_where_the_pc_gave_itself_an_address() -> None:
    plant = Plant()
    pc = plant.pc("169.254.23.15")
    plant.wait(1)
    plant.probe(pc)
    plant.announce(pc)
    assert SLUG not in slugs(diagnosed(chatting(plant), TOLD))


@pytest.mark.parametrize("controllers", [(), ["198.51.100.60"]])
def test_quiet_where_the_controller_answers(controllers: list[str]) -> None:
    plant, pc = office()
    unit = plant.station("198.51.100.60")
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(chatting(plant), controllers)) == []


def test_quiet_where_nothing_was_recorded_and_no_address_is_known() -> None:
    assert slugs(diagnosed(Plant(), TOLD)) == ["nothing-recorded"]
