"""A small site of real kernel network stacks: each station is a network namespace (Linux).

    with Site() as site:
        pc = site.station("pc", "192.0.2.15/24")
        unit = site.station("unit", "192.0.2.60/24")
        pc.socket().connect(...)

The stations' cables end in ports of a bridge in a namespace of its own, the switch. No frame
leaves these namespaces. Their names are unique to the process; they and all sockets are removed at
the end.
"""

import ctypes
import os
import shutil
import socket
import struct
import subprocess
import sys
from array import array
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from fcntl import ioctl
from itertools import count
from pathlib import Path
from threading import Event, Thread
from typing import Self, TypeVar

NETWORK_NAMESPACE = 0x40000000  # CLONE_NEWNET, setns(2)
SIOCETHTOOL = 0x8946
TX_CHECKSUM_OFF, SEGMENTATION_OFF, GENERIC_SEGMENTATION_OFF = 0x17, 0x1F, 0x24
"""ETHTOOL_STXCSUM, ETHTOOL_STSO, ETHTOOL_SGSO of linux/ethtool.h."""
COMMAND_TIME = 30.0  # seconds
_numbers = count(1)
Socket = socket.socket
Part = TypeVar("Part", bound="Namespace")


def lacking() -> str:
    """Why the lab cannot run here, "" where it can."""
    if not sys.platform.startswith("linux"):
        return "the lab needs Linux"
    if os.geteuid() != 0:
        return "the lab needs root"
    if missing := [tool for tool in ("ip", "nft") if shutil.which(tool) is None]:
        return f"the lab needs {' and '.join(missing)}"
    name = f"wl{os.getpid()}try"
    try:
        run("ip", "netns", "add", name)
    except subprocess.CalledProcessError:
        return "network namespaces cannot be made here"
    try:
        run("ip", "-n", name, "link", "add", "one", "type", "veth", "peer", "name", "two")
        run("ip", "-n", name, "link", "add", "three", "type", "bridge")
        run("ip", "netns", "exec", name, "nft", "add table inet t; add table bridge t")
    except subprocess.CalledProcessError as refused:
        return f"this kernel lacks something: {refused.stderr.strip()}"
    finally:
        run("ip", "netns", "del", name)
    return ""


def run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True, text=True, timeout=COMMAND_TIME)


class Namespace:
    """A network stack of its own. Sockets made in it stay in it, whoever uses them."""

    def __init__(self, role: str) -> None:
        self.name = f"wl{os.getpid()}-{next(_numbers)}-{role}"
        self.stopping = Event()
        self._sockets: list[Socket] = []
        self._threads: list[Thread] = []
        run("ip", "netns", "add", self.name)

    def ip(self, command: str) -> None:
        run("ip", "-n", self.name, *command.split())

    def nft(self, *commands: str) -> None:
        run("ip", "netns", "exec", self.name, "nft", "; ".join(commands))

    def setting(self, name: str, value: int) -> None:
        """Set what sysctl calls net.`name`."""
        with self._inside():
            Path("/proc/sys/net", *name.split(".")).write_text(str(value))

    def socket(self, *kind: int) -> Socket:
        """A socket in this namespace, TCP unless told otherwise; closed with the site."""
        with self._inside():
            made = socket.socket(*kind)
        made.settimeout(10)
        return self.keep(made)

    def keep(self, made: Socket) -> Socket:
        """Keep a socket open until the site ends."""
        self._sockets.append(made)
        return made

    def start(self, act: Callable[[], None]) -> Thread:
        """Let something act beside the rest; it ends when `stopping` is set."""
        self._threads.append(Thread(target=act, daemon=True))
        self._threads[-1].start()
        return self._threads[-1]

    def close(self) -> None:
        self.stopping.set()
        for thread in self._threads:
            thread.join()
        for one in self._sockets:
            one.close()
        with suppress(subprocess.CalledProcessError):
            run("ip", "netns", "del", self.name)

    @contextmanager
    def _inside(self) -> Iterator[None]:
        """This thread, and no other, sees the network of the namespace."""
        with (
            Path("/proc/thread-self/ns/net").open() as home,
            Path("/run/netns", self.name).open() as there,
        ):
            _enter(there.fileno())
            try:
                yield
            finally:
                _enter(home.fileno())


