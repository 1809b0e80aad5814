"""no-attempt: nothing in the recording was meant for the controller."""

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty
from analyzer.words import say
from captures import layouts
from captures.layouts import COOKED, ETHERNET, RAW
from captures.plant import Plant, Station
from rules.recording.no_attempt import ENOUGH, NO_TRY, NO_WAY, OTHER_PC, OVER_IPV6, RULE
from tests.support import TOLD, diagnosed, ended, found, lead, left_out, slugs, told_or_not

SLUG = "no-attempt"


def begun() -> tuple[Plant, Station, Station]:
    plant = Plant()
    pc, unit = plant.pc(), plant.station()
    plant.wait(1)
    plant.link_up(pc)
    plant.wait(3)
    return plant, pc, unit


@told_or_not
def test_found_where_the_pc_only_chatters(controllers: tuple[str, ...]) -> None:
    plant, pc, _ = begun()
    for _ in range(4):
        plant.datagram(pc, "224.0.0.251", 5353, 5353, b"who", after=5)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    values = found(diagnosis, SLUG).values
    assert (values["frames"], values["brief"]) == (len(plant.records), plant.now < ENOUGH)
    assert str(values["hardware"]) == "00-00-5E-00-53-15"
    assert {one.verdict for one in diagnosis.outcomes} <= {Verdict.CANNOT_TELL}
    assert diagnosis.status == CANNOT_TELL


def test_quiet_where_not_a_single_frame_was_recorded() -> None:
    assert SLUG not in slugs(diagnosed(Plant().pcapng(), TOLD))


def test_found_for_the_told_controller_where_only_another_one_is_tried() -> None:
    plant, pc, _ = begun()
    other = plant.station("192.0.2.61")
    plant.resolve(pc, other)
    plant.tcp(pc, other).open().poll(3)
    told = [*TOLD, "192.0.2.61:502"]
    diagnosis = diagnosed(ended(plant), told)
    assert str(found(diagnosis, SLUG).controller) == "192.0.2.60"
    verdicts = [one.verdict for one in diagnosis.outcomes]
    assert verdicts == [Verdict.CANNOT_TELL, Verdict.COMPLETE]
    assert lead(diagnosis) is None
    assert diagnosis.status == CANNOT_TELL


def test_found_where_others_ask_for_the_controller_and_the_pc_does_not() -> None:
    plant, pc, unit = begun()
    panel = plant.station("192.0.2.20")
    asked = plant.ask(panel, unit)
    plant.datagram(pc, "192.0.2.255", 50000, 50000, b"running", after=3)
    diagnosis = diagnosed(ended(plant), TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert [str(one) for one in finding.values["askers"]] == ["192.0.2.20"]
    assert [one.moment.frame for one in finding.evidence] == [plant.number(one) for one in asked]
    assert finding.likely_causes[1] == say(RULE.likely_causes[OTHER_PC], finding.values)


def test_nobody_is_named_as_the_pc_that_connects_where_nobody_asks_for_the_controller() -> None:
    plant, pc, unit = begun()
    plant.announce(unit)
    plant.ask(plant.station("192.0.2.20"), pc)
    finding = found(diagnosed(ended(plant), TOLD), SLUG)
    assert (finding.values["askers"], finding.evidence) == ([], [])
    assert left_out(finding, RULE)[0] == [OTHER_PC, OVER_IPV6]


def test_found_with_the_pc_told_that_is_not_in_the_recording() -> None:
    plant = Plant()
    plant.wait(20)
    diagnosis = diagnosed(ended(plant), TOLD, pc="192.0.2.15")
    assert slugs(diagnosis) == [SLUG]
    assert diagnosis.status == CANNOT_TELL


def calls_far_away(answers: bool) -> Diagnosis:
    plant, pc, _ = begun()
    router = plant.station("192.0.2.1")
    web = plant.station("203.0.113.9", hw="00:00:5e:00:53:aa")
    plant.resolve(pc, router)
    for _ in range(3):
        session = plant.tcp(pc, web, 443, via=router)
        session.syn(after=4, repeats=() if answers else (1, 2))
        if answers:
            session.syn_ack()
            session.poll(2)
    return diagnosed(ended(plant))


def test_found_where_the_pc_only_calls_far_office_services_in_vain() -> None:
    diagnosis = calls_far_away(answers=False)
    assert slugs(diagnosis) == [SLUG]
    assert diagnosis.status == CANNOT_TELL


def test_quiet_where_a_far_office_service_answers() -> None:
    """It is shown as what it is."""
    diagnosis = calls_far_away(answers=True)
    assert slugs(diagnosis) == []
    assert [one.linkup.target.port for one in diagnosis.outcomes] == [443]


@pytest.mark.parametrize(
    ("unit", "first", "heard"),
    [("198.51.100.60:502", NO_WAY, ["192.0.2.20", "192.0.2.31"]), (TOLD[0], NO_TRY, [])],
)
def test_having_no_way_comes_first_where_other_networks_are_heard(
    unit: str, first: int, heard: list[str]
) -> None:
    """A PC that sends no IPv4 packet at all."""
    plant = Plant()
    pc = plant.pc()
    plant.wait(1)
    plant.frame(pc, "33:33:00:00:00:02", 0x86DD, b"\x60" + bytes(39))
    finding = found(diagnosed(ended(plant), [unit]), SLUG)
    assert [str(one) for one in finding.values["heard"]] == heard
    assert finding.likely_causes[0] == RULE.likely_causes[first]


@told_or_not
def test_quiet_where_the_link_up_works(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT


@told_or_not
def test_quiet_for_a_question_that_nobody_answers(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert SLUG not in slugs(diagnosis)
    assert diagnosis.status == FAULT


@pytest.mark.parametrize("link_type", [ETHERNET, COOKED, RAW])
def test_quiet_for_pings_without_an_answer(link_type: int) -> None:
    plant, pc, unit = begun()
    for turn in range(4):
        plant.ping(pc, unit, turn, after=1)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD, link_type=link_type))


@pytest.mark.parametrize("link_type", [ETHERNET, RAW])
def test_quiet_for_datagrams_without_an_answer(link_type: int) -> None:
    plant, pc, unit = begun()
    for _ in range(3):
        plant.datagram(pc, unit, 50000, 47808, b"who", after=1)
    octets = ended(plant).pcap(link_type=link_type)
    assert SLUG not in slugs(diagnosed(octets, ["192.0.2.60:47808"]))


def test_quiet_where_only_another_port_is_called() -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit, port=8080).syn(repeats=(1, 2))
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


