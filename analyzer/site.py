"""The site sheet: what people on site know of the PC and its controllers, read from TOML and
written to it.

    [[adapter]]                  # one for each network adapter of the PC
    address = "192.0.2.15"
    mask = "255.255.255.0"

    [[controller]]               # one for each controller
    address = "192.0.2.60"
    port = 502

Only addresses are a must. What a sheet leaves out is not known, and never guessed here.
"""

import re
import string
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

from analyzer.errors import BadSheet, Unusable
from analyzer.facts import Address, Hardware

LARGEST = 64 << 10
"""Octets of a sheet at most; one of a hundred controllers has a third of that."""
MOST_LINES = 1000
LONGEST_LINE = 4000
"""Octets, enough for 250 addresses. tomllib takes half a minute for a key of 32,000 parts."""
MOST_ENTRIES = {"adapter": 32, "controller": 2000}
"""A PC has a few adapters, virtual ones among them, and no network of a plant has as many
controllers (common practice, no source)."""
DEEPEST = 4
"""A text in a list in an entry in a list of entries: nothing in a sheet stands deeper."""
LARGEST_NUMBER = 1 << 63
"""TOML asks for whole numbers of 64 bits with a sign (TOML 1.0, Integer)."""
LONGEST_NAME = 60
MOST_SESSIONS = 10_000
LONGEST_LIMIT = 7 * 86400.0
"""Seconds; no time limit of a session is longer than a week (common practice, no source)."""
SHOWN_OF_A_VALUE = 40
"""Letters of a wrong value that are repeated in the complaint."""


class Adapter(NamedTuple):
    """A network adapter of the PC."""

    address: Address
    name: str = ""
    mask: Address | None = None
    gateway: Address | None = None
    hardware_address: Hardware | None = None


class Controller(NamedTuple):
    """A controller.

    hardware_address: the one on its label; transport: "tcp" or "udp"; sessions: how many it takes
    at a time; idle_limit: seconds after which it ends a session without requests; answer_limit:
    seconds within which it answers; others: who else may talk to it, by address or name; cable:
    "direct" or "switch".
    """

    address: Address
    name: str = ""
    mask: Address | None = None
    gateway: Address | None = None
    hardware_address: Hardware | None = None
    port: int | None = None
    transport: str | None = None
    answers_arp: bool | None = None
    sessions: int | None = None
    idle_limit: float | None = None
    answer_limit: float | None = None
    others: tuple[str, ...] = ()
    cable: str | None = None


@dataclass(frozen=True)
class Site:
    """Everything that a sheet says. What is asked of it for each link-up is looked up."""

    adapters: tuple[Adapter, ...] = ()
    controllers: tuple[Controller, ...] = ()

    def controller(self, address: Address, port: int | None = None) -> Controller | None:
        """What the sheet says of the controller at an address, and best of all of this port."""
        return self._exactly.get((address, port)) or self._at.get(address)

    def adapter(self, address: Address | None) -> Adapter | None:
        """The PC's adapter with an address."""
        return None if address is None else self._own.get(address)

    def owner(self, hardware: Hardware | None) -> Adapter | Controller | None:
        """Whose hardware address it is."""
        return None if hardware is None else self._owners.get(hardware)

    @cached_property
    def _exactly(self) -> dict[tuple[Address, int | None], Controller]:
        return {(one.address, one.port): one for one in reversed(self.controllers)}

    @cached_property
    def _at(self) -> dict[Address, Controller]:
        return {one.address: one for one in reversed(self.controllers)}

    @cached_property
    def _own(self) -> dict[Address, Adapter]:
        return {one.address: one for one in reversed(self.adapters)}

    @cached_property
    def _owners(self) -> dict[Hardware | None, Adapter | Controller]:
        everyone: tuple[Adapter | Controller, ...] = (*self.adapters, *self.controllers)
        return {one.hardware_address: one for one in reversed(everyone)}


class Field(NamedTuple):
    """One field of a table.

    read: raises ValueError where the value is not what is expected; expected: said then, with the
    example in TOML; meaning: what to look for on site.
    """

    read: Callable[[Any], object]
    expected: str
    example: str
    meaning: str


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.isprintable() or len(value) > LONGEST_NAME:
        raise ValueError(value)
    if not value.strip():
        raise ValueError(value)
    return value.strip()


def _address(value: Any) -> Address:
    if not isinstance(value, str):
        raise ValueError(value)
    return Address.parse(value.strip())


