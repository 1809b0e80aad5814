"""The site sheet: what is read, what is complained about and in which line, what is written."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.errors import BadSheet
from analyzer.facts import Address, Hardware
from analyzer.planning import plan
from analyzer.site import LARGEST, TABLES, Adapter, Controller, Site, places, read, write

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")

FULL = """\
# the press line
[[adapter]]
name = "cable adapter"
address = "192.0.2.15"
mask = "255.255.255.0"
gateway = "192.0.2.1"
hardware_address = "00:00:5e:00:53:15"

[[controller]]
name = "press 3"
address = "192.0.2.60"
mask = "255.255.255.0"
gateway = "192.0.2.1"
hardware_address = "00-00-5E-00-53-60"
port = 502
transport = "tcp"
answers_arp = false
sessions = 4
idle_limit = 60
answer_limit = 0.5
others = ["192.0.2.30", "panel"]
cable = "switch"
"""


def complaints(text: str | bytes) -> list[str]:
    """The lines that a sheet is turned down with."""
    octets = text.encode() if isinstance(text, str) else text
    with pytest.raises(BadSheet) as caught:
        read(octets, "site.toml")
    return caught.value.lines


def test_every_field_is_read() -> None:
    site = read(FULL.encode(), "site.toml")
    assert site == Site(
        (
            Adapter(
                address=Address.parse("192.0.2.15"),
                name="cable adapter",
                mask=Address.parse("255.255.255.0"),
                gateway=Address.parse("192.0.2.1"),
                hardware_address=Hardware(0x00005E005315),
            ),
        ),
        (
            Controller(
                address=Address.parse("192.0.2.60"),
                name="press 3",
                mask=Address.parse("255.255.255.0"),
                gateway=Address.parse("192.0.2.1"),
                hardware_address=Hardware(0x00005E005360),
                port=502,
                transport="tcp",
                answers_arp=False,
                sessions=4,
                idle_limit=60.0,
                answer_limit=0.5,
                others=("192.0.2.30", "panel"),
                cable="switch",
            ),
        ),
    )


def test_only_addresses_are_a_must() -> None:
    site = read(b'[adapter]\naddress = "192.0.2.15"\n[controller]\naddress = "192.0.2.60"', "s")
    assert site == Site(
        (Adapter(Address.parse("192.0.2.15")),), (Controller(Address.parse("192.0.2.60")),)
    )


def test_other_ways_to_save_a_text_file() -> None:
    """A byte order mark and CRLF line ends, as some editors write them."""
    octets = b"\xef\xbb\xbf" + FULL.replace("\n", "\r\n").encode()
    assert read(octets, "site.toml") == read(FULL.encode(), "site.toml")


WRONG = [
    ("name", '""'),
    ("name", '"two\\nlines"'),
    ("name", f'"{"x" * 61}"'),
    ("name", "3"),
    ("address", '"192.0.2"'),
    ("address", '"192.0.2.256"'),
    ("address", "192"),
    ("mask", '"255.0.255.0"'),
    ("mask", '"0.0.0.0"'),
    ("mask", '"/24"'),
    ("gateway", '"router"'),
    ("hardware_address", '"00-00-5E-00-53"'),
    ("hardware_address", '"01-00-5E-00-53-60"'),
    ("hardware_address", '"00-00-00-00-00-00"'),
    ("hardware_address", '"00-00-5E-00-53-6G"'),
    ("hardware_address", "12"),
    ("port", "0"),
    ("port", "65536"),
    ("port", '"502"'),
    ("port", "true"),
    ("transport", '"TCP/IP"'),
    ("transport", "6"),
    ("answers_arp", '"yes"'),
    ("answers_arp", "1"),
    ("sessions", "0"),
    ("sessions", "2.5"),
    ("idle_limit", "-1"),
    ("idle_limit", "nan"),
    ("idle_limit", "inf"),
    ("idle_limit", '"60 s"'),
    ("answer_limit", "0"),
    ("others", '"panel"'),
    ("others", "[7]"),
    ("cable", '"crossed"'),
]


@pytest.mark.parametrize(("field", "value"), WRONG)
def test_each_field_complains_with_its_line_and_what_is_expected(field: str, value: str) -> None:
    lines = FULL.splitlines()
    number = max(i for i, line in enumerate(lines) if line.startswith(f"{field} ="))
    lines[number] = f"{field} = {value}"
    (complaint,) = complaints("\n".join(lines))
    expected = TABLES["controller"][field]
    assert complaint.startswith(f"site.toml line {number + 1}: {field} is ")
    assert f"Expected {expected.expected}, such as {expected.example}." in complaint


def test_wrong_values_cover_every_field() -> None:
    assert {field for field, _ in WRONG} == TABLES["controller"].keys()


@pytest.mark.parametrize("table", TABLES)
def test_every_field_is_its_own_example_and_a_field_of_the_value(table: str) -> None:
    kind: Any = {"adapter": Adapter, "controller": Controller}[table]
    assert list(TABLES[table]) == sorted(kind._fields, key=list(TABLES[table]).index)
    for name, field in TABLES[table].items():
        (value,) = tomllib.loads(f"{name} = {field.example}").values()
        field.read(value)
        assert field.meaning
        assert field.expected


def test_all_that_is_wrong_is_told_in_the_order_of_lines() -> None:
    told = complaints(
        '[[adapter]]\nmask = "255.255.255.0"\nadress = "192.0.2.15"\n\n[plc]\nx = 1\n'
        '[[controller]]\naddress = "192.0.2.60"\nothers = [\n  "panel",\n  3,\n]\nport = 70000\n'
    )
    assert [line.split(":")[0] for line in told] == [
        "site.toml line 1",
        "site.toml line 3",
        "site.toml line 5",
        "site.toml line 9",
        "site.toml line 13",
    ]
    assert 'Is "address" meant?' in told[1]
    assert "[[adapter]], [[controller]]" in told[2]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('address = "192.0.2.60', "line 1: is not TOML"),
        ("[[controller]]\naddress = 192.0.2.60", "line 2: is not TOML"),
        ("", "names no controller"),
        ('[[adapter]]\naddress = "192.0.2.15"', "names no controller"),
        ("controller = 3", "line 1: controller is no table"),
        ("\ncontroller = [{port = 0}]", "line 2: port is 0"),
        ("[[controller]]\n[controller.address]\nx = 1", "line 2: address is"),
        ("a = " + "[" * 3900, "nested more than 4 deep"),
        ("a = " + "9" * 3900, "more than 64 bits"),
        ("a = 0x" + "f" * 3900, "more than 64 bits"),
        ("[[controller]]\naddress = [[[9223372036854775808]]]", "more than 64 bits"),
        ("[[controller]]\naddress = 9223372036854775807", "line 2: address is"),
        ("[[controller]]\nothers = [[[1]]]", "nested more than 4 deep"),
        ("[[controller]]\nothers = [[1]]", "line 2: others is"),
        ("controller" + ".address" * 400 + " = 1", "nested more than 4 deep"),
        ("a." * 3000 + "a = 1", "has a line of more than"),
        ("controller = [" + "{port = 1},\n" * 900 + "{}]", "has no address"),
        ("controller = [" + "{},{},{},\n" * 700 + "]", "names more than 2,000 controllers"),
        ("adapter = [" + "{},\n" * 33 + "]", "names more than 32 adapters"),
        ("a = 1\n" * 1100, "is larger than"),
        ("#" * (LARGEST + 1), "is larger than"),
        (b"a = 1\nb = '\xff'", "line 2: is not UTF-8"),
    ],
)
def test_what_is_no_sheet(text: str | bytes, said: str) -> None:
    assert any(said in line for line in complaints(text))


def test_copied_entries_are_noticed() -> None:
    twice = FULL + FULL[FULL.index("[[controller]]") :]
    told = complaints(twice)
    assert len(told) == 2
    assert "line 25: address stands in line 11 already" in told[0]
    assert "line 28: hardware_address stands in line 14 already" in told[1]


def test_one_controller_may_serve_two_ports() -> None:
    second = '[[controller]]\naddress = "192.0.2.60"\nport = 44818\n'
    site = read((FULL + second).encode(), "site.toml")
    address = Address.parse("192.0.2.60")
    assert [one.port for one in site.controllers] == [502, 44818]
    found = [site.controller(address, port) for port in (44818, 502, 80, None)]
    assert [one and one.port for one in found] == [44818, 502, 502, 502]
    assert site.controller(Address.parse("192.0.2.61")) is None


def test_whose_a_hardware_address_is() -> None:
    site = read(FULL.encode(), "site.toml")
    assert site.owner(Hardware(0x00005E005360)) is site.controllers[0]
    assert site.owner(Hardware(0x00005E005315)) is site.adapters[0]
    assert site.owner(Hardware(0x00005E005399)) is None
    assert read(b'[controller]\naddress = "192.0.2.60"', "s").owner(None) is None


def test_what_is_written_is_what_is_read() -> None:
    site = read(FULL.encode(), "site.toml")
    assert read(write(site, "A sheet.").encode(), "again") == site


def test_what_is_not_known_stands_there_to_be_filled_in() -> None:
    """Taking every # away gives a sheet with the examples, which is right as it stands."""
    text = write(Site((Adapter(Address(1)),), (Controller(Address(2)),)), "A sheet.")
    known = read(text.encode(), "written")
    assert known == Site((Adapter(Address(1)),), (Controller(Address(2)),))
    filled = "\n".join(
        line.removeprefix("# ") for line in text.splitlines() if line[:3] != "# A"
    ).encode()
    controller = read(filled, "filled").controllers[0]
    assert (controller.port, controller.cable, controller.sessions) == (502, "switch", 4)
    assert all(len(line) <= 80 for line in text.splitlines())


names = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S", "Zs"]), max_size=30)
names = names.filter(lambda text: text.isprintable() and text == text.strip())
addresses = st.integers(0, 2**32 - 1).map(Address)
hardware = st.integers(1, 2**40 - 1).map(Hardware)


@given(
    st.fixed_dictionaries(
        {
            "address": addresses,
            "name": names,
            "gateway": st.none() | addresses,
            "hardware_address": st.none() | hardware,
            "port": st.none() | st.integers(1, 65535),
            "answers_arp": st.none() | st.booleans(),
            "idle_limit": st.none() | st.floats(0.001, 1000),
            "others": st.lists(names.filter(bool), max_size=3).map(tuple),
        }
    )
)
def test_any_controller_comes_back_as_it_was_written(fields: dict[str, Any]) -> None:
    site = Site((), (Controller(**fields),))
    assert read(write(site, "A sheet.").encode(), "again") == site


@given(st.binary(max_size=200) | st.text("[]ab=.\"'#\n12 ", max_size=80).map(str.encode))
def test_any_octets_are_read_or_told_in_lines(octets: bytes) -> None:
    told: list[str] = []
    site = None
    try:
        site = read(octets, "site.toml")
    except BadSheet as problem:
        told = problem.lines
    assert bool(told) is not bool(site and site.controllers)
    assert all("\n" not in line for line in told)


def test_the_sheet_in_the_readme_is_right_and_has_every_field() -> None:
    (block,) = re.findall(r"^```toml\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)
    site = read(block.encode(), "README.md")
    tables = tomllib.loads(block)
    assert {name: set(tables[name][0]) for name in TABLES} == {
        name: set(fields) for name, fields in TABLES.items()
    }
    assert plan(site, site.controllers)[0].holds


def test_places_of_statements() -> None:
    """Comments, values over several lines, quoted keys, dotted keys and inline tables."""
    text = (
        "# begin\n\ntop = 1\n[[controller]] # one\na.b = 1\nc = '''\nport = 3\n'''\n"
        '"d" = [\n1,\n# port = 5\n2]\n[[controller]]\na = {x = 1, y = 2}\n[controller.e]\nf = 1\n'
    )
    assert places(text) == {
        ("", 0, "top"): 3,
        ("controller", 0, ""): 4,
        ("controller", 0, "a"): 5,
        ("controller", 0, "c"): 6,
        ("controller", 0, "d"): 9,
        ("controller", 1, ""): 13,
        ("controller", 1, "a"): 14,
        ("controller", 1, "e"): 15,
        ("controller", 1, "f"): 16,
    }
