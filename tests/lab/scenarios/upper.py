"""The port, the session and the answer."""

import socket
import time
from contextlib import suppress
from functools import partial

from rules.port import port_refused, session_limit
from tests.lab.actors import (
    ALERT,
    ISO,
    ISSUER_NOT_KNOWN,
    LINES,
    MODBUS,
    SECURED,
    Manner,
    Server,
    after,
    announce,
    answers,
    ask,
    ask_by_datagram,
    call,
    closes_after,
    expects_encryption,
    first_after,
    in_two_pieces,
    mute,
    mute_after,
    ping,
    poll,
    refuses,
    reset,
    resets_after,
    serve_datagrams,
    turns_down,
    udp_socket,
    vanish,
)
from tests.lab.lab import PC, UNIT, Lab, Scenario, cause, scenario

UPPER: list[Scenario] = []
fault = partial(scenario, UPPER)

INPUT_FILTER = (
    "add table inet gate",
    "add chain inet gate pass { type filter hook input priority 0; }",
)


# --- the port opens -------------------------------------------------------------------------------


@fault("port-refused")
def nobody_listens(lab: Lab) -> None:
    lab.plant()
    for _ in range(2):
        call(lab.pc, UNIT)
        time.sleep(1)


@fault("port-silent")
def filter_drops_calls(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit)
    lab.unit.nft(*INPUT_FILTER, "add rule inet gate pass tcp dport 502 drop")
    call(lab.pc, UNIT)
    call(lab.pc, UNIT)


@fault("session-limit", cause(port_refused.RULE, port_refused.ALL_TAKEN))
def only_session_taken_by_another(lab: Lab) -> None:
    """The panel holds the only session; the PC's recording does not show that."""
    lab.stations()
    Server(lab.unit, most=1)
    held = call(lab.panel, UNIT)
    poll(held, times=1)
    lab.record()
    for _ in range(2):
        call(lab.pc, UNIT)
        time.sleep(1)


def _one_too_many(lab: Lab, when_full: str) -> None:
    """The PC's program opens a session anew and does not close the one before."""
    lab.plant()
    Server(lab.unit, most=1, when_full=when_full)
    poll(call(lab.pc, UNIT), times=3)
    for _ in range(2):
        session = call(lab.pc, UNIT, wait=3.5)
        time.sleep(0.3)
        ask(session, wait=3)
        ping(lab.pc, UNIT)
        time.sleep(1)


@fault("session-limit")
def second_session_refused(lab: Lab) -> None:
    _one_too_many(lab, "refuse")


@fault("session-limit")
def second_session_ignored(lab: Lab) -> None:
    _one_too_many(lab, "ignore")


@fault("session-limit")
def second_session_closed_at_once(lab: Lab) -> None:
    _one_too_many(lab, "close")


@fault("session-limit")
def second_session_reset_at_once(lab: Lab) -> None:
    _one_too_many(lab, "reset")


@fault("session-limit")
def second_session_never_answered(lab: Lab) -> None:
    _one_too_many(lab, "mute")


@fault("session-limit", told=f"{UNIT}:10001")
def turned_away_with_a_text(lab: Lab) -> None:
    """The panel holds the only session; the controller says so and closes."""
    lab.stations()
    Server(lab.unit, 10001, framing=LINES, most=1, when_full="tell")
    poll(call(lab.panel, UNIT, 10001), times=1, framing=LINES)
    lab.record()
    for _ in range(3):
        session = call(lab.pc, UNIT, 10001)
        time.sleep(0.2)
        session.close()
        time.sleep(1)


@fault("session-limit", plain=True)
def panel_is_served_and_the_pc_is_not(lab: Lab) -> None:
    """A mirror of the controller's port shows both; the controller takes one session."""
    lab.stations()
    lab.mirror()
    Server(lab.unit, most=1, when_full="mute")
    panel = call(lab.panel, UNIT)
    lab.panel.start(lambda: poll(panel, times=30))
    for _ in range(2):
        time.sleep(0.5)
        session = call(lab.pc, UNIT)
        ask(session, wait=2.5)
        session.close()


def _beside_the_first(lab: Lab, when_full: str) -> None:
    """Two programs on the PC: the first one's session goes on all the time."""
    lab.plant()
    Server(lab.unit, most=1, when_full=when_full)
    first = call(lab.pc, UNIT)
    for start in range(1, 10, 3):
        poll(first, times=3, wait=1, first=start)
        time.sleep(2.5)
        second = call(lab.pc, UNIT, wait=1)
        time.sleep(0.3)
        ask(second, wait=1)
    poll(first, times=3, wait=1, first=10)


