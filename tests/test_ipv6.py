"""Link-ups over IPv6: what packets show (RFC 8200, RFC 4861, RFC 4443), and what comes of it."""

import io
import json
from pathlib import Path
from typing import Any

import pytest
from scapy.layers.inet import TCP, UDP
from scapy.layers.inet6 import (
    ICMPv6DestUnreach,
    ICMPv6EchoReply,
    ICMPv6EchoRequest,
    ICMPv6ND_NA,
    ICMPv6ND_NS,
    ICMPv6NDOptDstLLAddr,
    ICMPv6NDOptSrcLLAddr,
    ICMPv6PacketTooBig,
    ICMPv6TimeExceeded,
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrFragment,
    IPv6ExtHdrHopByHop,
)
from scapy.packet import Packet, Raw
from scapy.pton_ntop import inet_pton
from scapy.utils6 import in6_getnsma, in6_getnsmac

from analyzer.cli.options import read_controller
from analyzer.diagnosis import Diagnosis, Outcome, Verdict
from analyzer.facts import Address, gather
from analyzer.facts.tcp.checksum import checksum_is_right
from analyzer.inputs import open_recording
from analyzer.linkup import Network, Stage, presumed
from analyzer.reports.document.answer import in_full
from analyzer.reports.to_text import to_text
from captures.plant import Plant
from rules.neighbour import unanswered_arp
from tests.support import assert_healthy, begun, diagnosed, ended, found, lead, slugs
from tests.test_cli import run

PC, UNIT, OTHER = "2001:db8::15", "2001:db8::60", "2001:db8::17"
NEAR_PC = "fe80::200:5eff:fe00:5315"
PORT, OWN = 502, 50000
TOLD = f"[{UNIT}]:502"
REQUEST = bytes.fromhex("0001 0000 0006 01 03 006b 0003")
REPLY = bytes.fromhex("0001 0000 0009 01 03 06 022b 0000 0064")
AT_ONCE = 0.001
"""Seconds."""
IPV6 = 0x86DD


class Story:
    """The PC and the controller, over IPv6."""

    def __init__(self) -> None:
        self.plant, self.pc, self.unit = begun()
        self.sent = self.received = 0

    def packet(
        self, message: Packet, *, by_pc: bool = True, after: float = AT_ONCE, **header: Any
    ) -> None:
        """A packet of one of the two for the other."""
        ends = (PC, UNIT) if by_pc else (UNIT, PC)
        by, to = (self.pc, self.unit) if by_pc else (self.unit, self.pc)
        header = {"src": ends[0], "dst": ends[1]} | header
        self.plant.frame(by, to.hw, IPV6, bytes(IPv6(**header) / message), after=after)

    def ask(self, times: int = 1, limit: int = 255, answered: bool = True) -> None:
        """The PC asks for the controller's hardware address."""
        group = in6_getnsma(inet_pton(10, UNIT))
        for _ in range(times):
            asks = ICMPv6ND_NS(tgt=UNIT) / ICMPv6NDOptSrcLLAddr(lladdr=self.pc.hw)
            data = IPv6(src=PC, dst="ff02::1:ff00:60", hlim=limit) / asks
            self.plant.frame(self.pc, in6_getnsmac(group), IPV6, bytes(data), after=1)
        if answered:
            says = ICMPv6ND_NA(tgt=UNIT, S=1) / ICMPv6NDOptDstLLAddr(lladdr=self.unit.hw)
            self.packet(says, by_pc=False, hlim=limit)

    def segment(self, flags: str, data: bytes = b"", by_pc: bool = True, **more: Any) -> None:
        """A TCP segment that carries on where the two are."""
        seq, ack = (self.sent, self.received) if by_pc else (self.received, self.sent)
        ports = {"sport": OWN, "dport": PORT} if by_pc else {"sport": PORT, "dport": OWN}
        self.packet(TCP(**ports, seq=seq, ack=ack, flags=flags) / Raw(data), by_pc=by_pc, **more)
        moved = len(data) + ("S" in flags or "F" in flags)
        self.sent, self.received = self.sent + moved * by_pc, self.received + moved * (not by_pc)

    def open(self) -> None:
        """The three segments that open a session."""
        self.segment("S")
        self.segment("SA", by_pc=False)
        self.segment("A")

    def poll(self, times: int = 3) -> None:
        """Requests, each with its answer."""
        for _ in range(times):
            self.segment("PA", REQUEST, after=0.2)
            self.segment("PA", REPLY, by_pc=False)
            self.segment("A")

    def close(self) -> None:
        """The PC closes, the controller too."""
        self.segment("FA")
        self.segment("FA", by_pc=False)
        self.segment("A")

    def works(self) -> None:
        """All of it."""
        self.ask()
        self.open()
        self.poll()
        self.close()

    def told(self, *controllers: str) -> Diagnosis:
        return diagnosed(ended(self.plant), controllers)

    def judged(self) -> Outcome:
        """What became of the only link-up."""
        (outcome,) = self.told().outcomes
        assert str(outcome.linkup.controller) == UNIT
        return outcome