def _enter(namespace: int) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.setns(namespace, NETWORK_NAMESPACE):
        raise OSError(ctypes.get_errno(), "setns")


class Station(Namespace):
    """A device with one network socket: eth0, wired to a port of the switch."""

    def __init__(self, switch: Namespace, role: str, hw: str) -> None:
        super().__init__(role)
        self.hw = hw
        self.port = role
        self._switch = switch

    def wire(self, port: str, hw: str, segment: str, name: str = "eth0") -> None:
        """A cable from an interface of the station to a port of the switch."""
        own = f"00:00:5e:00:53:{int(hw[-2:], 16) ^ 0x80:02x}"
        peer = f"peer name {name} address {hw} netns {self.name}"
        self._switch.ip(f"link add {port} address {own} type veth {peer}")
        self._switch.ip(f"link set {port} master {segment} up")

    def up(self, *addresses: str, name: str = "eth0") -> Self:
        """Bring an interface up, with addresses such as 192.0.2.15/24."""
        for address in addresses:
            self.ip(f"addr add {address} brd + dev {name}")
        self.ip(f"link set {name} up")
        return self

    def wire_checksums(self, name: str = "eth0") -> None:
        """Send finished checksums and frames of wire size, as what arrives from a cable has."""
        for command in (TX_CHECKSUM_OFF, SEGMENTATION_OFF, GENERIC_SEGMENTATION_OFF):
            value = array("I", [command, 0])
            request = struct.pack("16sP", name.encode(), value.buffer_info()[0])
            with self.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
                ioctl(any_socket, SIOCETHTOOL, request)

    def raw(self) -> Socket:
        """A socket that sends and receives whole frames on eth0."""
        made = self.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
        made.bind(("eth0", 0))
        return made

    def pull(self) -> None:
        """The cable is pulled: neither end has a link."""
        self._switch.ip(f"link set {self.port} down")

    def plug(self) -> None:
        self._switch.ip(f"link set {self.port} up")


class Site:
    """The switch with its stations. On leaving, everything is removed."""

    def __init__(self) -> None:
        self._parts: list[Namespace] = []

    def __enter__(self) -> Self:
        try:
            self.switch = self._add(Namespace("switch"))
            for family in ("all", "default"):
                self.switch.setting(f"ipv6.conf.{family}.disable_ipv6", 1)
            self.segment("lan", "00:00:5e:00:53:02")
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *raised: object) -> None:
        for part in self._parts:
            part.stopping.set()
        for part in reversed(self._parts):
            part.close()

    def segment(self, name: str, hw: str) -> None:
        """Another bridge in the switch: a network of its own."""
        self.switch.ip(f"link add {name} address {hw} type bridge stp_state 0 mcast_snooping 0")
        self.switch.ip(f"link set {name} up")

    def station(
        self, role: str, *addresses: str, hw: str = "", segment: str = "lan", up: bool = True
    ) -> Station:
        """A device on a segment. Without hw, the last number of its address makes it."""
        own = hw or hardware(addresses[0])
        made = self._add(Station(self.switch, role, own))
        made.wire(role, own, segment)
        if role != "pc":
            made.wire_checksums()
        return made.up(*addresses) if up else made

    def port_socket(self, port: str) -> Socket:
        """Sends frames out of a port of the switch, in its own name, and hears what comes in."""
        made = self.switch.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(3))
        made.bind((port, 0))
        return made

    def _add(self, part: Part) -> Part:
        self._parts.append(part)
        part.ip("link set lo up")
        return part


def hardware(address: str) -> str:
    """A documentation hardware address (RFC 9542) that shows the address's last number."""
    last = int(address.partition("/")[0].rsplit(".", 1)[1])
    return f"00:00:5e:00:53:{last:02d}" if last < 100 else f"00:00:5e:00:53:{last:02x}"