def _mask(value: Any) -> Address:
    mask = _address(value)
    if not mask.is_mask:
        raise ValueError(value)
    return mask


def _hardware(value: Any) -> Hardware:
    if not isinstance(value, str):
        raise ValueError(value)
    digits = re.sub("[-:. ]", "", value)
    if len(digits) != 12 or not set(digits) <= set(string.hexdigits):
        raise ValueError(value)
    hardware = Hardware(int(digits, 16))
    if hardware.is_group or not hardware:
        raise ValueError(value)
    return hardware


def _whole(value: Any, most: int) -> int:
    if type(value) is not int or not 0 < value <= most:
        raise ValueError(value)
    return value


def _limit(value: Any) -> float:
    if type(value) not in (int, float) or not 0 < value <= LONGEST_LIMIT:
        raise ValueError(value)
    return float(value)


def _yes_or_no(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError(value)
    return value


def _one_of(*choices: str) -> Callable[[Any], str]:
    def read(value: Any) -> str:
        if value not in choices or not isinstance(value, str):
            raise ValueError(value)
        return value

    return read


def _names(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise ValueError(value)
    return tuple(_text(one) for one in value)


A_NAME = f"a text of one line, {LONGEST_NAME} letters at most"
AN_ADDRESS = "an IPv4 address, four numbers with dots"
A_MASK = "a subnet mask: ones, then zeros"
A_HARDWARE_ADDRESS = "six pairs of hexadecimal digits that are one station's"
SECONDS = "a number of seconds"

TABLES: dict[str, dict[str, Field]] = {
    "adapter": {
        "name": Field(_text, A_NAME, '"cable adapter"', "what you call it"),
        "address": Field(_address, AN_ADDRESS, '"192.0.2.15"', "the PC's address on it"),
        "mask": Field(_mask, A_MASK, '"255.255.255.0"', "as set on the PC"),
        "gateway": Field(_address, AN_ADDRESS, '"192.0.2.1"', "the router, where there is one"),
        "hardware_address": Field(
            _hardware, A_HARDWARE_ADDRESS, '"00-00-5E-00-53-15"', "the adapter's own"
        ),
    },
    "controller": {
        "name": Field(_text, A_NAME, '"press 3"', "what you call it"),
        "address": Field(_address, AN_ADDRESS, '"192.0.2.60"', "as it shows it itself"),
        "mask": Field(_mask, A_MASK, '"255.255.255.0"', "as set on the controller"),
        "gateway": Field(_address, AN_ADDRESS, '"192.0.2.1"', "the router, where there is one"),
        "hardware_address": Field(
            _hardware, A_HARDWARE_ADDRESS, '"00-00-5E-00-53-60"', "the one on the label"
        ),
        "port": Field(
            lambda value: _whole(value, 65535),
            "a number from 1 to 65535",
            "502",
            "the one in the manual",
        ),
        "transport": Field(_one_of("tcp", "udp"), '"tcp" or "udp"', '"tcp"', "tcp or udp"),
        "answers_arp": Field(
            _yes_or_no, "true or false", "true", "does it tell its hardware address when asked?"
        ),
        "sessions": Field(
            lambda value: _whole(value, MOST_SESSIONS),
            f"a number from 1 to {MOST_SESSIONS:,}",
            "4",
            "how many it takes at a time",
        ),
        "idle_limit": Field(
            _limit, SECONDS, "60", "seconds without a request after which it ends a session"
        ),
        "answer_limit": Field(_limit, SECONDS, "2", "seconds within which it answers"),
        "others": Field(
            _names,
            "a list of texts",
            '["192.0.2.30", "panel"]',
            "who else may talk to it",
        ),
        "cable": Field(
            _one_of("direct", "switch"), '"direct" or "switch"', '"switch"', "direct or switch"
        ),
    },
}
KINDS: dict[str, type[Adapter] | type[Controller]] = {
    "adapter": Adapter,
    "controller": Controller,
}


def read(octets: bytes, name: str) -> Site:
    """Read a sheet. Raises BadSheet with a line for everything that is wrong in it."""
    text = _decoded(octets, name)
    return _Reader(name, _tables(text, name), text).site()


def _decoded(octets: bytes, name: str) -> str:
    """The sheet's text with LF line ends (TOML 1.0: a file is UTF-8)."""
    todo = "Write one [[controller]] for each controller, in a text file."
    lines = octets.split(b"\n")
    if len(octets) > LARGEST or len(lines) > MOST_LINES + 1:
        size = f"{LARGEST >> 10} KiB and {MOST_LINES} lines"
        raise BadSheet([Unusable(f"is larger than {size}: no site sheet.", name, todo)])
    if max(map(len, lines)) > LONGEST_LINE:
        why = f"has a line of more than {LONGEST_LINE} letters."
        raise BadSheet([Unusable(why, name, ONE_A_LINE)])
    try:
        return octets.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as problem:
        line = octets[: problem.start].count(b"\n") + 1
        where = f"{name} line {line}"
        raise BadSheet([Unusable("is not UTF-8 text.", where, "Save it as UTF-8.")]) from None


ONE_A_LINE = 'Write one setting a line, such as: address = "192.0.2.60"'


def _tables(text: str, name: str) -> dict[str, Any]:
    """What the text says as TOML, with numbers and nesting as a sheet can have them."""
    import tomllib  # most recordings come without a sheet

    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise BadSheet([_not_toml(str(problem), name, text)]) from None
    except (ValueError, RecursionError):  # more digits or brackets than Python reads
        tables = None
    if tables is None or _is_beyond(tables):
        why = f"has a number of more than 64 bits, or values nested more than {DEEPEST} deep."
        raise BadSheet([Unusable(why, name, ONE_A_LINE)])
    return tables


def _is_beyond(tables: dict[str, Any]) -> bool:
    """Whether numbers or nesting are beyond those of any sheet."""
    level: list[Any] = [tables]
    for _ in range(DEEPEST + 1):
        inner = [one.values() if isinstance(one, dict) else one for one in level]
        level = [value for values in inner for value in values]
        if any(isinstance(one, int) and abs(one) >= LARGEST_NUMBER for one in level):
            return True
        level = [one for one in level if isinstance(one, dict | list)]
    return bool(level)


def _not_toml(why: str, name: str, text: str) -> Unusable:
    place = re.search(r"\(at line (\d+), column \d+\)$", why)
    where = f"{name} line {place[1] if place else text.rstrip().count(chr(10)) + 1}"
    why = re.sub(r" *\(at .*\)$", "", why)
    return Unusable(f"is not TOML ({why}).", where, ONE_A_LINE)


class _Reader:
    """Turns the tables of one sheet into values, and notes what is wrong on the way."""

    def __init__(self, name: str, tables: Mapping[str, Any], text: str) -> None:
        self.name = name
        self.tables = tables
        self.text = text
        self.problems: list[tuple[int, Unusable]] = []
        self.places: dict[tuple[str, int, str], int] | None = None

    def site(self) -> Site:
        for name in self.tables:
            if name not in TABLES:
                todo = f"The tables are: {', '.join(f'[[{one}]]' for one in TABLES)}."
                self._complain(("", 0, name), f"{name} is no part of a site sheet.", todo)
        adapters = tuple(self._read("adapter"))
        controllers = tuple(self._read("controller"))
        if not self.problems:
            self._look_for_repeats(adapters, controllers)
        if not self.tables.get("controller") and not self.problems:
            todo = "Add [[controller]] and below it its address."
            self._complain(("", 0, ""), "names no controller.", todo)
        if self.problems:
            self.problems.sort(key=lambda one: one[0])
            raise BadSheet([problem for _, problem in self.problems])
        return Site(adapters, controllers)

    def _read(self, table: str) -> Iterator[Any]:
        """Each entry of a table that is right in all its fields."""
        entries = self.tables.get(table, [])
        entries = [entries] if isinstance(entries, dict) else entries
        if not isinstance(entries, list) or not all(isinstance(one, dict) for one in entries):
            todo = f"Begin each one with a line [[{table}]]."
            self._complain(("", 0, table), f"{table} is no table.", todo)
            return
        if len(entries) > MOST_ENTRIES[table]:
            what = f"names more than {MOST_ENTRIES[table]:,} {table}s."
            self._complain(("", 0, table), what, "Leave out what this PC has nothing to do with.")
            return
        for index, entry in enumerate(entries):
            values = self._values(table, index, entry)
            if "address" in values:
                yield KINDS[table](**values)

    def _values(self, table: str, index: int, entry: Mapping[str, Any]) -> dict[str, Any]:
        fields, values = TABLES[table], {}
        if "address" not in entry:
            example = f"address = {fields['address'].example}"
            self._complain((table, index, ""), f"this {table} has no address.", f"Add: {example}")
        for key, value in entry.items():
            if key not in fields:
                self._complain((table, index, key), *_unknown(table, key))
                continue
            try:
                values[key] = fields[key].read(value)
            except ValueError:
                expected = f"Expected {fields[key].expected}, such as {fields[key].example}."
                self._complain((table, index, key), f"{key} is {_short(value)}.", expected)
        return values

    def _look_for_repeats(
        self, adapters: Sequence[Adapter], controllers: Sequence[Controller]
    ) -> None:
        """No two entries may stand for one thing: a copied table that was not finished."""
        seen: dict[object, tuple[str, int, str]] = {}
        entries: list[tuple[str, int, Adapter | Controller]] = [
            *(("adapter", index, one) for index, one in enumerate(adapters)),
            *(("controller", index, one) for index, one in enumerate(controllers)),
        ]
        for table, index, one in entries:
            port = one.port if isinstance(one, Controller) else None
            keys: dict[object, str] = {(table, one.address, port): "address"}
            if one.hardware_address is not None:
                keys[one.hardware_address] = "hardware_address"
            for key, field in keys.items():
                place = (table, index, field)
                before = seen.setdefault(key, place)
                if before != place:
                    what = f"{field} stands in line {self._line(before)} already."
                    self._complain(place, what, "Give each entry its own, or delete one.")

    def _complain(self, place: tuple[str, int, str], what: str, todo: str) -> None:
        line = self._line(place)
        self.problems.append((line, Unusable(what, f"{self.name} line {line}", todo)))

    def _line(self, place: tuple[str, int, str]) -> int:
        """The line of a field, or of its table where it stands in one line with others."""
        if self.places is None:
            self.places = places(self.text)
        table, index, key = place
        nearest = (place, (table, index, ""), ("", 0, table), (key, 0, ""))
        return next((self.places[one] for one in nearest if one in self.places), 1)


def places(text: str) -> dict[tuple[str, int, str], int]:
    """The line on which each statement of a readable TOML text begins, by table, its number from 0,
    and key; an empty key stands for the table's own header.

    Statements of TOML end with a line and can be read one by one, whatever lines they take.
    """
    import tomllib

    found: dict[tuple[str, int, str], int] = {}
    headers: Counter[str] = Counter()
    table, lines, begin = ("", 0), "", 1
    for number, line in enumerate(text.split("\n"), 1):
        begin, lines = (begin, lines) if lines else (number, "")
        lines += line + "\n"
        if line.rstrip().endswith(",") and "#" not in line:
            continue  # inside a list, as most lines of a long one: no need to try
        try:
            statement = tomllib.loads(lines)
        except tomllib.TOMLDecodeError:
            continue
        for key, value in statement.items():
            if not lines.lstrip().startswith("["):
                found.setdefault((*table, key), begin)
                continue
            inner = value[0] if isinstance(value, list) else value
            headers[key] += not inner
            table = (key, max(0, headers[key] - 1))
            found.setdefault((*table, next(iter(inner), "")), begin)
        lines = ""
    return found


def _unknown(table: str, key: str) -> tuple[str, str]:
    from difflib import get_close_matches

    near = get_close_matches(key, TABLES[table], 1)
    meant = f'Is "{near[0]}" meant? ' if near else ""
    return f"{table} has no field {_short(key)}.", f"{meant}Fields: {', '.join(TABLES[table])}."


def _short(value: object) -> str:
    text = _as_json(value)
    return text if len(text) <= SHOWN_OF_A_VALUE else text[:SHOWN_OF_A_VALUE] + "..."


TO_FILL_IN = "# A line that begins with # is not known yet: fill it in, and take the # away."


def write(site: Site, about: str) -> str:
    """The sheet as TOML text. What is not known stands there as a comment, to be filled in."""
    lines = [
        f"# {about}",
        "# A line that begins with # is not known yet: fill it in, without the #.",
    ]
    for table, entries in (("adapter", site.adapters), ("controller", site.controllers)):
        for entry in entries:
            lines += ["", f"[[{table}]]"]
            lines += [_line(key, getattr(entry, key), one) for key, one in TABLES[table].items()]
    return "\n".join(lines) + "\n"


def _line(key: str, value: object, field: Field) -> str:
    if value in (None, "", ()):
        return f"# {key} = {field.example}  # {field.meaning}"
    return f"{key} = {_literal(value)}"


def _literal(value: Any) -> str:
    """A value as TOML writes it, which is as JSON does."""
    if isinstance(value, Address | Hardware):
        value = str(value)
    return _as_json(value)


def _as_json(value: object) -> str:
    import json  # with its patterns it takes long to import

    return json.dumps(value, default=str, ensure_ascii=False)