@pytest.fixture
def story() -> Story:
    return Story()


# --- addresses ------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["2001:db8::60", "::", "::1", "::ffff", "fe80::1", "ff02::1"])
def test_an_address_is_written_as_it_was_read(text: str) -> None:
    address = Address.parse_ipv6(text)
    assert str(address) == f"{address}" == repr(address) == text
    assert address.is_ipv6
    assert not address.is_mask
    assert Address.of_ipv6(address.packed) == address
    assert address.with_port(PORT) == f"[{text}]:502"


def test_a_small_ipv6_address_is_no_ipv4_address() -> None:
    assert Address.parse_ipv6("::192.0.2.60") != Address.parse("192.0.2.60")
    assert not Address.parse("255.255.255.255").is_ipv6
    assert Address.parse("192.0.2.60").with_port(PORT) == "192.0.2.60:502"


def test_networks_keep_the_two_apart() -> None:
    near, far = Address.parse_ipv6("::192.0.2.15"), Address.parse_ipv6(UNIT)
    plain = Address.parse("192.0.2.15")
    assert presumed(far).holds(near)
    assert not presumed(far).holds(plain)
    assert not presumed(plain).holds(near)
    assert not Network(plain, Address(0)).holds(far)
    assert presumed(far).whole == presumed(near).whole
    assert str(presumed(far)) == UNIT


# --- link-ups -------------------------------------------------------------------------------------


def test_all_is_well(story: Story) -> None:
    story.works()
    diagnosis = story.told()
    assert_healthy(diagnosis)
    (linkup,) = diagnosis.case.linkups
    assert (str(linkup.pc_address), str(linkup.controller)) == (PC, UNIT)
    assert (linkup.target.port, linkup.target.how_known) == (PORT, "industrial")
    assert str(linkup.hardware).lower().replace("-", ":") == story.unit.hw
    assert set(linkup.proofs) == set(Stage)
    assert linkup.proofs[Stage.NEIGHBOUR].what == "arp answer"


def test_no_mask_is_told_of_an_ipv6_address(story: Story) -> None:
    story.works()
    text = " ".join(to_text(in_full([story.told()])).split())
    assert "0.0.0.0" not in text
    assert "The length of the PC's IPv6 prefix: it is not looked for" in text
    assert "The controllers are called over IPv6, where rules about IPv4 see nothing: " in text


def test_a_named_controller_is_looked_for(story: Story) -> None:
    story.works()
    plant = story.plant
    (linkup,) = diagnosed(ended(plant), (f"[{OTHER}]:502",)).case.linkups
    assert str(linkup.controller) == OTHER
    assert not linkup.is_tried


def test_refused(story: Story) -> None:
    story.ask()
    for _ in range(3):
        story.segment("S", after=1)
        story.segment("RA", by_pc=False)
    diagnosis = story.told()
    assert lead(diagnosis) == "port-refused"
    assert found(diagnosis, "port-refused").certainty == "shown"


