"""Frames from an adapter, through scapy: a raw socket on Linux, the pcap library elsewhere.

Nothing is sent: the listening sockets of scapy refuse to.
"""

import errno
import logging
import os
import socket
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

from analyzer.errors import CannotRecord
from analyzer.inputs.records import Link

MOST_OCTETS = 65535
"""Stored of one frame at most."""
MOST_AT_ONCE = 512
"""Frames handed on together: enough to be quick, few enough to be on the disk soon."""
ROOM = 1 << 26
"""Octets that the system keeps for frames that nobody has taken yet; Linux doubles it. Small frames
come to three seconds of 50,000 each (measured on a small PC)."""
PACKET, STATISTICS = 263, 6  # SOL_PACKET, PACKET_STATISTICS of packet(7)
FORCE_ROOM = 33  # SO_RCVBUFFORCE of socket(7)
RAW_LINKS = {12: Link.RAW, 14: Link.RAW, 65534: Link.RAW}
"""Without hardware addresses: DLT_RAW of the pcap library on two kinds of system, and what Linux
says of a tunnel (ARPHRD_NONE)."""
RIGHTS = {
    "win32": "Open the terminal as administrator, and run it there.",
}
AS_ROOT = "Run it as root, with sudo in front."
NO_RIGHT = ("permission", "not permitted", "denied")
"""What systems say to somebody who may not record."""
DRIVER = {
    "win32": "Ask whoever looks after this PC for a capture driver with the pcap interface.",
}
NO_DRIVER = "Install the packet of your system for the pcap library (libpcap)."


class Frames(NamedTuple):
    """Frames that were taken together, in columns: a busy line brings too many for an object each.

    times: nanoseconds since 1970; octets: from the hardware addresses on.
    """

    times: list[int]
    octets: list[bytes]


class Source:
    """Listens on one adapter until closed. Raises CannotRecord where it may not or cannot."""

    def __init__(self, adapter: str) -> None:
        self.adapter = adapter
        self._number = _number(adapter)
        self._socket = _opened(adapter)
        self._pcap = getattr(self._socket, "pcap_fd", None)
        self._taken = self._came = self._lost = 0
        if self._pcap is not None:
            self._pcap.setnonblock(True)
        else:
            self._socket.ins.setblocking(False)
            with suppress(OSError):
                self._socket.ins.setsockopt(socket.SOL_SOCKET, FORCE_ROOM, ROOM)
            self._begin()

    @property
    def link(self) -> int:
        """The link type of its frames."""
        if self._pcap is not None:
            return RAW_LINKS.get(self._pcap.datalink(), int(self._pcap.datalink()))
        return RAW_LINKS.get(self._socket.ins.getsockname()[3], Link.ETHERNET)

    def frames(self, wait: float) -> Frames:
        """What came, MOST_AT_ONCE at most; waits up to so many seconds where nothing did.

        Raises OSError where nothing can come any more.
        """
        ready = self._socket.select([self._socket], wait)
        receive = self._socket.recv_raw
        seconds: list[float] = []
        octets: list[bytes] = []
        while ready and len(octets) < MOST_AT_ONCE:
            try:
                _, frame, time = receive(MOST_OCTETS)
            except BlockingIOError:
                break
            except OSError as problem:
                if problem.errno != errno.ENETDOWN:  # told once; the adapter may come back
                    raise
                break
            if frame is None:
                break
            octets.append(frame)
            seconds.append(time)
        self._taken += len(octets)
        return Frames([round(time * 1e6) * 1000 for time in seconds], octets)

    def is_there(self) -> bool:
        """Whether the adapter is still there, and the same."""
        return self._number is None or _number(self.adapter) == self._number

    def counts(self) -> tuple[int, int | None]:
        """Frames that reached the adapter's listener, and those of them that were lost; None where
        the system does not say.
        """
        if self._pcap is not None:
            return _pcap_counts(self._pcap, self._taken)
        if not self._count():
            return self._taken, None
        return max(self._came, self._taken + self._lost), self._lost

    def _begin(self) -> None:
        """Forget what came before there was room, when frames were lost between others."""
        with suppress(OSError):
            while self._socket.ins.recv(1):
                pass
        self._count()
        self._came = self._lost = 0

    def _count(self) -> bool:
        """Add what the system has counted since the last look; False where it does not count."""
        try:
            told = self._socket.ins.getsockopt(PACKET, STATISTICS, 8)
        except OSError:
            return False
        self._came += int.from_bytes(told[:4], sys.byteorder)
        self._lost += int.from_bytes(told[4:], sys.byteorder)
        return True

    def close(self) -> None:
        """Stop listening."""
        self._socket.close()