@fault("session-limit")
def oldest_session_closed(lab: Lab) -> None:
    _beside_the_first(lab, "oldest")


@fault("session-limit", remark=True)
def refused_beside_a_working_session(lab: Lab) -> None:
    _beside_the_first(lab, "refuse")


@fault("half-open-session", remark=True)
def old_session_under_the_same_port(lab: Lab) -> None:
    """The program was killed; it calls again from the same port. The stacks sort it out."""
    lab.plant()
    Server(lab.unit)
    first = call(lab.pc, UNIT, source_port=50100)
    poll(first, times=3)
    vanish(first)
    time.sleep(1)
    poll(call(lab.pc, UNIT, source_port=50100), times=3)


@fault("half-open-session")
def old_session_and_a_filter_on_the_pc(lab: Lab) -> None:
    """As before, but the PC's own filter swallows the controller's odd answer."""
    lab.plant()
    Server(lab.unit)
    first = call(lab.pc, UNIT, source_port=50100)
    poll(first, times=3)
    vanish(first)
    lab.pc.nft(*INPUT_FILTER, "add rule inet gate pass tcp flags & (syn | ack) == ack drop")
    time.sleep(1)
    call(lab.pc, UNIT, source_port=50100, wait=6)


@fault("half-open-session", cause(session_limit.RULE, session_limit.LEFT_OVER))
def ghost_holds_the_only_session(lab: Lab) -> None:
    """The program was killed; the controller keeps its only session for the one that is gone."""
    lab.plant()
    Server(lab.unit, most=1)
    first = call(lab.pc, UNIT)
    poll(first, times=3)
    vanish(first)
    for _ in range(2):
        time.sleep(1)
        call(lab.pc, UNIT)


@fault("controller-restarted")
def controller_forgot_the_session(lab: Lab) -> None:
    """The controller restarted unnoticed; it resets the PC's next request, and works again."""
    lab.plant()
    server = Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session)
    lab.unit.pull()
    server.crash()
    lab.unit.ip("link set eth0 down")
    lab.unit.plug()
    lab.unit.ip("link set eth0 up")
    announce(lab.unit, UNIT)
    Server(lab.unit)
    ask(session, 6)
    poll(call(lab.pc, UNIT), times=3)


@fault("half-open-session", remark=True)
def controller_repeats_to_a_gone_program(lab: Lab) -> None:
    """The program was killed before the recording; a late answer to it is reset. The next session
    works.
    """
    lab.stations()
    Server(lab.unit, manner=first_after(5.0, 0.0))
    first = call(lab.pc, UNIT)
    first.sendall(MODBUS.request(1) + MODBUS.request(2))
    time.sleep(0.2)
    vanish(first)
    lab.record()
    time.sleep(3)
    second = call(lab.pc, UNIT)
    poll(second, times=3, wait=6)


def _calls_back(lab: Lab) -> None:
    """The controller answers over a session of its own, to the PC's port 50002."""

    def manner(session: socket.socket, nth: int, request: bytes, framing: object) -> bool:
        return call(lab.unit, PC, 50002, wait=3) is not None

    Server(lab.unit, 30001, manner=manner, framing=LINES)


@fault("call-back-refused", told=f"{UNIT}:30001")
def nobody_takes_the_call_back(lab: Lab) -> None:
    lab.plant()
    _calls_back(lab)
    for _ in range(2):
        ask(call(lab.pc, UNIT, 30001), framing=LINES)
        time.sleep(1)


@fault("call-back-refused", told=f"{UNIT}:30001")
def filter_on_the_pc_drops_the_call_back(lab: Lab) -> None:
    lab.plant()
    _calls_back(lab)
    lab.pc.nft(*INPUT_FILTER, "add rule inet gate pass tcp dport 50002 drop")
    for _ in range(2):
        ask(call(lab.pc, UNIT, 30001), framing=LINES)
        time.sleep(1)


@fault("udp-port-closed", told=f"{UNIT}:2222")
def nobody_on_the_udp_port(lab: Lab) -> None:
    lab.plant()
    sender = lab.pc.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.connect((UNIT, 2222))
    for number in range(4):
        with suppress(OSError):
            sender.send(LINES.request(number))
        time.sleep(1)


@fault("udp-port-closed", told=f"{UNIT}:5500")
def filter_drops_the_datagrams_in_return(lab: Lab) -> None:
    lab.plant()
    serve_datagrams(lab.unit, 5500, b"running")
    lab.unit.nft(
        "add table inet gate",
        "add chain inet gate leave { type filter hook output priority 0; }",
        "add rule inet gate leave udp sport 5500 drop",
    )
    ask_by_datagram(lab.pc, (UNIT, 5500), b"state?", times=5)