def test_silent(story: Story) -> None:
    story.ask()
    story.segment("S")
    for pause in (1, 2, 4):
        story.sent = 0
        story.segment("S", after=pause)
    assert lead(story.told()) == "port-silent"


def test_reset(story: Story) -> None:
    story.ask()
    story.open()
    story.poll()
    story.segment("PA", REQUEST)
    story.segment("RA", by_pc=False)
    story.sent += 1000
    story.segment("S", after=0.5)
    story.segment("RA", by_pc=False)
    assert "session-reset" in slugs(story.told())


def test_a_request_without_an_answer(story: Story) -> None:
    story.ask()
    story.open()
    story.segment("PA", REQUEST)
    story.segment("A", by_pc=False)
    assert lead(diagnosed(ended(story.plant, 40))) == "request-unanswered"


def test_nobody_answers_for_the_hardware_address(story: Story) -> None:
    story.ask(times=4, answered=False)
    diagnosis = story.told()
    finding = found(diagnosis, "unanswered-arp")
    assert lead(diagnosis) == finding.rule
    causes = unanswered_arp.RULE.likely_causes
    assert causes[unanswered_arp.NO_IPV6] in finding.likely_causes
    assert causes[unanswered_arp.TOO_WIDE] not in finding.likely_causes
    assert not any("ARP" in one or "mask" in one for one in finding.likely_causes)
    assert not any("ARP" in one.text or "mask" in one.text for one in finding.what_to_do)


def test_a_question_that_a_router_passed_on_is_not_believed(story: Story) -> None:
    """RFC 4861 7.1.1."""
    story.ask(times=4, limit=254, answered=False)
    diagnosis = story.told()
    assert diagnosis.facts.neighbours.questions == {}
    assert "unanswered-arp" not in slugs(diagnosis)


def test_a_check_whether_an_address_is_free_is_no_question(story: Story) -> None:
    """RFC 4862 5.4.2: it comes from no address."""
    for _ in range(4):
        story.packet(ICMPv6ND_NS(tgt=UNIT), src="::", dst="ff02::1:ff00:60", hlim=255, after=1)
    diagnosis = story.told()
    assert diagnosis.outcomes == []
    (checked,) = diagnosis.facts.neighbours.probes
    assert str(checked[1]) == UNIT


@pytest.mark.parametrize("answered", [True, False])
def test_pings(story: Story, answered: bool) -> None:
    story.ask()
    for number in range(4):
        story.packet(ICMPv6EchoRequest(id=1, seq=number), after=1)
        if answered:
            story.packet(ICMPv6EchoReply(id=1, seq=number), by_pc=False)
    outcome = story.judged()
    assert (outcome.verdict is Verdict.COMPLETE) == answered
    assert outcome.linkup.pings is not None
    assert outcome.linkup.pings.requests.count == 4
    assert outcome.linkup.pings.replies.count == 4 * answered


def quoting(error: Packet, quoted: Packet) -> Packet:
    return error / Raw(bytes(IPv6(src=PC, dst=UNIT) / quoted))


CALL = TCP(sport=OWN, dport=PORT, flags="S")
DATAGRAM = UDP(sport=OWN, dport=47808) / Raw(b"ask")


@pytest.mark.parametrize(
    ("tried", "error", "rule"),
    [
        (CALL, ICMPv6DestUnreach(code=1), "path-refused"),
        (CALL, ICMPv6DestUnreach(code=5), "path-refused"),
        (CALL, ICMPv6DestUnreach(code=0), "router-cannot-deliver"),
        (CALL, ICMPv6DestUnreach(code=3), "router-cannot-deliver"),
        (CALL, ICMPv6TimeExceeded(code=0), "router-cannot-deliver"),
    ],
)
def test_messages_of_a_router(story: Story, tried: Packet, error: Packet, rule: str) -> None:
    story.packet(tried, after=1)
    story.packet(quoting(error, tried), by_pc=False, src="2001:db8::1")
    assert lead(story.told()) == rule