def test_quiet_where_the_recording_lacks_the_pcs_direction() -> None:
    plant, pc, unit = begun()
    for _ in range(3):
        plant.datagram(unit, pc, 50000, 50000, b"running", after=1)
    others = [record for record in ended(plant).records if not record.outbound]
    diagnosis = diagnosed(layouts.pcap(others), TOLD, pc=pc.address)
    assert slugs(diagnosis) == []
    assert diagnosis.status == CANNOT_TELL


def test_quiet_for_a_session_that_was_open_before() -> None:
    plant, pc, unit = begun()
    session = plant.tcp(pc, unit)
    for record in (session.syn(), session.syn_ack(), session.ack()):
        plant.lose(record)
    session.poll(3)
    assert SLUG not in slugs(diagnosed(ended(plant), TOLD))


@told_or_not
@pytest.mark.parametrize("kept", [10, 14, 34, 40, 50])
def test_quiet_where_the_frames_are_cut_too_short_to_show_one(
    kept: int, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = begun()
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = diagnosed(ended(plant), controllers, snaplen=kept)
    assert SLUG not in slugs(diagnosis)
    assert diagnosis.status == CANNOT_TELL


def test_found_where_all_headers_of_a_call_were_kept() -> None:
    plant, _, _ = begun()
    assert slugs(diagnosed(ended(plant), TOLD, snaplen=54)) == [SLUG, "frames-cut-short"]


def test_found_where_frames_are_left_of_a_damaged_file() -> None:
    plant, _, _ = begun()
    diagnosis = diagnosed(ended(plant).pcap()[:-1], TOLD)
    assert slugs(diagnosis) == ["damaged-file", SLUG]


def test_quiet_where_it_is_unclear_who_the_pc_is() -> None:
    plant = Plant()
    panel, drive = plant.station("192.0.2.20"), plant.station("192.0.2.31")
    plant.resolve(panel, drive, after=3)
    plant.resolve(drive, panel, after=3)
    diagnosis = diagnosed(plant)
    assert diagnosis.case.pc is None
    assert slugs(diagnosis) == []
    assert diagnosis.status == NO_FAULT  # both found each other


def test_quiet_and_blames_nobody_where_only_others_are_recorded() -> None:
    plant = Plant()
    panel = plant.station("192.0.2.20")
    plant.wait(3)
    for _ in range(4):
        plant.ask(panel, "192.0.2.33", after=1.5)
    plant.wait(8)
    drive = plant.station("192.0.2.31")
    plant.meanwhile(1.7, lambda: plant.datagram(drive, "192.0.2.255", 50000, 50000, b"running"))
    diagnosis = diagnosed(plant)
    assert diagnosis.case.pc is None
    assert lead(diagnosis) is None


# --- IPv6 ---------------------------------------------------------------------------------------

IPV6 = 0x86DD
OTHER_KIND = 0x88B5
"""For experiments (IEEE 802)."""
FROM_PC = bytes.fromhex("6000000000003b40" + "fe80" + "00" * 13 + "15" + "fe80" + "00" * 13 + "60")
"""An IPv6 header with nothing behind it (RFC 8200 section 4.7)."""


@told_or_not
def test_found_as_ipv6_first_where_the_pc_speaks_that_with_a_neighbour(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    sent = [plant.frame(pc, unit.hw, IPV6, FROM_PC, after=1) for _ in range(5)]
    diagnosis = diagnosed(ended(plant), controllers)
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert [str(one) for one in finding.values["neighbours"]] == ["00-00-5E-00-53-60"]
    assert [one.moment.frame for one in finding.evidence] == [plant.number(sent[0])]
    assert finding.likely_causes[0] == RULE.likely_causes[OVER_IPV6]
    assert diagnosis.status == CANNOT_TELL


@told_or_not
def test_ipv6_is_not_first_where_the_pc_only_checks_a_neighbour(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    for _ in range(3):
        plant.frame(pc, unit.hw, IPV6, FROM_PC, after=1)
    finding = found(diagnosed(ended(plant), controllers), SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert finding.likely_causes[0] == RULE.likely_causes[NO_TRY]
    assert OVER_IPV6 not in left_out(finding, RULE)[0]


@told_or_not
def test_ipv6_is_no_cause_where_the_pc_sends_it_to_groups_and_others_speak_it(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    panel = plant.station("192.0.2.20")
    for _ in range(5):
        plant.frame(pc, "33:33:00:00:00:01", IPV6, FROM_PC, after=1)
        plant.frame(panel, unit.hw, IPV6, FROM_PC)
        plant.frame(pc, panel.hw, OTHER_KIND, FROM_PC)
    finding = found(diagnosed(ended(plant), controllers), SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert OVER_IPV6 in left_out(finding, RULE)[0]
    assert finding.evidence == []