@fault("answer-from-elsewhere", told=f"{UNIT}:5500")
def second_address_answers_the_datagrams(lab: Lab) -> None:
    lab.plant()
    lab.unit.ip("addr add 192.0.2.61/24 dev eth0")
    second = udp_socket(lab.unit, 5500, "192.0.2.61")
    serve_datagrams(lab.unit, 5500, b"running", by=second, at=UNIT)
    ask_by_datagram(lab.pc, (UNIT, 5500), b"state?", times=5, bound=True)


@fault("large-frames-lost", told=f"{UNIT}:5500")
def later_fragments_are_dropped(lab: Lab) -> None:
    """Before the kernel joins the pieces, the filter drops all but the first."""
    lab.plant()
    lab.unit.nft(
        "add table inet gate",
        "add chain inet gate early { type filter hook prerouting priority -450; }",
        "add rule inet gate early ip frag-off & 0x1fff != 0 drop",
    )
    serve_datagrams(lab.unit, 5500, b"stored")
    ask_by_datagram(lab.pc, (UNIT, 5500), b"store: 7", times=3)
    ask_by_datagram(lab.pc, (UNIT, 5500), bytes(4000), times=4)
    ping(lab.pc, UNIT)


@fault("udp-port-closed", remark=True, told=f"{UNIT}:10001")
def nobody_on_the_pc_takes_the_alarms(lab: Lab) -> None:
    """The program polls, and has no use for the datagrams that come beside it."""
    lab.plant()
    Server(lab.unit, 10001, framing=LINES)
    alarms = lab.unit.socket(socket.AF_INET, socket.SOCK_DGRAM)
    session = call(lab.pc, UNIT, 10001)
    for number in range(8):
        alarms.sendto(b"alarm", (PC, 5501))
        ask(session, number, framing=LINES)
        time.sleep(0.4)
    session.close()


@fault("reconnect-storm", remark=True)
def program_reconnects_without_pause(lab: Lab) -> None:
    """One session a request, fifteen a second, and all of them work."""
    lab.plant()
    Server(lab.unit)
    for _ in range(90):
        session = call(lab.pc, UNIT)
        ask(session)
        if session is not None:
            session.close()
        time.sleep(1 / 15)


# --- the session stays up -------------------------------------------------------------------------


def _idle(lab: Lab, by_reset: bool) -> None:
    lab.plant()
    Server(lab.unit, idle=3.5, by_reset=by_reset)
    for _ in range(3):
        session = call(lab.pc, UNIT)
        poll(session, times=3)
        time.sleep(3.8)
        ask(session, 4)
        session.close()


@fault("idle-close")
def idle_session_closed(lab: Lab) -> None:
    _idle(lab, by_reset=False)


@fault("idle-close")
def idle_session_reset(lab: Lab) -> None:
    _idle(lab, by_reset=True)


@fault("session-reset")
def session_reset_in_use(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit, manner=resets_after(4))
    for _ in range(2):
        poll(call(lab.pc, UNIT), times=6)
        time.sleep(1)


@fault("session-closed")
def session_closed_in_use(lab: Lab) -> None:
    """Somebody works on the controller: it closes now and then."""
    lab.plant()
    for last in (4, 7):
        server = Server(lab.unit, manner=closes_after(last))
        session = call(lab.pc, UNIT)
        poll(session, times=9)
        session.close()
        server.stop()


@fault("session-closed")
def service_stops_while_the_pc_is_not_heard(lab: Lab) -> None:
    """The PC's request never arrives; then the service ends, and the port is closed."""
    lab.plant()
    server = Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session, times=3)
    lab.unit.nft(*INPUT_FILTER, "add rule inet gate pass tcp dport 502 drop")
    lab.pc.start(lambda: ask(session, 4, wait=8))
    time.sleep(2.5)
    server.stop()
    lab.unit.nft("delete table inet gate")
    for _ in range(2):
        time.sleep(0.7)
        call(lab.pc, UNIT)