def test_a_closed_udp_port(story: Story) -> None:
    story.ask()
    for _ in range(3):
        story.packet(DATAGRAM, after=1)
        story.packet(quoting(ICMPv6DestUnreach(code=4), DATAGRAM), by_pc=False)
    assert lead(story.told()) == "udp-port-closed"


def test_datagrams_with_answers(story: Story) -> None:
    story.ask()
    for _ in range(3):
        story.packet(DATAGRAM, after=1)
        story.packet(UDP(sport=47808, dport=OWN) / Raw(b"answer"), by_pc=False)
    outcome = story.judged()
    assert (outcome.linkup.target.port, outcome.linkup.target.transport) == (47808, "udp")
    assert outcome.verdict is Verdict.COMPLETE


def test_a_packet_that_is_too_large_is_told_as_such(story: Story) -> None:
    story.packet(quoting(ICMPv6PacketTooBig(mtu=1280), CALL), by_pc=False, src="2001:db8::1")
    (error,) = story.told().facts.icmp.errors
    assert error.is_too_large
    assert (str(error.about_src), str(error.about_dst)) == (PC, UNIT)
    assert (error.sport, error.dport) == (OWN, PORT)


def test_what_to_do_about_large_packets_goes_by_ipv6(story: Story) -> None:
    """No router cuts up an IPv6 packet, and ping has no option against it."""
    story.ask()
    story.open()
    story.poll(2)
    large = TCP(sport=OWN, dport=PORT, seq=story.sent, ack=story.received, flags="PA")
    said = Raw(bytes(quoting(ICMPv6PacketTooBig(mtu=1280), large / Raw(b"w" * 1440)))[:200])
    for pause in (0.2, 0.3, 0.6, 1.2, 2.4, 4.8):
        story.packet(large / Raw(b"w" * 1440), after=pause)
        story.packet(said, by_pc=False, src="2001:db8::1", nh=58)
    steps = [step.text for step in found(story.told(), "large-frames-lost").what_to_do]
    assert steps[0].startswith("Ping the controller with 1232 octets")
    assert steps[-1].endswith("(ICMPv6 type 2).")


@pytest.mark.parametrize("code", [7, 200])
def test_a_message_that_is_not_known_says_nothing(story: Story, code: int) -> None:
    story.packet(quoting(ICMPv6DestUnreach(code=code), CALL), by_pc=False)
    assert story.told().facts.icmp.errors == []


# --- what is read, and what is not ----------------------------------------------------------------


def test_behind_extension_headers(story: Story) -> None:
    story.packet(IPv6ExtHdrHopByHop() / IPv6ExtHdrDestOpt() / CALL)
    (session,) = story.told().facts.sessions
    assert (str(session.server.address), session.server.port) == (UNIT, PORT)


def test_what_is_in_pieces_is_not_looked_into(story: Story) -> None:
    story.packet(IPv6ExtHdrFragment(nh=6, m=1) / CALL)
    assert story.told().facts.sessions == []


def test_what_goes_to_a_group_is_nobodys_call(story: Story) -> None:
    story.packet(UDP(sport=OWN, dport=47808) / Raw(b"who"), dst="ff02::1")
    diagnosis = story.told()
    assert not any(one.server[0].is_ipv6 for one in diagnosis.facts.exchanges)
    assert all(station.ipv6 == {} for station in diagnosis.facts.stations)


@pytest.mark.parametrize("cut", range(14, 74, 7))
def test_cut_frames_raise_nothing(story: Story, cut: int) -> None:
    story.works()
    diagnosed(ended(story.plant).pcap(snaplen=cut))


