"""What a quoted frame has to be: each sentence under "Why we think so" is a pattern with a check.

A sentence is matched whole, without the place before it and without "again". A sentence that no
pattern matches is a contradiction, too: then nobody has read it.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from tests.recount.reader import ACK, FIN, RST, Frame, Recording
from tests.recount.recounts import Counted, heard_of

IPV6, EAPOL, LLDP = 0x86DD, 0x888E, 0x88CC
MONTH = 30 * 86_400


@dataclass(frozen=True)
class Who:
    """Whom a finding or a link-up is about; own and own_hw: all that the PC is known by."""

    own: frozenset[str]
    own_hw: frozenset[str]
    controller: str | None
    values: Mapping[str, Any]
    counted: Counted

    @property
    def recording(self) -> Recording:
        """The frames."""
        return self.counted.recording

    def is_pc(self, frame: Frame) -> bool:
        """Whether the PC sent it."""
        claimed = frame.arp.sender if frame.arp else None
        return frame.src_hw in self.own_hw or frame.src in self.own or claimed in self.own

    def is_by(self, frame: Frame, address: str) -> bool:
        """Whether an address sent it, ARP included."""
        return bool(heard_of([frame], address))

    def later(self, frame: Frame) -> list[Frame]:
        """The frames behind one, without copies."""
        return [one for one in self.recording.frames if one.number > frame.number]

    def session(self, frame: Frame) -> list[Frame]:
        """The segments of the session that a segment is of."""
        all_ones = (one.frames for one in self.counted.sessions)
        return next((frames for frames in all_ones if frame in frames), [])


# --- what a quoted frame has to be ----------------------------------------------------------------

IP = r"(\d+\.\d+\.\d+\.\d+|[0-9a-f]*:[0-9a-f:.]+)"
HW, N = r"((?:[0-9A-F]{2}-){5}[0-9A-F]{2})", r"(\d+)"
Check = Callable[..., bool]


def _ends(frame: Frame) -> bool:
    return frame.tcp is not None and bool(frame.tcp.flags & (FIN | RST))


def _resets(frame: Frame) -> bool:
    return frame.tcp is not None and frame.tcp.has(RST)


def _calls(frame: Frame) -> bool:
    return frame.tcp is not None and frame.tcp.calls


def _data(frame: Frame) -> bool:
    return frame.tcp is not None and frame.tcp.size > 0


def _claimed(frame: Frame) -> str | None:
    return frame.arp.sender if frame.arp else None


def _asks(frame: Frame, wanted: str) -> bool:
    return frame.arp is not None and frame.arp.asks and frame.arp.target == wanted


def _refuses(frame: Frame) -> bool:
    return _resets(frame) or (frame.icmp is not None and frame.icmp.type == 3)


def _for(frame: Frame, address: str) -> bool:
    return frame.dst == address or (frame.arp is not None and frame.arp.target == address)


def _unaccepted(frame: Frame, who: Who) -> bool:
    return not any(one.tcp and one.tcp.accepts for one in who.session(frame))


def _about(frame: Frame, types: tuple[int, ...], dst: str | None = None) -> bool:
    """An ICMP message of one of these types, about a packet for dst."""
    said = frame.icmp
    return said is not None and said.type in types and dst in (None, said.dst)


def _sent_as(frame: Frame, hardware: str) -> str | None:
    """The address that a hardware address sends a frame as."""
    if frame.src_hw != hardware:
        return None
    return frame.arp.sender if frame.arp else frame.src


def _answered(who: Who, frame: Frame, wanted: str) -> bool:
    """Whether anybody replies to an ARP question later."""
    return any(one.arp and one.arp.sender == wanted for one in who.later(frame))


def _jumps(frame: Frame, recording: Recording) -> bool:
    """Whether the clock went back before a frame, or leapt ahead by a month."""
    before = [one.at for one in recording.all if one.number < frame.number]
    return bool(before) and (frame.at < max(before) or frame.at > max(before) + MONTH)


def _datagram(frame: Frame, dst: str, port: str | int) -> bool:
    whole = frame.udp is not None and frame.udp[1] == int(port)
    return frame.dst == dst and frame.protocol == 17 and (whole or frame.fragment > 0)


QUOTED: dict[str, Check] = {
    # ARP
    rf"the PC asks for (?:the hardware address of )?{IP}(?: in vain|, and nobody answers)?": (
        lambda f, who, ip: who.is_pc(f) and _asks(f, ip)
    ),
    rf"{IP} asks for {IP}": lambda f, who, a, b: _asks(f, b) and f.arp.sender == a,
    rf"{IP} asks for a hardware address that it knew before": (
        lambda f, who, ip: f.arp is not None and f.arp.asks and f.arp.sender == ip
    ),
    rf"another station asks for the hardware address of {IP}": (
        lambda f, who, ip: not who.is_pc(f) and _asks(f, ip)
    ),
    rf"a question for {IP} that nobody answers": (
        lambda f, who, ip: _asks(f, ip) and not _answered(who, f, ip)
    ),
    rf"{HW} answers for {IP}": (
        lambda f, who, hw, ip: (
            f.arp is not None and (f.arp.sender_hw, f.arp.sender, f.arp.operation) == (hw, ip, 2)
        )
    ),
    rf"{HW} answers for another address": (
        lambda f, who, hw: (
            f.arp is not None
            and (f.arp.sender_hw, f.arp.operation) == (hw, 2)
            and f.arp.sender != who.controller
        )
    ),
    rf"{HW}(?:, which is on the controller's label,)? says (?:unasked )?that it has {IP}": (
        lambda f, who, hw, ip: f.arp is not None and (f.arp.sender_hw, f.arp.sender) == (hw, ip)
    ),
    rf"{HW}, which is on the controller's label, is heard with the address {IP}": (
        lambda f, who, hw, ip: _sent_as(f, hw) == ip
    ),
    rf"{HW} says that it has another address": (
        lambda f, who, hw: (
            f.arp is not None
            and f.arp.sender_hw == hw
            and f.arp.sender not in (who.controller, "0.0.0.0")
        )
    ),
    rf"another device says that it has {IP}": (
        lambda f, who, ip: (
            f.arp is not None and f.arp.sender == ip and f.arp.sender_hw not in who.own_hw
        )
    ),
    rf"{HW} (?:checks whether|asks for) {IP}(?: is free; .*|, without an address of its own)": (
        lambda f, who, hw, ip: (
            f.arp is not None and f.arp.checks and (f.arp.sender_hw, f.arp.target) == (hw, ip)
        )
    ),
    rf"{HW} checks that nobody has its address": (
        lambda f, who, hw: f.arp is not None and f.arp.checks and f.arp.sender_hw == hw
    ),
    rf"{HW} announces its address": (
        lambda f, who, hw: f.arp is not None and f.arp.announces and f.arp.sender_hw == hw
    ),
    rf"{HW} comes up with the address {IP}": (
        lambda f, who, hw, ip: (
            f.src_hw == hw and (f.arp is None or ip in (f.arp.sender, f.arp.target))
        )
    ),
    rf"the PC checks(?: or announces|, announces or uses) {IP}": (
        lambda f, who, ip: (
            f.src_hw in who.own_hw
            and (ip == f.src or (f.arp is not None and ip in (f.arp.sender, f.arp.target)))
        )
    ),
    # who sends as what
    rf"{HW} (?:sends packets as|sends a packet as|sends as|uses|uses the address) {IP}": (
        lambda f, who, hw, ip: _sent_as(f, hw) == ip
    ),
    rf"{HW} uses the address {IP} for the last time": (
        lambda f, who, hw, ip: (
            _sent_as(f, hw) == ip and not any(_sent_as(one, hw) == ip for one in who.later(f))
        )
    ),
    rf"{HW} uses another address": (
        lambda f, who, hw: _sent_as(f, hw) not in (None, who.controller)
    ),
    rf"{HW} is still there, without that address": (
        lambda f, who, hw: f.src_hw == hw and _sent_as(f, hw) != who.controller
    ),
    rf"{HW} asks a server for an address": lambda f, who, hw: f.dhcp and f.src_hw == hw,
    rf"(?:a frame sent by {IP} itself|{IP} itself is heard on this cable)": (
        lambda f, who, a, b: who.is_by(f, a or b)
    ),
    rf"{IP} is (?:still heard afterwards|heard meanwhile, in another way)": (
        lambda f, who, ip: who.is_by(f, ip)
    ),
    "the controller's address is alive in another way": (
        lambda f, who: who.is_by(f, who.controller)
    ),
    rf"the last packet (?:that comes )?from {IP}(?:: until then there was a way)?": (
        lambda f, who, ip: f.src == ip and not any(one.src == ip for one in who.later(f))
    ),
    # packets
    rf"{IP} sends to {IP}(?: in a session that the PC did not open)?": (
        lambda f, who, a, b: f.between(a, b)
    ),
    rf"a packet of a neighbour of {IP} comes through the router": (
        lambda f, who, ip: not who.is_pc(f) and f.src not in (None, ip)
    ),
    rf"{IP} sends a packet for {IP} to {HW}": (
        lambda f, who, a, b, hw: f.between(a, b) and f.dst_hw == hw
    ),
    rf"the PC sends a packet for {IP} to {HW}, in vain": (
        lambda f, who, ip, hw: who.is_pc(f) and f.dst == ip and f.dst_hw == hw
    ),
    rf"a packet of {IP} comes from another hardware address than the PC sends to": (
        lambda f, who, ip: (
            f.src == ip
            and f.src_hw not in {one.dst_hw for one in who.recording.frames if one.dst == ip}
        )
    ),
    rf"the PC(?:, as {IP},)? tries to reach (?:the controller|{IP})(?: in vain)?": (
        lambda f, who, own, ip: who.is_pc(f) and _for(f, ip or who.controller)
    ),
    r"the PC tries(?: in vain|, and nothing comes back)?": lambda f, who: who.is_pc(f),
    "the PC asks or calls, and nothing comes in": lambda f, who: who.is_pc(f),
    "the PC asks, and the recording ends before an answer could come": (
        lambda f, who: who.is_pc(f)
    ),
    rf"the PC waits for {IP}": lambda f, who, ip: who.is_pc(f) and _for(f, ip),
    "the PC sends IPv6 frames to a neighbour": lambda f, who: f.kind == IPV6,
    # calls and their answers
    rf"the PC calls port {N}": (
        lambda f, who, port: who.is_pc(f) and _calls(f) and f.tcp.dport == int(port)
    ),
    rf"{IP} calls port {N} of the PC": (
        lambda f, who, ip, port: f.src == ip and _calls(f) and f.tcp.dport == int(port)
    ),
    rf"another station calls {IP} and reaches the PC": (
        lambda f, who, ip: not who.is_pc(f) and f.dst == ip and f.dst_hw in who.own_hw
    ),
    "(?:a call that gets no acceptance|the PC's call gets no answer)": (
        lambda f, who: who.is_pc(f) and _calls(f) and _unaccepted(f, who)
    ),
    rf"by now, {IP} has answered": (
        lambda f, who, ip: any(one.number <= f.number for one in heard_of(who.recording.frames, ip))
    ),
    rf"{IP} accepts the call": lambda f, who, ip: f.src == ip and f.tcp and f.tcp.accepts,
    rf"{HW} answers the call": (
        lambda f, who, hw: f.src_hw == hw and (_resets(f) or (f.tcp and f.tcp.accepts))
    ),
    rf"{IP} turns (?:a|the|the PC's) call down(?:: the port is closed)?": (
        lambda f, who, ip: f.src == ip and _refuses(f)
    ),
    "the PC turns (?:the call|that session|the acceptance) down.*": (
        lambda f, who: who.is_pc(f) and _refuses(f)
    ),
    "the PC says that the call cannot be delivered": (
        lambda f, who: who.is_pc(f) and _about(f, (3,))
    ),
    rf"{IP} confirms numbers of an older session": (
        lambda f, who, ip: f.src == ip and f.tcp and f.tcp.flags == ACK and not f.tcp.size
    ),
    rf"(?:the PC|{IP}) says that it knows no such session": (
        lambda f, who, ip: _resets(f) and (f.src == ip if ip else who.is_pc(f))
    ),
    rf"{IP} sends data of a session that the PC does not know": (
        lambda f, who, ip: f.src == ip and _data(f)
    ),
    # sessions
    "the session is (?:open|already under way)": lambda f, who: f.tcp and not _calls(f),
    "the PC opens a session": lambda f, who: who.is_pc(f) and f.tcp,
    "a session of the PC that is open at that time": lambda f, who: f.tcp,
    "a session of another station that is open at that time": lambda f, who: f.tcp,
    "a session with the controller's address works": lambda f, who: f.tcp,
    "the PC('s last request in that session| sends its request| calls in vain)": (
        lambda f, who, _: who.is_pc(f) and (_data(f) or f.udp)
    ),
    "the PC (?:asks for the inner opening|asks on behind it|sends several requests in one segment"
    "|sends the first piece of a request)": lambda f, who: who.is_pc(f) and _data(f),
    "the PC sends it once more, and now it is acknowledged": lambda f, who: (
        who.is_pc(f) and _data(f)
    ),
    "the PC sends a request that gets no answer": lambda f, who: who.is_pc(f) and _data(f),
    "the PC's request gets no answer": lambda f, who: who.is_pc(f) and _data(f),
    "the PC sends in vain": lambda f, who: who.is_pc(f) and f.tcp,
    "the PC sends (?:it once more, as nothing has confirmed it|data"
    "|the same data, without an acknowledgement)": (
        lambda f, who: who.is_pc(f) and f.number in who.counted.repeats
    ),
    "the PC sends the same large piece, without an acknowledgement": (
        lambda f, who: who.is_pc(f) and _data(f)
    ),
    rf"{IP} sends data": lambda f, who, ip: f.src == ip and f.number in who.counted.repeats,
    rf"{IP} (?:answers(?: an older request|, when nobody waits any more)?|refuses it"
    r"|answers with a refusal|turns it down, in another protocol"
    r"|sends a text by itself: read what it says)": (
        lambda f, who, ip: (
            (f.src == ip and (_data(f) or f.udp or f.echo))
            or (f.arp is not None and f.arp.sender == ip)
            or (f.src == ip and f.tcp and f.tcp.accepts)
        )
    ),
    "the (?:last answer (?:in that|of the) session|answer to a smaller request comes)": (
        lambda f, who: f.src == who.controller and (_data(f) or f.udp)
    ),
    "the PC turns down what .* has answered": lambda f, who: who.is_pc(f) and f.tcp,
    "the controller's network part confirms the request, without an answer": (
        lambda f, who: f.src == who.controller and f.tcp and not f.tcp.size and f.tcp.has(ACK)
    ),
    rf"{IP} (?:ends|closes|drops) (?:the|the older) session(?: that it has accepted"
    r"|, without an answer)?": lambda f, who, ip: f.src == ip and _ends(f),
    rf"{IP} ends the session with a reset": lambda f, who, ip: f.src == ip and _resets(f),
    "the PC (?:stops waiting and ends the session|gives up and ends the session|closes it, and "
    "nobody has sent an octet in it)": lambda f, who: who.is_pc(f) and _ends(f),
    "the session ends": lambda f, who: _ends(f),
    "the session (?:is ended|dies here)": lambda f, who: f.tcp,
    "the last frame of a session that broke": lambda f, who: f.tcp,
    rf"the last that {IP} sends in this session": (
        lambda f, who, ip: (
            f.src == ip
            and not any(one.src == ip and one.number > f.number for one in who.session(f))
        )
    ),
    "the controller's last sign of life in the session": (
        lambda f, who: f.src == who.controller and f.tcp
    ),
    rf"the (?:packet numbers|TCP clock) of {IP} begins? anew": lambda f, who, ip: f.src == ip,
    rf"(?:{IP}|the PC) says that it can take no more data": (
        lambda f, who, ip: f.tcp and not f.tcp.window and (f.src == ip if ip else who.is_pc(f))
    ),
    "confirms data that is not in the file": lambda f, who: f.tcp and f.tcp.has(ACK),
    r"a reset with the PC's address turns the acceptance down": lambda f, who: (
        f.src in who.own and _resets(f)
    ),
    rf"{IP} accepts": lambda f, who, ip: f.src == ip and f.tcp and f.tcp.accepts,
    rf"the PC says that it does not take what {IP} sent": lambda f, who, ip: who.is_pc(f),
    rf"{IP} answers another adapter of the PC": (
        lambda f, who, ip: who.is_by(f, ip) or (f.arp is not None and f.arp.sender == ip)
    ),
    rf"the PC that recorded calls {IP} as another address than the one named": (
        lambda f, who, ip: _for(f, ip)
    ),
    "the PC sends packets of a tunnel .*": lambda f, who: f.src is not None,
    rf"the PC changes its address to {IP}": lambda f, who, ip: ip in (f.src, _claimed(f)),
    "the controller's own hardware address answers too": (
        lambda f, who: _claimed(f) == who.controller
    ),
    "a later piece of the answer comes, and the large one before it does not": (
        lambda f, who: f.src == who.controller
    ),
    rf"{HW} says what became of the PC's packet": lambda f, who, hw: f.src_hw == hw and f.icmp,
    # address servers
    rf"{HW} (?:asks for an address|declines the address that it was given)": (
        lambda f, who, hw: f.dhcp and f.src_hw == hw
    ),
    rf"a server (?:offers {HW} an address|refuses the request of {HW})": (
        lambda f, who, a, b: f.dhcp and f.src_hw not in (a, b)
    ),
    # ICMP
    rf"{IP} says about the PC's packet(?: for {IP})?: (.*)": (
        lambda f, who, by, dst, what: f.src == by and _about(f, (3, 11), dst)
    ),
    rf"{IP} says that the PC's packet is too large for the way": (
        lambda f, who, by: f.src == by and _about(f, (3,)) and f.icmp.code == 4
    ),
    rf"the router {IP} names {IP} as the better way to {IP}": (
        lambda f, who, by, better, dst: (
            f.src == by and _about(f, (5,), dst) and f.icmp.gateway == better
        )
    ),
    # UDP
    rf"(?:a datagram for|the PC asks) UDP port {N} of {IP}": (
        lambda f, who, port, ip: _datagram(f, ip, port)
    ),
    rf"a message says that nobody is on UDP port {N}": (
        lambda f, who, port: _about(f, (3,)) and f.icmp.dport == int(port)
    ),
    rf"{IP} answers from UDP port {N} to the port that asked": (
        lambda f, who, ip, port: f.src == ip and f.udp is not None and f.udp[0] == int(port)
    ),
    "the PC says that nobody takes that answer": lambda f, who: who.is_pc(f) and _about(f, (3,)),
    "the PC asks everybody": lambda f, who: who.is_pc(f) and f.udp,
    "an answer to the PC": lambda f, who: f.dst in who.own and f.udp,
    "the (first|last) datagram of the stream": (
        lambda f, who, _: f.udp and f.between(who.values["sender"], who.values["receiver"])
    ),
    "the PC sends a large datagram in fragments, and no answer follows": (
        lambda f, who: who.is_pc(f) and (f.more or f.fragment > 0)
    ),
    rf"the server {IP} at {HW} offers or gives {IP}": (
        lambda f, who, server, hw, ip: f.dhcp and f.src_hw == hw
    ),
    "one more server offers or gives an address to .*": lambda f, who: f.dhcp,
    "the PC looks for an address server": lambda f, who: f.dhcp and who.is_pc(f),
    # the link and the recording
    "the clock jumps here": lambda f, who: _jumps(f, who.recording),
    "a copy of a packet that is in the file already": lambda f, who: f.copy,
    "the first frame that was not stored whole": lambda f, who: f.stored < f.wire,
    rf"a frame of (?:another station|{IP}) comes in with a VLAN tag": (
        lambda f, who, ip: f.tag is not None and not who.is_pc(f)
    ),
    rf"the switch names VLAN {N} for the PC's port": lambda f, who, vlan: f.kind == LLDP,
    "the switch (?:asks who is there|turns the PC down)": lambda f, who: f.kind == EAPOL,
    "a second hardware address sends through the PC's socket": lambda f, who: True,
    "(?:a spanning-tree frame of the switch|the switch states that .*)": (
        lambda f, who: (f.dst_hw or "").startswith(("01-80-C2", "01-00-0C"))
    ),
    "the PC's link has come up: the first of its checks": lambda f, who: who.is_pc(f),
    "the first of the PC's checks when its link came up": lambda f, who: who.is_pc(f),
    "the first frame with the link up": lambda f, who: True,
    "the first frame of another station: the port is open": lambda f, who: not who.is_pc(f),
    "the last frame (?:before the link went down|of another station)": lambda f, who: True,
    "a question that the PC sent comes back to it: a loop": lambda f, who: who.is_pc(f),
    "(?:the flood is heard for the first time|the fullest second begins"
    "|the last frame of the flood)": lambda f, who: int((f.dst_hw or "01")[:2], 16) & 1 == 1,
}


PLACE = re.compile(r"^frame ([\d,]+), (-?[\d.]+) s: ")
_COMPILED = [(re.compile(pattern), check) for pattern, check in QUOTED.items()]


def misquoted(frame: Frame, sentence: str, who: Who) -> str | None:
    """What is wrong with a sentence about a frame; None where nothing is."""
    plain = PLACE.sub("", sentence).replace(" again", "")
    for pattern, check in _COMPILED:
        found = pattern.fullmatch(plain)
        if found:
            return None if check(frame, who, *found.groups()) else f"is not so: {sentence}"
    return f"nobody reads: {plain}"