def _number(adapter: str) -> int | None:
    """The system's own number of an adapter; 0 where it only has a name, None where it is gone."""
    import psutil

    with suppress(OSError):
        return socket.if_nametoindex(adapter)
    return 0 if adapter in psutil.net_if_stats() else None


def lacking(adapter: str) -> str:
    """What recording on an adapter lacks, empty where it can begin: listens for a moment."""
    try:
        Source(adapter).close()
    except CannotRecord as problem:
        return str(problem)
    return ""


def _opened(adapter: str) -> Any:
    """The listening socket that scapy has for this system."""
    logging.getLogger("scapy").setLevel(logging.ERROR)  # this program speaks for itself
    try:
        with _leaving_nothing():
            from scapy.arch import conf  # takes long to import

        if sys.platform != "linux":
            conf.use_pcap = True  # it stays False where the pcap library is missing
    except ImportError:
        raise CannotRecord(
            "the package scapy is missing.", "record", "Install it: pip install scapy"
        ) from None
    except OSError:
        raise _no_driver() from None
    if "NotAvailable" in conf.L2listen.__name__ or (sys.platform != "linux" and not conf.use_pcap):
        raise _no_driver()
    conf.bufsize = ROOM
    try:
        return conf.L2listen(iface=adapter)
    except PermissionError:
        raise _no_right(adapter) from None
    except (OSError, ValueError) as problem:
        if any(word in str(problem).lower() for word in NO_RIGHT):
            raise _no_right(adapter) from None
        why = (getattr(problem, "strerror", None) or str(problem)).rstrip(" .!")
        raise CannotRecord(
            f"cannot be recorded on: {why}.", adapter, "List the adapters: whynolink record --list"
        ) from None


@contextmanager
def _leaving_nothing() -> Iterator[None]:
    """While scapy is imported it keeps tables in folders of the user, which are to stay as they
    are: it is given one that goes away.
    """
    with TemporaryDirectory() as folder, ExitStack() as after:
        for name in ("XDG_CACHE_HOME", "XDG_CONFIG_HOME"):
            before = os.environ.get(name)
            os.environ[name] = folder
            after.callback(_set, name, before)
        yield


def _set(name: str, value: str | None) -> None:
    if value is None:
        os.environ.pop(name, None)
    else:
        os.environ[name] = value


def _no_right(adapter: str) -> CannotRecord:
    todo = RIGHTS.get(sys.platform, AS_ROOT)
    return CannotRecord("recording needs more rights than you have here.", adapter, todo)


def _no_driver() -> CannotRecord:
    todo = DRIVER.get(sys.platform, NO_DRIVER)
    return CannotRecord("this PC has no driver to record with.", "record", todo)


def _pcap_counts(handle: Any, taken: int) -> tuple[int, int | None]:
    from ctypes import byref

    from scapy.libs.winpcapy import pcap_stat, pcap_stats

    counted = pcap_stat()
    if pcap_stats(handle.pcap, byref(counted)):
        return taken, None
    lost = int(counted.ps_drop + counted.ps_ifdrop)
    return taken + lost, lost
