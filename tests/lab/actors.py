"""Who acts in the lab: controllers that serve, and the program on the PC that calls them.

Three ways to frame requests: Modbus/TCP (Modbus Messaging on TCP/IP Implementation Guide V1.0b,
section 3.1.3), ISO on TCP (RFC 1006 section 6) and lines of text. Every actor is a thread that
ends with its site.
"""

import socket
import struct
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from threading import Event

from tests.lab import crafted
from tests.lab.network import Namespace, Station

TCP_REPAIR = 19  # linux/tcp.h: a socket closed under repair goes without a frame
PACKET, IGNORE_OUTGOING = 263, 23  # SOL_PACKET, PACKET_IGNORE_OUTGOING, packet(7)
TICK = 0.1  # seconds between two looks at whether the site ends
HEADER = 7  # octets: transaction, protocol, length, unit
MOST_AT_ONCE = 65536
GOOD_SLOT = 2  # of the controller that speaks ISO on TCP
SEARCHED = 47808  # a registered port of an open protocol that searches by broadcast


@dataclass(frozen=True)
class Framing:
    """request: the nth one; split: what came -> whole requests and the rest; answer: to one."""

    request: Callable[[int], bytes]
    split: Callable[[bytes], tuple[list[bytes], bytes]]
    answer: Callable[[bytes], bytes]


def _read_registers(number: int) -> bytes:
    return struct.pack(">HHHBBHH", number, 0, 6, 1, 3, 108, 3)


def _by_length(octets: bytes) -> tuple[list[bytes], bytes]:
    whole = []
    while len(octets) >= HEADER and len(octets) >= (end := 6 + int.from_bytes(octets[4:6])):
        whole.append(octets[:end])
        octets = octets[end:]
    return whole, octets


def _registers(request: bytes) -> bytes:
    return request[:4] + struct.pack(">HBBB3H", 9, request[6], request[7], 6, 555, 0, 100)


def _by_line(octets: bytes) -> tuple[list[bytes], bytes]:
    *lines, rest = octets.split(b"\n")
    return [line + b"\n" for line in lines], rest


MODBUS = Framing(_read_registers, _by_length, _registers)
LINES = Framing(lambda number: b"POS%d?\r\n" % number, _by_line, lambda request: b"12.500\r\n")


def _connect_request(number: int) -> bytes:
    """A connect request (RFC 905 section 13.3) for the service of rack 0 and slot `number`."""
    return bytes.fromhex("0300001611e00000000100c0010ac1020100c20201") + bytes([number])


def _by_packet(octets: bytes) -> tuple[list[bytes], bytes]:
    whole = []
    while len(octets) >= 4 and len(octets) >= (end := int.from_bytes(octets[2:4])):
        whole.append(octets[:end])
        octets = octets[end:]
    return whole, octets


def _connect_confirm(request: bytes) -> bytes:
    return request[:5] + b"\xd0\0\1\0\1" + request[10:]


ISO = Framing(_connect_request, _by_packet, _connect_confirm)