def test_what_a_router_passes_on_is_counted_once(story: Story) -> None:
    router = story.plant.station("192.0.2.1")
    for limit, by, to in ((64, story.pc, router), (63, router, story.unit)):
        ping = IPv6(src=PC, dst=UNIT, hlim=limit) / ICMPv6EchoRequest(id=1, seq=1)
        story.plant.frame(by, to.hw, IPV6, bytes(ping), after=0.02)
    (echo,) = story.told().facts.icmp.echoes.values()
    assert echo.requests.count == 1


def test_checksums_are_judged(story: Story) -> None:
    """RFC 8200 8.1: the PC leaves them to its adapter, or fills them in."""
    segment = bytes(IPv6(src=PC, dst=UNIT) / CALL)[40:]
    ends = Address.parse_ipv6(PC), Address.parse_ipv6(UNIT)
    assert checksum_is_right(segment, *ends)
    assert not checksum_is_right(segment[:-4] + b"\1\0\0\0", *ends)
    assert not checksum_is_right(segment, ends[0], Address.parse("192.0.2.60"))


def test_a_session_goes_on_in_the_next_chunk(story: Story, monkeypatch: pytest.MonkeyPatch) -> None:
    story.ask()
    story.open()
    story.poll(20)
    octets = ended(story.plant).pcap()
    whole = diagnosed(octets)
    monkeypatch.setattr("analyzer.inputs.pcap.BLOCK", 512)
    parts = diagnosed(octets)
    assert len(parts.facts.sessions) == len(whole.facts.sessions) == 1
    assert parts.facts.sessions[0].answers == whole.facts.sessions[0].answers == 20


# --- beside IPv4 ----------------------------------------------------------------------------------


def test_both_at_once_are_two_link_ups_of_one_pc(story: Story) -> None:
    plant, pc, unit = story.plant, story.pc, story.unit
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    story.ask()
    for _ in range(3):
        story.segment("S", after=1)
        story.segment("RA", by_pc=False)
    diagnosis = story.told()
    assert diagnosis.case.pc is not None
    assert list(map(str, diagnosis.case.pc.addresses)) == ["192.0.2.15"]
    one, other = diagnosis.outcomes
    assert (str(one.linkup.pc_address), one.verdict) == ("192.0.2.15", Verdict.COMPLETE)
    assert (str(other.linkup.pc_address), other.verdict) == (PC, Verdict.STOPPED)
    assert slugs(diagnosis) == ["port-refused"]


def test_what_a_pc_says_over_ipv6_does_not_change_what_is_said_of_ipv4(story: Story) -> None:
    """Addresses of IPv6 make nobody a router, and no device of another network."""
    plant, pc, unit = story.plant, story.pc, story.unit
    for number in range(4):
        for ends in (("fe80::15", f"fe80::{number}:60"), (f"fe80::{number}:60", "fe80::15")):
            by, to = (pc, unit) if ends[0] == "fe80::15" else (unit, pc)
            data = IPv6(src=ends[0], dst=ends[1]) / UDP(sport=5355, dport=5355) / Raw(b"name")
            plant.frame(by, to.hw, IPV6, bytes(data))
    plant.resolve(pc, unit)
    plant.tcp(pc, unit).open().poll(3)
    diagnosis = story.told()
    assert_healthy(diagnosis)
    assert not any(station.is_router for station in diagnosis.facts.stations)


def test_a_recorder_that_only_listens_hears_two_others() -> None:
    plant = Plant()
    pc, unit = plant.station("192.0.2.15"), plant.station("192.0.2.60")
    plant.wait(5)
    story = Story.__new__(Story)
    story.plant, story.pc, story.unit, story.sent, story.received = plant, pc, unit, 0, 0
    story.works()
    (outcome,) = diagnosed(ended(plant)).outcomes
    assert outcome.verdict is Verdict.COMPLETE
    assert (str(outcome.linkup.pc_address), str(outcome.linkup.controller)) == (PC, UNIT)


def test_bare_packets_without_hardware_addresses(story: Story) -> None:
    story.works()
    octets = ended(story.plant).pcap(link_type=101)
    facts = gather(open_recording(io.BytesIO(octets), "test"))
    assert [str(one.server.address) for one in facts.sessions] == [UNIT]
    assert PC in {str(at) for one in facts.stations for at in one.ipv6}