@fault("controller-restarted")
def controller_restarts_in_use(lab: Lab) -> None:
    """Gone for 4 s; then it announces itself, refuses for a while, and works."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session, times=4)
    lab.unit.pull()
    ask(session, 5, wait=4)
    reborn = lab.station("reborn", hw="00:00:5e:00:53:60", up=False)
    announce(reborn.up(f"{UNIT}/24"), UNIT)
    ask(session, 6, wait=3)
    call(lab.pc, UNIT)
    time.sleep(1)
    Server(reborn)
    poll(call(lab.pc, UNIT), times=3)


@fault("path-lost")
def controller_cable_pulled_in_use(lab: Lab) -> None:
    """The PC repeats its request, then gives up; others are heard all the time."""
    lab.plant()
    Server(lab.unit)
    session = call(lab.pc, UNIT)
    poll(session)
    lab.unit.pull()
    session.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, 5000)
    ask(session, 6, wait=8)


def _lossy(lab: Lab, percent: int) -> None:
    """Four sessions of one program, for 14 s."""
    lab.plant()
    Server(lab.unit)
    lab.switch.nft(
        "add table bridge path",
        "add chain bridge path forward { type filter hook forward priority 0; }",
        f"add rule bridge path forward ip protocol tcp numgen random mod 100 < {percent} drop",
    )
    until = time.monotonic() + 14

    def polls() -> None:
        while time.monotonic() < until:
            session = call(lab.pc, UNIT, wait=6)
            while time.monotonic() < until and ask(session, wait=6):
                time.sleep(0.1)
            if session is not None:
                session.close()

    for _ in range(4):
        lab.pc.start(polls)
    time.sleep(15)


@fault("lossy-path", by_chance=True)
def one_frame_in_twenty_lost(lab: Lab) -> None:
    _lossy(lab, 5)


@fault("lossy-path", by_chance=True)
def one_frame_in_seven_lost(lab: Lab) -> None:
    _lossy(lab, 15)


@fault("lossy-path", by_chance=True)
def one_frame_in_three_lost(lab: Lab) -> None:
    """Sessions do not open, or die, before long."""
    _lossy(lab, 30)


def _pour(session: socket.socket, seconds: float) -> None:
    """Send as much as the other end takes."""
    session.settimeout(seconds)
    with suppress(OSError):
        session.sendall(bytes(400_000))


@fault("receiver-stalled", told=f"{UNIT}:2000")
def controller_stops_reading(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit, 2000, framing=LINES, reads=False)
    session = call(lab.pc, UNIT, 2000)
    _pour(session, 7)


@fault("receiver-stalled", told=f"{UNIT}:2000")
def pc_stops_reading(lab: Lab) -> None:
    """The controller streams its states, and the program on the PC hangs."""
    lab.plant()

    def streams(session: socket.socket, nth: int, request: bytes, framing: object) -> bool:
        _pour(session, 7)
        return False

    Server(lab.unit, 2000, manner=streams, framing=LINES)
    lab.pc.setting("ipv4.tcp_rmem", 4096)
    session = call(lab.pc, UNIT, 2000)
    ask(session, framing=LINES)
    time.sleep(8)


@fault("pc-gave-up")
def pc_gives_up_too_early(lab: Lab) -> None:
    """Every answer takes 2.5 s, the program waits 1 s."""
    lab.plant()
    Server(lab.unit, manner=after(2.5))
    for _ in range(3):
        session = call(lab.pc, UNIT)
        ask(session, wait=1)
        session.close()
        time.sleep(2)


# --- the controller answers -----------------------------------------------------------------------


@fault("request-unanswered")
def request_never_answered(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit, manner=mute)
    for _ in range(2):
        session = call(lab.pc, UNIT)
        ask(session)
        session.close()


@fault("request-unanswered", told=f"{UNIT}:2000")
def line_never_answered(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit, 2000, manner=mute, framing=LINES)
    session = call(lab.pc, UNIT, 2000)
    ask(session, framing=LINES)
    ask(session, framing=LINES)


def _dropped(lab: Lab, manner: Manner) -> None:
    lab.plant()
    Server(lab.unit, manner=manner)
    for _ in range(3):
        session = call(lab.pc, UNIT)
        ask(session)
        session.close()
        time.sleep(0.7)


@fault("dropped-on-first-request")
def closed_on_the_first_request(lab: Lab) -> None:
    _dropped(lab, closes_after(0))


@fault("dropped-on-first-request")
def reset_on_the_first_request(lab: Lab) -> None:
    _dropped(lab, resets_after(0))


@fault("dropped-on-first-request", told=f"{UNIT}:802")
def plain_request_to_an_encrypted_port(lab: Lab) -> None:
    """The controller ends each session with a fatal alert of TLS."""
    lab.plant()
    Server(lab.unit, 802, manner=expects_encryption)
    for _ in range(2):
        session = call(lab.pc, UNIT, 802)
        ask(session)
        session.close()
        time.sleep(1)


@fault("inner-open-refused", told=f"{UNIT}:4843")
def pc_distrusts_the_certificate(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit, 4843, mute_after(1), framing=SECURED)  # an alert is nothing to answer
    for _ in range(3):
        session = call(lab.pc, UNIT, 4843)
        ask(session, framing=SECURED)
        session.sendall(ALERT + ISSUER_NOT_KNOWN)
        reset(session)
        time.sleep(0.8)


@fault("nobody-speaks", told=f"{UNIT}:10001")
def each_end_waits_for_the_other(lab: Lab) -> None:
    """The program waits for a greeting, the controller for a request."""
    lab.plant()
    Server(lab.unit, 10001, framing=LINES)
    for _ in range(2):
        session = call(lab.pc, UNIT, 10001)
        time.sleep(4)
        session.close()
        time.sleep(0.3)


@fault("request-rejected")
def request_rejected(lab: Lab) -> None:
    """Exception code 2: no such register."""
    lab.plant()
    Server(lab.unit, manner=refuses(2))
    poll(call(lab.pc, UNIT), times=6)


@fault("request-rejected")
def device_behind_the_gateway_missing(lab: Lab) -> None:
    """Exception code 11: the device behind the gateway does not respond."""
    lab.plant()
    Server(lab.unit, manner=refuses(11))
    poll(call(lab.pc, UNIT), times=4, every=0.8)


@fault("inner-open-refused", told=f"{UNIT}:102")
def inner_opening_refused(lab: Lab) -> None:
    """The rack or slot in the program is not the controller's."""
    lab.plant()
    Server(lab.unit, 102, manner=turns_down, framing=ISO)
    for _ in range(2):
        ask(call(lab.pc, UNIT, 102), number=1, framing=ISO)
        time.sleep(1)


