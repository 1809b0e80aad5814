"""Record on a station's interface as a PC's recorder does, both directions, with kernel times."""

import errno
import socket
import struct
from dataclasses import replace
from threading import Event, Thread

from captures.layouts import Record

TIME_STAMP = 35  # SO_TIMESTAMPNS, socket(7)
PACKET, AUXILIARY = 263, 8  # SOL_PACKET, PACKET_AUXDATA, packet(7)
TAGGED = 0x10  # TP_STATUS_VLAN_VALID, linux/if_packet.h
OUTGOING = 4  # PACKET_OUTGOING, packet(7)
SHORTEST = 60  # octets of a received frame without its check sequence (IEEE 802.3)
MOST_FRAMES = 50_000
BEGIN = 1_741_683_600 * 10**9  # 2025-03-11 09:00:00 UTC: kept recordings begin here


class Recorder:
    """Begins at once. Frames received are padded, as they are on a cable."""

    def __init__(self, listener: socket.socket) -> None:
        """listener: a raw socket (`Station.raw`)."""
        self._listener = listener
        listener.setsockopt(socket.SOL_SOCKET, TIME_STAMP, 1)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
        listener.setsockopt(PACKET, AUXILIARY, 1)
        listener.settimeout(0.2)
        self._records: list[Record] = []
        self._stop = Event()
        self._thread = Thread(target=self._record, daemon=True)
        self._thread.start()

    def stop(self) -> list[Record]:
        self._stop.set()
        self._thread.join()
        self._listener.close()
        return self._records

    def _record(self) -> None:
        while not self._stop.is_set() and len(self._records) < MOST_FRAMES:
            try:
                data, about, _, sender = self._listener.recvmsg(65600, 128)
            except TimeoutError:
                continue
            except OSError as broken:
                if broken.errno == errno.EBADF:  # the scene broke off, and its site is gone
                    return
                if broken.errno != errno.ENETDOWN:  # told once when the link goes down
                    raise
                continue
            told = {kind: value for _, kind, value in about}
            seconds, rest = struct.unpack("qq", told[TIME_STAMP][:16])
            outbound = sender[2] == OUTGOING
            whole = _with_tag(data, told[AUXILIARY])
            padded = whole if outbound else whole.ljust(SHORTEST, b"\0")
            self._records.append(Record(seconds * 10**9 + rest, padded, outbound))


def _with_tag(data: bytes, auxiliary: bytes) -> bytes:
    """The kernel hands over an IEEE 802.1Q tag beside the frame: struct tpacket_auxdata."""
    status, _, _, _, _, tag, protocol = struct.unpack("3I4H", auxiliary[:20])
    return data[:12] + struct.pack("!HH", protocol, tag) + data[12:] if status & TAGGED else data


def from_begin(records: list[Record]) -> list[Record]:
    """The records in the order of their times, the first at BEGIN."""
    ordered = sorted(records, key=lambda one: one.time)
    shift = BEGIN - ordered[0].time if ordered else 0
    return [replace(one, time=one.time + shift) for one in ordered]