@pytest.mark.parametrize("rename", [False, True])
def test_a_trimmed_copy_has_the_same_diagnosis(story: Story, rename: bool, tmp_path: Path) -> None:
    story.works()
    whole, copy = tmp_path / "whole.pcap", tmp_path / "copy.pcapng"
    ended(story.plant).write(whole)
    done = run("trim", whole, "--output", copy, *["--rename"] * rename)
    assert done.exit_code == 0, done.output
    (outcome,) = diagnosed(copy.read_bytes()).outcomes
    assert outcome.verdict is Verdict.COMPLETE
    assert (str(outcome.linkup.controller) == UNIT) == (not rename)


# --- the options ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "port"),
    [(UNIT, None), (f"[{UNIT}]", None), (TOLD, PORT), ("fe80::1%7", None)],
)
def test_a_controller_is_told(text: str, port: int | None) -> None:
    address, told = read_controller(text)
    assert str(address) == text.strip("[").partition("]")[0].partition("%")[0]
    assert told == port


@pytest.mark.parametrize(
    ("option", "text", "said"),
    [
        ("--controller", "2001:db8:::60", "is not an IPv6 address"),
        ("--controller", "[2001:db8::60", "is not an IPv6 address"),
        ("--controller", f"[{UNIT}]:0", "'0' is not a port"),
        ("--controller", f"[{UNIT}]502", "is not an IPv6 address"),
        ("--controller", f"[{UNIT}]:", "'' is not a port"),
        ("--controller", "[]:502", "is not an IPv4 address"),
        ("--pc", "2001:db8:::15", "is neither an IP address nor a hardware address"),
    ],
)
def test_what_is_no_ipv6_address_is_refused(
    option: str, text: str, said: str, tmp_path: Path
) -> None:
    story, path = Story(), tmp_path / "one.pcap"
    story.works()
    story.plant.write(path)
    done = run("diagnose", path, option, text)
    assert done.exit_code == 2
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_the_pc_is_told_by_its_ipv6_address(story: Story, tmp_path: Path) -> None:
    story.works()
    story.plant.write(tmp_path / "one.pcap")
    done = run("diagnose", tmp_path / "one.pcap", "--pc", PC, "--format", "json")
    (linkup,) = json.loads(done.stdout)["linkups"]
    assert (linkup["pc"]["address"], linkup["controller"]["address"]) == (PC, UNIT)


def test_plans_are_made_for_ipv4() -> None:
    done = run("plan", "--controller", UNIT, "--pc", "192.0.2.15")
    assert done.exit_code == 2
    assert "only those are planned" in done.stderr


def refused_over_ipv6(then: float | None, port: int = PORT, by_unit: bool = True) -> Diagnosis:
    """then: seconds after which the PC calls a port over IPv4, be it the same device's."""
    story = Story()
    story.ask()
    story.segment("S")
    story.segment("RA", by_pc=False)
    if then is not None:
        server = story.unit if by_unit else story.plant.station("192.0.2.61")
        story.plant.resolve(story.pc, server)
        story.plant.tcp(story.pc, server, port).open(after=then).poll(3)
    return diagnosed(ended(story.plant))


def test_a_call_over_ipv4_right_behind_a_refusal_over_ipv6_replaces_it() -> None:
    assert_healthy(refused_over_ipv6(then=0.1))


@pytest.mark.parametrize(
    ("then", "port", "by_unit"),
    [(None, PORT, True), (5.0, PORT, True), (0.1, 503, True), (0.1, PORT, False)],
    ids=["no call", "much later", "another port", "another device"],
)
def test_what_else_comes_behind_a_refusal_over_ipv6_replaces_nothing(
    then: float | None, port: int, by_unit: bool
) -> None:
    assert lead(refused_over_ipv6(then, port, by_unit)) == "port-refused"