@fault("joined-requests")
def two_requests_in_one_segment(lab: Lab) -> None:
    """The controller sees the first of two that come together."""
    lab.plant()
    Server(lab.unit, first_only=True)
    session = call(lab.pc, UNIT)
    poll(session, times=2)
    for number in (3, 5, 7):
        session.sendall(MODBUS.request(number) + MODBUS.request(number + 1))
        with suppress(OSError):
            session.recv(1000)
            session.settimeout(2)
            session.recv(1000)


@fault("joined-requests")
def nothing_answered_after_a_joined_segment(lab: Lab) -> None:
    """Two requests that come together are not understood at all."""

    def confused(session: socket.socket, nth: int, request: bytes, framing: object) -> bool:
        return nth > 2 or answers(session, nth, request, MODBUS)

    lab.plant()
    Server(lab.unit, manner=confused)
    session = call(lab.pc, UNIT)
    poll(session, times=2)
    session.sendall(MODBUS.request(3) + MODBUS.request(4))
    time.sleep(3)
    ask(session, 5, wait=3)


@fault("slow-answers", remark=True)
def answers_wait_for_an_acknowledgement(lab: Lab) -> None:
    """Header and body singly, and the body waits until the PC acknowledges the header."""
    lab.plant()
    Server(lab.unit, manner=in_two_pieces)
    session = call(lab.pc, UNIT)
    for number in range(40):
        session.sendall(MODBUS.request(number))
        came = b""
        while len(came) < 15:
            came += session.recv(100)


@fault("slow-answers", remark=True)
def answers_in_steps_of_200_ms(lab: Lab) -> None:
    lab.plant()
    Server(lab.unit, manner=after(0.2))
    poll(call(lab.pc, UNIT), times=30, every=0)


@fault("late-answer-mixed-up")
def late_answer_taken_for_the_next(lab: Lab) -> None:
    """The first answer is late; the program asks on, and takes each answer for the next request."""
    lab.plant()
    Server(lab.unit, manner=first_after(1.5, 0.4))
    session = call(lab.pc, UNIT)
    for number in range(1, 9):
        ask(session, number, wait=1)
        time.sleep(0.1)


@fault("one-way-stream", told=f"{UNIT}:2000")
def only_the_controller_streams(lab: Lab) -> None:
    """The controller sends its cyclic data, the PC's half never comes; it gives up."""
    lab.plant()
    stream = lab.unit.socket(socket.AF_INET, socket.SOCK_DGRAM)
    stream.bind(("0.0.0.0", 2222))

    def streams(session: socket.socket, nth: int, request: bytes, framing: object) -> bool:
        answers(session, nth, request, LINES)
        for number in range(200):
            stream.sendto(b"%8d 12.500" % number, (PC, 2222))
            time.sleep(0.02)
        return False

    Server(lab.unit, 2000, manner=streams, framing=LINES)
    receiver = lab.pc.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind(("0.0.0.0", 2222))
    session = call(lab.pc, UNIT, 2000)
    ask(session, framing=LINES)
    time.sleep(5)