def turns_down(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
    """Refuses the inner opening: nobody serves that name (RFC 905 section 13.5.3)."""
    if request[-1] == GOOD_SLOT:
        return answers(session, nth, request, framing)
    session.sendall(bytes.fromhex("0300000b06800001000202"))
    return False


ALERT = bytes([21, 3, 3, 0, 2, 2])
"""A fatal alert of TLS, before its reason (RFC 8446 section 6)."""
MESSAGE_AT_THE_WRONG_TIME, ISSUER_NOT_KNOWN = b"\x0a", b"\x30"


def _by_record(octets: bytes) -> tuple[list[bytes], bytes]:
    whole = []
    while len(octets) >= 5 and len(octets) >= (end := 5 + int.from_bytes(octets[3:5])):
        whole.append(octets[:end])
        octets = octets[end:]
    return whole, octets


def _record(number: int) -> bytes:
    """What opens first, and encrypted data later (RFC 8446 section 5.1)."""
    return bytes.fromhex("16 0301 00a0 01") + bytes(159) if number == 1 else SECRET


SECRET = bytes.fromhex("17 0303 0020") + bytes(32)
CERTIFICATE = bytes.fromhex("16 0303 0491 02") + bytes(1168)
SECURED = Framing(
    _record, _by_record, lambda request: CERTIFICATE if request[0] == 0x16 else SECRET
)


def refusal(request: bytes, code: int) -> bytes:
    """A Modbus exception response (application protocol V1.1b3, section 7)."""
    return request[:4] + struct.pack(">HBBB", 3, request[6], request[7] | 0x80, code)


# --- what a controller does with the nth request of a session; False ends the session -----------

Manner = Callable[[socket.socket, int, bytes, Framing], bool]


def answers(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
    session.sendall(framing.answer(request))
    return True


def mute(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
    return True


def expects_encryption(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
    """Ends the session with an alert."""
    session.sendall(ALERT + MESSAGE_AT_THE_WRONG_TIME)
    return False


def closes_after(last: int) -> Manner:
    """Answers `last` requests, then closes without answering the next."""

    def manner(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
        return nth <= last and answers(session, nth, request, framing)

    return manner


def resets_after(last: int) -> Manner:
    """Answers `last` requests, then resets the session."""

    def manner(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
        if nth > last:
            reset(session)
        return nth <= last and answers(session, nth, request, framing)

    return manner


def resets_for(unit: int) -> Manner:
    """Resets the session at a request for one unit."""

    def manner(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
        if request[6] == unit:
            reset(session)
        return request[6] != unit and answers(session, nth, request, framing)

    return manner


def one_answer(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
    """Closes after every answer, by design."""
    return answers(session, nth, request, framing) and False


def mute_after(last: int) -> Manner:
    def manner(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
        return nth > last or answers(session, nth, request, framing)

    return manner


def passes_over(every: int) -> Manner:
    """Leaves the last of so many requests without an answer."""

    def manner(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
        return nth % every == 0 or answers(session, nth, request, framing)

    return manner


def last_of(several: int) -> Manner:
    """Answers the first of so many requests behind the others, 2 s later."""
    first = b""

    def manner(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
        nonlocal first
        if nth % several == 1:
            first = request
            return True
        answers(session, nth, request, framing)
        if nth % several == 0:
            time.sleep(2)
            answers(session, nth, first, framing)
        return True

    return manner


def refuses(*codes: int) -> Manner:
    """Modbus exceptions: one code a request, the last one for ever; 0 stands for an answer."""

    def manner(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
        code = codes[min(nth, len(codes)) - 1]
        session.sendall(refusal(request, code) if code else framing.answer(request))
        return True

    return manner


UNIT_AT, NO_ANSWER_BEHIND = 6, 0x0B


def serves_unit_one(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
    """Says of all other units that the device behind the gateway does not answer."""
    if request[UNIT_AT] == 1:
        return answers(session, nth, request, framing)
    session.sendall(refusal(request, NO_ANSWER_BEHIND))
    return True


def ask_unit(session: socket.socket, unit: int, number: int) -> None:
    """One request for a unit; its answer is for the recorder."""
    request = bytearray(MODBUS.request(number))
    request[UNIT_AT] = unit
    session.sendall(request)
    session.recv(MOST_AT_ONCE)


def after(seconds: float) -> Manner:
    """Answers late."""

    def manner(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
        time.sleep(seconds)
        return answers(session, nth, request, framing)

    return manner


def first_after(seconds: float, others: float) -> Manner:
    """The first answer comes late, so that all later ones are behind."""

    def manner(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
        time.sleep(seconds if nth == 1 else others)
        return answers(session, nth, request, framing)

    return manner


def in_two_pieces(session: socket.socket, nth: int, request: bytes, framing: Framing) -> bool:
    """Header and body sent singly, and the body held until the header is acknowledged."""
    answer = framing.answer(request)
    session.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 0)
    session.sendall(answer[:HEADER])
    session.sendall(answer[HEADER:])
    return True


# --- controllers ----------------------------------------------------------------------------------


class Server:
    """A service on a port of a station, until stopped.

    most: sessions at a time, None for any number; when_full: what one more meets: `refuse` (nobody
    listens), `ignore` (no answer to its SYN), `close`, `reset`, `mute` (opened, never answered),
    `tell` (a line of text, and closed), `oldest` (let in, and the oldest session is closed); idle:
    seconds without a request until it closes (by_reset: resets) a session; reads: False where it
    never takes what comes in; first_only: of several requests that come together it sees the first.
    """

    def __init__(
        self,
        station: Station,
        port: int = 502,
        manner: Manner = answers,
        framing: Framing = MODBUS,
        *,
        most: int = 100,
        when_full: str = "refuse",
        idle: float | None = None,
        by_reset: bool = False,
        reads: bool = True,
        first_only: bool = False,
    ) -> None:
        self._station, self._port = station, port
        self._manner, self._framing = manner, framing
        self._most, self._when_full = most, when_full
        self._idle, self._by_reset = idle, by_reset
        self._reads, self._first_only = reads, first_only
        self._open: list[socket.socket] = []
        self._ended, self._dropped = Event(), 0
        self._listener = self._listen()
        self._serving = station.start(self._serve)

    def stop(self) -> None:
        """The service ends: its sessions are closed, nobody listens."""
        self._ended.set()
        self._serving.join()
        time.sleep(2 * TICK)
        self._listener.close()

    def drop(self) -> None:
        """Reset every session, between two requests."""
        self._dropped += 1

    def crash(self) -> None:
        """The service is gone, with all it knew, and no frame tells the other end."""
        for one in list(self._open):
            vanish(one)
        self.stop()

    def _listen(self) -> socket.socket:
        made = self._station.socket()
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if not self._reads:
            made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        made.bind(("0.0.0.0", self._port))
        made.listen(0 if self._when_full == "ignore" else 8)
        made.settimeout(TICK)
        return made

    @property
    def _lasts(self) -> bool:
        return not self._ended.is_set() and not self._station.stopping.is_set()

    def _serve(self) -> None:
        while self._lasts:
            if len(self._open) < self._most or self._when_full not in ("refuse", "ignore"):
                self._accept()
            elif self._when_full == "refuse":
                self._listener.close()
                time.sleep(TICK)
                if len(self._open) < self._most:
                    self._listener = self._listen()
            else:
                time.sleep(TICK)

    def _accept(self) -> None:
        try:
            session, _ = self._listener.accept()
        except TimeoutError:
            return
        if len(self._open) >= self._most and self._when_full != "oldest":
            self._turn_away(session)
            return
        if len(self._open) >= self._most:
            self._open[0].shutdown(socket.SHUT_RDWR)
        self._open.append(session)
        if len(self._open) == self._most and self._when_full == "ignore":
            call(self._station, "127.0.0.1", self._port)  # fills the queue of calls to come
        self._station.start(lambda: self._hold(session))

    def _turn_away(self, session: socket.socket) -> None:
        if self._when_full == "tell":
            session.sendall(b"ERR 12 BUSY: SESSION IN USE BY PANEL\r\n")
        if self._when_full in ("close", "tell"):
            session.close()
        elif self._when_full == "reset":
            reset(session)
        else:
            self._station.keep(session)

    def _hold(self, session: socket.socket) -> None:
        with suppress(OSError), session:
            session.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            session.settimeout(TICK)
            self._converse(session)
        self._open.remove(session)

    def _converse(self, session: socket.socket) -> None:
        rest, nth, last, dropped = b"", 0, time.monotonic(), self._dropped
        while self._lasts:
            if self._idle is not None and time.monotonic() - last > self._idle:
                if self._by_reset:
                    reset(session)
                return
            if not self._reads:
                time.sleep(TICK)
                continue
            try:
                came = session.recv(MOST_AT_ONCE)
            except TimeoutError:
                if self._dropped > dropped:
                    reset(session)
                    return
                continue
            if not came:
                return
            requests, rest = self._framing.split(rest + came)
            for request in requests[:1] if self._first_only else requests:
                nth, last = nth + 1, time.monotonic()
                if not self._manner(session, nth, request, self._framing):
                    return


def reset(session: socket.socket) -> None:
    """Close with a reset."""
    session.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    session.close()


# --- the program on the PC ------------------------------------------------------------------------


def call(
    station: Station, address: str, port: int = 502, wait: float = 4.0, source_port: int = 0
) -> socket.socket | None:
    """Open a TCP session; None where that does not succeed within `wait` seconds."""
    session = station.socket()
    session.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    session.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    session.settimeout(wait)
    try:
        if source_port:
            session.bind(("0.0.0.0", source_port))
        session.connect((address, port))
    except OSError:
        session.close()
        return None
    return session


def ask(
    session: socket.socket | None, number: int = 1, wait: float = 4.0, framing: Framing = MODBUS
) -> bytes:
    """Send one request; the answer, empty where none comes."""
    if session is None:
        return b""
    session.settimeout(wait)
    try:
        session.sendall(framing.request(number))
        return session.recv(MOST_AT_ONCE)
    except OSError:
        return b""


def poll(
    session: socket.socket | None,
    times: int = 5,
    every: float = 0.3,
    wait: float = 4.0,
    framing: Framing = MODBUS,
    first: int = 1,
) -> int:
    """Ask again and again, until an answer is missing; how many came."""
    for number in range(times):
        if not ask(session, first + number, wait, framing):
            return number
        time.sleep(every)
    return times


def serve_datagrams(
    station: Station, port: int, answer: bytes, by: socket.socket | None = None, at: str = ""
) -> None:
    """Answer every datagram to a port; by: from another socket than the one asked."""
    server = udp_socket(station, port, at)
    server.settimeout(TICK)

    def serves() -> None:
        while not station.stopping.is_set():
            with suppress(OSError):
                _, sender = server.recvfrom(MOST_AT_ONCE)
                (by or server).sendto(answer, sender)

    station.start(serves)


def udp_socket(station: Station, port: int, at: str = "") -> socket.socket:
    """A socket for datagrams on a port, of one address or of all."""
    made = station.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.bind((at, port))
    return made


def ask_by_datagram(
    station: Station,
    to: tuple[str, int],
    request: bytes,
    times: int,
    wait: float = 0.7,
    bound: bool = False,
) -> None:
    """Ask again and again from one socket; bound: it takes answers of the asked one only."""
    client = station.socket(socket.AF_INET, socket.SOCK_DGRAM)
    client.settimeout(wait)
    if bound:
        client.connect(to)
    for _ in range(times):
        with suppress(OSError):
            client.send(request) if bound else client.sendto(request, to)
            client.recv(MOST_AT_ONCE)
        time.sleep(0.3)


def ping(station: Station, address: str, number: int = 1) -> None:
    """Send an echo request; the answer is for the recorder."""
    with station.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_ICMP) as sender:
        sender.sendto(crafted.echo(number), (address, 0))


def vanish(session: socket.socket) -> None:
    """The program's end of the session is gone, and no frame tells the other end."""
    session.setsockopt(socket.IPPROTO_TCP, TCP_REPAIR, 1)
    session.close()


def announce(station: Station, address: str) -> None:
    """Tell everybody whose an address is now, as soon as the link is up (RFC 5227 section 2.3)."""
    wire = station.raw()
    for wait in (1.2, 0.5):
        time.sleep(wait)
        wire.send(crafted.arp_announcement(station.hw, address))


def lease(client: Station, *offers: tuple[Station, str, str]) -> None:
    """The client asks for an address and takes the first offer (RFC 2131 section 3.1).

    offers: the server, its address, and the address that it offers.
    """
    wire = client.raw()
    wire.send(crafted.dhcp("discover", client.hw))
    for kind, servers in (("offer", offers), ("ack", offers[:1])):
        for server, address, offered in servers:
            time.sleep(0.02)
            told = crafted.dhcp(
                kind, client.hw, server=address, server_hw=server.hw, offered=offered
            )
            server.raw().send(told)
        if kind == "offer":
            _, address, offered = offers[0]
            time.sleep(0.02)
            wire.send(crafted.dhcp("request", client.hw, server=address, offered=offered))


def chat(station: Station, address: str, every: float = 0.7) -> None:
    """Send a short datagram again and again, such as a panel's greeting to everybody."""
    sender = station.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)

    def chatting() -> None:
        while not station.stopping.wait(every):
            with suppress(OSError):
                sender.sendto(b"hello from the hall", (address, 5000))

    station.start(chatting)


def search(station: Station, address: str, times: int) -> None:
    """Ask everybody who is there, from one socket."""
    seeker = station.socket(socket.AF_INET, socket.SOCK_DGRAM)
    seeker.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
    for _ in range(times):
        seeker.sendto(b"who is there?", (address, SEARCHED))
        time.sleep(0.7)


def answer_searches(station: Station) -> None:
    """Answer every search with a datagram of its own."""
    service = station.socket(socket.AF_INET, socket.SOCK_DGRAM)
    service.bind(("0.0.0.0", SEARCHED))
    service.settimeout(TICK)

    def answering() -> None:
        while not station.stopping.is_set():
            with suppress(OSError):
                _, sender = service.recvfrom(MOST_AT_ONCE)
                service.sendto(b"here is press 3", sender)

    station.start(answering)


def send_every(station: Namespace, port: socket.socket, frame: bytes, every: float) -> None:
    """Send the same frame again and again."""

    def sending() -> None:
        while not station.stopping.wait(every):
            with suppress(OSError):
                port.send(frame)

    station.start(sending)


def slow_cable(switch: Namespace, one: socket.socket, other: socket.socket, every: float) -> None:
    """Carry frames between two ports of the switch, one every so many seconds each way."""
    for source, target in ((one, other), (other, one)):
        source.setsockopt(PACKET, IGNORE_OUTGOING, 1)
        source.settimeout(TICK)

        def carrying(source: socket.socket = source, target: socket.socket = target) -> None:
            while not switch.stopping.wait(every):
                with suppress(OSError):
                    target.send(source.recv(MOST_AT_ONCE))

        switch.start(carrying)
