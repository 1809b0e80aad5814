"""subnet-mismatch: PC and controller are in different networks, and nothing comes back."""

from typing import Any

import pytest

from analyzer.diagnosis import CANNOT_TELL, FAULT, NO_FAULT, Diagnosis, Verdict
from analyzer.findings import Certainty
from analyzer.linkup import Stage
from analyzer.words import say
from captures.plant import Plant, Station
from rules.route.subnet_mismatch import (
    ADDRESS,
    MASK,
    NOT_TRIED,
    OTHER_ADAPTER,
    ROUTER,
    RULE,
    SLIP,
    WRONG_GATEWAY,
)
from tests.support import a_sheet, diagnosed, ended, found, lead, left_out, slugs

SLUG = "subnet-mismatch"
TOLD = ("198.51.100.60:502",)
told_or_not = pytest.mark.parametrize("controllers", [(), TOLD], ids=["not told", "told"])
SLOW_DOWN = (1, 2, 4)


def begun(unit: str = "198.51.100.60", pc: str = "192.0.2.15") -> tuple[Plant, Station, Station]:
    plant = Plant()
    return plant, plant.pc(pc, hw="00:00:5e:00:53:15"), plant.station(unit)


def by_router(plant: Plant, pc: Station, unit: Station) -> Station:
    """The PC hands its call to its router, and nothing comes back."""
    router = plant.station(f"{pc.address.rsplit('.', 1)[0]}.1")
    plant.wait(5)
    plant.resolve(pc, router)
    plant.tcp(pc, unit, via=router).syn(repeats=SLOW_DOWN)
    return router


def told_mask(plant: Plant, pc: Station, bits: int, *controllers: str, **more: Any) -> Diagnosis:
    """Diagnose with the PC's mask in the interface record."""
    octets = ended(plant).pcapng(hw=pc.hw, address=f"{pc.address}/{bits}", **more)
    return diagnosed(octets, controllers)


@told_or_not
def test_found_by_way_of_a_router(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    by_router(plant, pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert finding.values["network"] == "192.0.2.0/24"
    assert finding.values["other_network"] == "198.51.100.0/24"
    assert (finding.values["known"], finding.values["router"]) == (False, None)
    assert (finding.values["outside"], finding.values["other_known"]) == (True, False)
    assert "presumed" in finding.what_happened
    (outcome,) = diagnosis.outcomes
    assert (outcome.verdict, outcome.stopped_at) == (Verdict.STOPPED, "route")
    assert diagnosis.status == FAULT


@told_or_not
def test_found_where_the_pc_asks_directly(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    plant.wait(5)
    asked = plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    frames = {one.moment.frame for one in found(diagnosis, SLUG).evidence}
    assert frames == {plant.number(asked[0]), plant.number(asked[-1])}


@pytest.mark.parametrize(
    ("last", "times", "after", "named"),
    [(254, 6, 8, True), (7, 6, 8, False), (254, 1, 8, False), (254, 3, 2, True)],
    ids=["gateway", "no gateway", "in passing", "soon before the end"],
)
def test_found_and_the_gateway_named_that_the_pc_asks_for_in_vain(
    last: int, times: int, after: int, named: bool
) -> None:
    plant, pc, _ = begun()
    plant.wait(5)
    asked = plant.ask(pc, f"192.0.2.{last}", times=times)
    diagnosis = diagnosed(ended(plant, after), TOLD)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert (str(finding.values["gateway"]) == "192.0.2.254") == named
    assert (finding.values["via"], finding.values["silent"]) == ([], True)
    frames = [one.moment.frame for one in finding.evidence]
    assert frames == ([plant.number(one) for one in asked] if named else [])
    first = WRONG_GATEWAY if named else ADDRESS
    assert finding.likely_causes[0] == say(RULE.likely_causes[first], finding.values)


def test_found_where_nothing_is_sent_at_all() -> None:
    plant, pc, _ = begun()
    plant.link_up(pc)
    plant.wait(5)
    plant.datagram(pc, "192.0.2.255", 50000, 50000, b"anybody?")
    diagnosis = diagnosed(ended(plant), TOLD)
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is Certainty.FITS
    assert diagnosis.status == FAULT


def test_found_where_the_pc_calls_until_the_recording_ends() -> None:
    plant, pc, unit = begun()
    router = by_router(plant, pc, unit)
    plant.tcp(pc, unit, via=router).syn(repeats=(3,) * 12)
    plant.chatter()
    diagnosis = diagnosed(plant)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert [str(one) for one in finding.values["via"]] == ["192.0.2.1"]
    assert finding.likely_causes[0] == say(RULE.likely_causes[ROUTER], finding.values)
    assert "the router 192.0.2.1 " in finding.what_to_do[0].text


def test_found_on_a_direct_cable_without_a_sound() -> None:
    plant, pc, unit = begun()
    plant.wait(5)
    plant.ask(pc, unit)
    plant.announce(pc, after=8.0)
    assert lead(diagnosed(plant, TOLD)) == SLUG


@pytest.mark.parametrize(
    ("own", "bits", "unit"),
    [
        ("192.0.2.15", 24, "198.51.100.60"),
        ("192.0.2.15", 25, "192.0.2.200"),
        ("10.20.1.15", 16, "10.21.1.60"),
    ],
)
def test_found_by_the_mask_in_the_interface_record(own: str, bits: int, unit: str) -> None:
    plant, pc, far = begun(unit, own)
    by_router(plant, pc, far)
    finding = found(told_mask(plant, pc, bits), SLUG)
    assert finding.values["known"] is True
    assert "presumed" not in finding.what_happened


@pytest.mark.parametrize(
    ("mask", "unit"), [("255.255.255.128", "192.0.2.200"), ("255.255.255.0", "198.51.100.60")]
)
def test_found_by_the_mask_of_the_address_server(mask: str, unit: str) -> None:
    plant, pc, far = begun(unit)
    plant.lease(pc, plant.station("192.0.2.2"), subnet_mask=mask)
    by_router(plant, pc, far)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["known"] is True


def test_found_where_the_controllers_mask_leaves_the_pc_out() -> None:
    plant, pc, unit = begun("192.0.2.200")
    plant.lease(unit, plant.station("192.0.2.2"), subnet_mask="255.255.255.128")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    diagnosis = told_mask(plant, pc, 24)
    assert lead(diagnosis) == SLUG
    values = found(diagnosis, SLUG).values
    assert (values["network"], values["outside"]) == ("192.0.2.0/24", False)
    assert (values["other_network"], values["other_known"]) == ("192.0.2.128/25", True)


@pytest.mark.parametrize("bits", [24, None])
def test_shown_where_the_controller_is_heard_on_this_cable(bits: int | None) -> None:
    plant, pc, unit = begun()
    by_router(plant, pc, unit)
    plant.ask(unit, "198.51.100.20", times=2, after=1.0)
    diagnosis = told_mask(plant, pc, bits) if bits else diagnosed(ended(plant))
    assert found(diagnosis, SLUG).certainty is Certainty.SHOWN


def test_shown_where_nothing_is_sent_to_a_controller_on_this_cable() -> None:
    plant, pc, unit = begun()
    plant.announce(pc)
    plant.announce(unit)
    finding = found(told_mask(plant, pc, 24, *TOLD), SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert RULE.also_fits[OTHER_ADAPTER] in finding.also_fits


def test_it_only_fits_where_the_router_also_answers_for_the_controller() -> None:
    plant, pc, unit = begun()
    router = by_router(plant, pc, unit)
    plant.arp(router, 2, unit.address, "192.0.2.20")
    assert found(told_mask(plant, pc, 24), SLUG).certainty is Certainty.FITS


def test_it_only_fits_where_the_pc_asks_directly_and_its_mask_is_presumed() -> None:
    plant, pc, unit = begun("10.20.7.60", "10.20.1.15")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    diagnosis = diagnosed(ended(plant))
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


def test_it_only_fits_where_a_router_answers_for_the_controller() -> None:
    plant, pc, unit = begun()
    router = plant.station("192.0.2.1")
    plant.wait(5)
    for wanted in ("198.51.100.20", "198.51.100.21", unit.address):
        plant.ask(pc, wanted, times=1, after=0.3)
        plant.reply(router, pc, for_ip=wanted)
    plant.tcp(pc, unit, via=router).syn(repeats=SLOW_DOWN)
    assert found(told_mask(plant, pc, 24), SLUG).certainty is Certainty.FITS


def test_found_where_a_router_only_names_a_better_way() -> None:
    plant, pc, unit = begun()
    router = plant.station("192.0.2.1")
    plant.wait(5)
    plant.resolve(pc, router)
    call = plant.tcp(pc, unit, via=router)
    plant.redirect(router, pc, call.syn(), gateway=unit)
    for pause in SLOW_DOWN:
        call.again(after=pause)
    assert lead(diagnosed(ended(plant))) == SLUG


def test_lost_frames_leave_it_open() -> None:
    plant, pc, unit = begun()
    by_router(plant, pc, unit)
    plant.ask(unit, "198.51.100.20", times=2, after=1.0)
    assert found(told_mask(plant, pc, 24, drops=3), SLUG).certainty is Certainty.FITS


def test_one_of_two_controllers_is_elsewhere() -> None:
    plant, pc, unit = begun()
    near = plant.station("192.0.2.60", hw="00:00:5e:00:53:61")
    by_router(plant, pc, unit)
    plant.resolve(pc, near)
    plant.tcp(pc, near).open().poll(3)
    diagnosis = diagnosed(ended(plant), (*TOLD, "192.0.2.60:502"))
    assert [one.verdict for one in diagnosis.outcomes] == [Verdict.STOPPED, Verdict.COMPLETE]
    assert lead(diagnosis) == SLUG


@told_or_not
def test_found_where_the_controller_answers_the_question_and_nothing_else(
    controllers: tuple[str, ...],
) -> None:
    """The PC's packets arrive: the proof has the answer, and each frame once."""
    plant, pc, unit = begun()
    plant.wait(5)
    asked, answer = plant.ask(pc, unit, times=1)[0], plant.reply(unit, pc)
    called = plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    finding = found(diagnosed(ended(plant), controllers), SLUG)
    assert str(finding.values["neighbour"]) == unit.hw.upper().replace(":", "-")
    frames = [one.moment.frame for one in finding.evidence]
    assert frames[:3] == [plant.number(one) for one in (asked, answer, called)]
    assert len(frames) == len(set(frames))
    assert left_out(finding, RULE)[1] == [OTHER_ADAPTER, NOT_TRIED]


@told_or_not
def test_quiet_where_the_router_delivers(controllers: tuple[str, ...]) -> None:
    plant, pc, unit = begun()
    router = plant.station("192.0.2.1")
    plant.wait(5)
    plant.resolve(pc, router)
    plant.tcp(pc, unit, via=router).open().poll(4)
    diagnosis = diagnosed(ended(plant), controllers)
    assert (slugs(diagnosis), diagnosis.status) == ([], NO_FAULT)


def test_quiet_where_a_cached_router_delivers() -> None:
    plant, pc, unit = begun()
    plant.wait(5)
    plant.tcp(pc, unit, via=plant.station("192.0.2.1")).open().poll(4)
    assert slugs(told_mask(plant, pc, 24, *TOLD)) == []


def test_quiet_where_only_a_ping_comes_back() -> None:
    plant, pc, unit = begun()
    router = by_router(plant, pc, unit)
    plant.ping(pc, unit, via=router)
    plant.pong(unit, pc, via=router)
    assert lead(diagnosed(ended(plant))) == "port-silent"


@pytest.mark.parametrize("bits", [16, None])
def test_quiet_where_a_wide_mask_works(bits: int | None) -> None:
    plant, pc, unit = begun("10.20.7.60", "10.20.1.15")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(4)
    diagnosis = told_mask(plant, pc, bits) if bits else diagnosed(ended(plant))
    assert (slugs(diagnosis), diagnosis.status) == ([], NO_FAULT)


@pytest.mark.parametrize("by_server", [False, True])
def test_quiet_where_a_wide_mask_covers_both(by_server: bool) -> None:
    plant, pc, unit = begun("10.20.7.60", "10.20.1.15")
    if by_server:
        plant.lease(pc, plant.station("10.20.1.2"), subnet_mask="255.255.0.0")
    plant.wait(5)
    plant.ask(pc, unit)
    diagnosis = diagnosed(ended(plant)) if by_server else told_mask(plant, pc, 16)
    assert slugs(diagnosis) == ["unanswered-arp"]


def test_quiet_where_controller_and_pc_differ_in_the_mask_and_it_works() -> None:
    plant, pc, unit = begun("192.0.2.200")
    router = plant.station("192.0.2.1")
    plant.lease(unit, plant.station("192.0.2.2"), subnet_mask="255.255.255.128")
    plant.wait(5)
    plant.resolve(pc, unit)
    session = plant.tcp(pc, unit)
    session.syn()
    session.via = router  # its answers take the way round
    session.syn_ack()
    session.via = None
    session.ack()
    session.poll(2)
    assert slugs(told_mask(plant, pc, 24)) == []


def test_quiet_where_both_are_in_one_network_and_the_port_is_silent() -> None:
    plant, pc, near = begun("192.0.2.60")
    plant.lease(
        plant.station("192.0.2.150"), plant.station("192.0.2.2"), subnet_mask="255.255.255.128"
    )
    plant.wait(5)
    plant.resolve(pc, near)
    plant.tcp(pc, near).syn(repeats=SLOW_DOWN)
    assert slugs(told_mask(plant, pc, 24)) == ["port-silent"]


@pytest.mark.parametrize(("code", "leads"), [(1, "router-cannot-deliver"), (13, "path-refused")])
def test_quiet_where_a_message_says_why(code: int, leads: str) -> None:
    plant, pc, unit = begun()
    router = plant.station("192.0.2.1")
    plant.wait(5)
    plant.resolve(pc, router)
    call = plant.tcp(pc, unit, via=router)
    plant.unreachable(router, pc, call.syn(), code=code, after=3.0)
    assert slugs(diagnosed(ended(plant))) == [leads]


def test_quiet_where_the_pc_gave_itself_an_address() -> None:
    plant, pc, unit = begun(pc="169.254.7.15")
    plant.wait(5)
    plant.ask(pc, unit)
    assert lead(diagnosed(ended(plant), TOLD)) == "self-assigned-address"


def test_quiet_where_both_gave_themselves_an_address() -> None:
    plant, pc, unit = begun("169.254.200.60", "169.254.7.15")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_where_both_gave_themselves_an_address_and_the_port_is_silent() -> None:
    plant, pc, unit = begun("169.254.200.60", "169.254.7.15")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    assert slugs(diagnosed(ended(plant))) == ["port-silent"]


def test_quiet_about_servers_elsewhere_that_do_not_answer() -> None:
    plant, pc, near = begun("192.0.2.60")
    router, server = plant.station("192.0.2.1"), plant.station("203.0.113.9")
    plant.wait(5)
    plant.resolve(pc, router)
    plant.tcp(pc, server, 443, via=router).syn(repeats=SLOW_DOWN)
    plant.resolve(pc, near)
    plant.tcp(pc, near).open().poll(3)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_about_other_stations_elsewhere() -> None:
    plant, pc, near = begun("192.0.2.60")
    panel, far = plant.station("192.0.2.20"), plant.station("198.51.100.60", "00:00:5e:00:53:61")
    plant.wait(5)
    plant.ask(panel, far)
    plant.announce(far)
    plant.resolve(pc, near)
    plant.tcp(pc, near).open().poll(3)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_where_the_pc_uses_its_second_address() -> None:
    plant, pc, unit = begun()
    second = Station("198.51.100.15", pc.hw, ttl=128, is_pc=True)
    plant.announce(pc)
    plant.wait(5)
    plant.ask(second, unit)
    assert slugs(diagnosed(ended(plant), TOLD)) == ["unanswered-arp"]


def test_quiet_where_the_pc_has_a_second_address_and_tries_nothing() -> None:
    plant, pc, _ = begun()
    second = Station("198.51.100.15", pc.hw, ttl=128, is_pc=True)
    plant.announce(pc, times=4)
    plant.announce(second)
    assert lead(diagnosed(ended(plant), TOLD)) is None


def test_quiet_where_broadcasts_tell_the_wide_mask() -> None:
    plant, pc, unit = begun("10.20.7.60", "10.20.1.15")
    plant.wait(5)
    plant.ask(pc, unit)
    plant.datagram(pc, "10.20.255.255", 138, 138, b"here")
    assert lead(diagnosed(ended(plant))) == "unanswered-arp"


@pytest.mark.parametrize(("datagrams", "leads"), [(3, SLUG), (1, None)])
def test_found_where_the_recording_ends_soon_after_the_last_of_several_datagrams(
    datagrams: int, leads: str | None
) -> None:
    plant, pc, unit = begun()
    router = plant.station("192.0.2.1")
    plant.wait(3)
    plant.resolve(pc, router)
    for _ in range(datagrams):
        plant.datagram(pc, unit, 50001, 47808, b"hello", via=router, after=3.0)
    plant.wait(2)
    plant.chatter()
    assert lead(diagnosed(plant)) == leads


@told_or_not
def test_found_where_the_recording_ends_soon_after_the_last_repeat(
    controllers: tuple[str, ...],
) -> None:
    plant, pc, unit = begun()
    by_router(plant, pc, unit)
    plant.wait(2)
    plant.chatter()
    diagnosis = diagnosed(plant, controllers)
    assert (lead(diagnosis), diagnosis.status) == (SLUG, FAULT)
    assert found(diagnosis, SLUG).certainty is Certainty.FITS


@told_or_not
@pytest.mark.parametrize(("seconds", "status"), [(3, CANNOT_TELL), (6, FAULT)])
def test_quiet_where_one_question_is_asked_right_before_the_end(
    seconds: int, status: int, controllers: tuple[str, ...]
) -> None:
    plant, pc, unit = begun()
    plant.wait(5)
    plant.ask(pc, unit, times=1)
    diagnosis = diagnosed(ended(plant, seconds), controllers)
    assert (SLUG in slugs(diagnosis), diagnosis.status) == (status == FAULT, status)


# --- in one network by the presumed mask ----------------------------------------------------------

NEAR = ("192.0.2.60:502",)


def near() -> tuple[Plant, Station, Station, Station]:
    """The plant, the PC, its router, and a controller that the PC's mask may not hold."""
    plant, pc, unit = begun("192.0.2.60")
    router = plant.station("192.0.2.1")
    plant.wait(5)
    return plant, pc, router, unit


def called_by_way_of(router: Station, plant: Plant, pc: Station, unit: Station) -> None:
    plant.resolve(pc, router)
    plant.tcp(pc, unit, via=router).syn(repeats=SLOW_DOWN)


@pytest.mark.parametrize("controllers", [(), NEAR], ids=["not told", "told"])
@pytest.mark.parametrize("code", [None, 1, 13])
def test_shown_where_the_packets_go_to_a_router_and_the_controller_is_here(
    code: int | None, controllers: tuple[str, ...]
) -> None:
    """Whatever the router says."""
    plant, pc, router, unit = near()
    called_by_way_of(router, plant, pc, unit)
    if code is not None:
        again = plant.tcp(pc, unit, via=router).syn()
        plant.unreachable(router, pc, again, code=code)
    heard = plant.datagram(unit, "192.0.2.255", 5000, 5000, b"running")
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.SHOWN
    assert str(finding.values["router"]) == "00-00-5E-00-53-01"
    assert plant.number(heard) in [one.moment.frame for one in finding.evidence]
    assert finding.likely_causes[0] == RULE.likely_causes[MASK]
    assert left_out(finding, RULE)[0] == [SLIP, ROUTER, WRONG_GATEWAY]
    assert finding.also_fits == []


def test_quiet_where_the_router_brings_the_controllers_broadcast() -> None:
    plant, pc, router, unit = near()
    called_by_way_of(router, plant, pc, unit)
    plant.datagram(unit, "192.0.2.255", 5000, 5000, b"running", via=router)
    assert lead(diagnosed(ended(plant), NEAR)) == "port-silent"


def test_quiet_where_the_router_itself_has_the_controllers_address() -> None:
    plant, pc, router, unit = near()
    called_by_way_of(router, plant, pc, unit)
    plant.arp(router, 2, unit.address, "192.0.2.20")
    assert SLUG not in slugs(diagnosed(ended(plant), NEAR))


def test_found_where_only_the_gateway_is_asked_for() -> None:
    plant, pc, router, _ = near()
    asked = plant.ask(pc, router)
    diagnosis = diagnosed(ended(plant), NEAR)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert (str(finding.values["gateway"]), finding.values["questions"]) == ("192.0.2.1", 3)
    assert (finding.values["network"], finding.values["other_network"]) == (None, None)
    assert [one.moment.frame for one in finding.evidence] == [plant.number(one) for one in asked]
    assert finding.also_fits == [RULE.also_fits[NOT_TRIED]]


@pytest.mark.parametrize(
    "what",
    ["asked once", "answered", "no gateway", "far gateway", "farther neighbour", "farther packet"],
)
def test_quiet_where_the_gateway_is_asked_for_in_passing(what: str) -> None:
    """Or where the PC's other frames show that its mask holds the controller."""
    plant, pc, router, _ = near()
    far, other = plant.station("192.0.2.254"), plant.station("192.0.2.70")
    plant.ask(
        pc,
        {"no gateway": "192.0.2.7", "far gateway": far}.get(what, router),
        times=1 if what == "asked once" else 3,
    )
    if what == "answered":
        plant.reply(router, pc)
    if what == "farther neighbour":
        plant.resolve(pc, other)
    if what == "farther packet":
        plant.ping(pc, other)
    assert slugs(diagnosed(ended(plant), NEAR)) == ["no-attempt"]


def test_quiet_about_the_gateway_where_the_mask_is_known() -> None:
    plant, pc, router, _ = near()
    plant.ask(pc, router)
    assert slugs(told_mask(plant, pc, 24, *NEAR)) == ["no-attempt"]


def test_quiet_about_the_gateway_where_the_controller_is_asked_for_too() -> None:
    plant, pc, router, unit = near()
    plant.ask(pc, router)
    plant.ask(pc, unit)
    assert slugs(diagnosed(ended(plant), NEAR)) == ["unanswered-arp"]


def test_found_by_the_controllers_own_broadcasts() -> None:
    plant, pc, unit = begun("192.0.2.200")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    assert lead(diagnosed(ended(plant))) == "port-silent"
    with plant.at(1):
        plant.datagram(unit, "192.0.2.207", 5000, 5000, b"narrow")
    assert found(diagnosed(plant), SLUG).values["other_network"] == "192.0.2.192/28"


# --- with a site sheet --------------------------------------------------------------------------


def asked_directly() -> Plant:
    plant, pc, unit = begun()
    plant.wait(5)
    plant.ask(pc, unit)
    return ended(plant)


def far_sheet(controller: str, adapter: str = 'mask = "255.255.255.0"') -> str:
    return a_sheet(controller, adapter).replace("192.0.2.60", "198.51.100.60")


WIDE = 'mask = "255.255.255.0"'
GATEWAY = 'gateway = "198.51.100.1"'


@pytest.mark.parametrize("more", ["", f'{GATEWAY}\ncable = "direct"'])
def test_found_for_certain_where_the_sheet_knows_both_masks_and_no_router(more: str) -> None:
    diagnosis = diagnosed(asked_directly(), sheet=far_sheet(f"{WIDE}\n{more}"))
    finding = found(diagnosis, SLUG)
    assert (lead(diagnosis), finding.certainty) == (SLUG, Certainty.SHOWN)
    assert finding.values["known"] is True


@pytest.mark.parametrize("controller", [f"{WIDE}\n{GATEWAY}", "", f'{WIDE}\ncable = "switch"'])
def test_it_fits_where_a_router_or_the_mask_is_left_open(controller: str) -> None:
    adapter = WIDE if not controller or GATEWAY in controller else ""
    finding = found(diagnosed(asked_directly(), sheet=far_sheet(controller, adapter)), SLUG)
    assert finding.certainty is Certainty.FITS


def test_it_fits_where_the_pc_hands_its_packets_to_a_router() -> None:
    plant, pc, unit = begun()
    by_router(plant, pc, unit)
    finding = found(diagnosed(ended(plant), sheet=far_sheet(WIDE)), SLUG)
    assert finding.certainty is Certainty.FITS


def test_found_by_the_controllers_mask_in_the_sheet() -> None:
    """The PC's mask covers both, the controller's does not: no answer finds its way back."""
    plant, pc, unit = begun("192.0.2.200")
    plant.wait(5)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).syn(repeats=SLOW_DOWN)
    narrow = a_sheet('mask = "255.255.255.128"').replace("192.0.2.60", "192.0.2.200")
    diagnosis = diagnosed(ended(plant), sheet=narrow)
    assert lead(diagnosis) == SLUG
    assert found(diagnosis, SLUG).values["other_network"] == "192.0.2.128/25"
    assert lead(diagnosed(plant)) == "port-silent"


def test_found_where_the_pcs_mask_is_too_wide_by_the_sheet() -> None:
    """The PC asks for the controller itself, which is behind a router and does not hear that."""
    plant, pc, unit = begun("192.0.2.200")
    plant.wait(5)
    plant.ask(pc, unit)
    narrow = a_sheet('mask = "255.255.255.128"').replace("192.0.2.60", "192.0.2.200")
    assert slugs(diagnosed(ended(plant), sheet=narrow)) == [SLUG]
    assert slugs(diagnosed(plant)) == ["unanswered-arp"]


def test_quiet_where_the_sheet_knows_a_mask_that_covers_both() -> None:
    plant, pc, unit = begun("198.51.100.60", "198.51.101.15")
    plant.wait(5)
    plant.ask(pc, unit)
    assert lead(diagnosed(ended(plant))) == SLUG
    wide = 'mask = "255.255.254.0"'
    sheet = a_sheet(wide, wide).replace("192.0.2.60", unit.address)
    sheet = sheet.replace("192.0.2.15", pc.address)
    assert lead(diagnosed(plant, sheet=sheet)) == "unanswered-arp"


# --- the PC takes another address in mid-work ---------------------------------------------------


def renumbered(new: str, announced: bool = True) -> tuple[Plant, Station, Station]:
    """The PC works with the controller, and then takes another address; announced: no sooner."""
    plant, pc, unit = begun("192.0.2.60")
    moved = plant.pc(new, hw=pc.hw)
    plant.wait(5)
    if not announced:
        plant.announce(moved)
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(4)
    if announced:
        plant.announce(moved, after=1)
    return plant, moved, unit


@pytest.mark.parametrize("controllers", [(), ("192.0.2.60:502",)], ids=["not told", "told"])
def test_found_where_the_pc_takes_an_address_of_another_network_in_mid_work(
    controllers: tuple[str, ...],
) -> None:
    plant, moved, unit = renumbered("198.51.100.15")
    calls = plant.tcp(moved, unit, sport=50_001)
    syn = calls.syn(repeats=SLOW_DOWN)
    diagnosis = diagnosed(ended(plant), controllers)
    assert slugs(diagnosis) == [SLUG]
    finding = found(diagnosis, SLUG)
    assert finding.certainty is Certainty.FITS
    assert str(finding.values["pc"]) == "198.51.100.15"
    assert str(finding.values["before"]) == "192.0.2.15"
    assert finding.values["neighbour"] is None
    taken, called = (one.moment.frame for one in finding.evidence[:2])
    octets = plant.records[taken - 1].data
    assert octets[28:32] == octets[38:42] == bytes((198, 51, 100, 15))
    assert called == plant.number(syn)
    assert SLIP in left_out(finding, RULE)[0]
    (outcome,) = diagnosis.outcomes
    assert outcome.verdict is Verdict.UNSTABLE
    assert outcome.linkup.proofs[Stage.ADDRESS].what == "uses address"


@pytest.mark.parametrize("new", ["192.0.2.115", "198.51.100.15"])
def test_quiet_where_the_pc_is_answered_at_its_new_address(new: str) -> None:
    plant, moved, unit = renumbered(new)
    plant.resolve(moved, unit)
    plant.tcp(moved, unit, sport=50_001).open().poll(3)
    assert slugs(diagnosed(ended(plant))) == []


def test_quiet_where_the_new_address_is_of_the_same_network() -> None:
    plant, moved, unit = renumbered("192.0.2.115")
    plant.tcp(moved, unit, sport=50_001).syn(repeats=SLOW_DOWN)
    assert SLUG not in slugs(diagnosed(ended(plant)))


def test_quiet_where_the_pc_has_had_both_addresses_all_the_time() -> None:
    plant, moved, unit = renumbered("198.51.100.15", announced=False)
    plant.tcp(moved, unit, sport=50_001).syn(repeats=SLOW_DOWN)
    assert SLUG not in slugs(diagnosed(ended(plant)))


# --- on each side of the thresholds ---------------------------------------------------------------


@pytest.mark.parametrize(("times", "leads"), [(2, None), (3, SLUG)])
def test_quiet_where_the_gateway_is_asked_for_twice(times: int, leads: str | None) -> None:
    plant, pc, router, _ = near()
    plant.ask(pc, router, times=times)
    assert lead(diagnosed(ended(plant), NEAR)) == leads


@pytest.mark.parametrize("missing", ["adapter", "controller"])
def test_it_fits_where_the_sheet_knows_one_end_only(missing: str) -> None:
    adapter, controller = far_sheet(WIDE).split("[[controller]]")
    if missing == "controller":
        controller = controller.replace("198.51.100.60", "198.51.100.70")
    sheet = f"{'' if missing == 'adapter' else adapter}[[controller]]{controller}"
    finding = found(diagnosed(asked_directly(), TOLD, sheet=sheet), SLUG)
    assert finding.certainty is Certainty.FITS
