"""Options that several commands take, and how their values are read."""

import re
import string
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import UTC
from pathlib import Path
from typing import Any, TypeVar

import click

from analyzer.cli.writing import reason
from analyzer.errors import BadOption
from analyzer.facts import Address, Hardware
from analyzer.linkup import Told
from analyzer.site import LARGEST, Site
from analyzer.site import read as read_site

Command = TypeVar("Command", bound=Callable[..., Any])

controllers_option = click.option(
    "--controller",
    "controllers",
    metavar="ADDRESS[:PORT]",
    multiple=True,
    help="The controller that the PC should reach; may be given again. IPv6: [2001:db8::60]:502.",
)
pc_option = click.option("--pc", metavar="ADDRESS", help="The PC by its IP or hardware address.")
limit_option = click.option(
    "--limit",
    metavar="FACTOR",
    type=click.IntRange(1, 1000),
    default=1,
    show_default=True,
    help="Unpack this many times as much as is usual from a parcel.",
)
output_option = click.option(
    "--output", metavar="PATH", help="Write to this file, not to the terminal."
)
site_option = click.option(
    "--site", "sheet", metavar="FILE", help="A site sheet: what is known on site."
)
house_option = click.option(
    "--house",
    metavar="FILE",
    help="Greeting, signature and notes of your letters, a TOML file.",
)
utc_option = click.option(
    "--utc",
    "zone",
    is_flag=True,
    callback=lambda context, option, utc: UTC if utc else None,
    help="Tell times in UTC, not in this machine's zone.",
)


def format_option(help_text: str, *layouts: str) -> Callable[[Command], Command]:
    """--format: text unless told otherwise; handed on as `layout`."""
    return click.option(
        "--format",
        "layout",
        type=click.Choice(["text", *layouts]),
        default="text",
        show_default=True,
        help=help_text,
    )


def told_by(controllers: Sequence[str], pc: str | None = None, sheet: str | None = None) -> Told:
    """What the options tell of the link-up."""
    ends = tuple(read_controller(text) for text in controllers)
    return Told(ends, _read_pc(pc), read_sheet(sheet) if sheet is not None else Site())


def read_controller(text: str) -> tuple[Address, int | None]:
    """Address and port; the port may be missing. An IPv6 address with a port stands in brackets."""
    in_brackets = re.fullmatch(r"\[(.+)\](?:(:)(.*))?", text)
    if in_brackets is not None:
        address, colon, port = in_brackets.groups("")
    elif text.count(":") > 1:
        address, colon, port = text, "", ""
    else:
        address, colon, port = text.partition(":")
    number = int(port) if port.isascii() and port.isdigit() and len(port) <= 5 else 0
    if colon and not 0 < number < 1 << 16:
        raise BadOption(f"{port!r} is not a port.", "--controller", "Give a number, 1 to 65535.")
    if ":" not in address:
        return read_address(address, "--controller"), number or None
    try:
        return Address.parse_ipv6(address), number or None
    except ValueError:
        todo = "Write it as 2001:db8::60, or with a port as [2001:db8::60]:502."
        raise BadOption(f"{address!r} is not an IPv6 address.", "--controller", todo) from None


def _read_pc(text: str | None) -> Address | Hardware | None:
    if text is None:
        return None
    digits = text.replace("-", "").replace(":", "")
    pairs = len(digits) == 12 and "::" not in text and text.count(":") in (0, 5)
    if pairs and all(digit in string.hexdigits for digit in digits):
        return Hardware(int(digits, 16))
    try:
        return Address.parse_ipv6(text) if ":" in text else Address.parse(text)
    except ValueError:
        todo = "Write it as 192.0.2.15, 2001:db8::15 or 00-00-5E-00-53-15."
        what = f"{text!r} is neither an IP address nor a hardware address."
        raise BadOption(what, "--pc", todo) from None


def read_mask(text: str | None) -> Address | None:
    """A mask, such as 255.255.255.0."""
    if text is None:
        return None
    with suppress(ValueError):
        mask = Address.parse(text)
        if mask.is_mask:
            return mask
    todo = "Give four numbers with dots, such as 255.255.255.0."
    raise BadOption(f"{text!r} is not a mask.", "--mask", todo)


def read_address(text: str, option: str) -> Address:
    """An IPv4 address; the option is named where it is none."""
    try:
        return Address.parse(text)
    except ValueError:
        todo = "Give four numbers with dots, such as 192.0.2.60."
        raise BadOption(f"{text!r} is not an IPv4 address.", option, todo) from None


def read_sheet(name: str) -> Site:
    """The site sheet in a file."""
    return read_site(octets_of(name, "--site"), Path(name).name)


def octets_of(name: str, option: str) -> bytes:
    """A small file: no more of it is read than would be too much."""
    try:
        with Path(name).open("rb") as stream:
            return stream.read(LARGEST + 1)
    except (OSError, ValueError) as problem:
        why = reason(problem)
        todo = f"Check the path after {option}."
        raise BadOption(f"cannot be read: {why}.", name, todo) from None


def by_example(*lines: str) -> str:
    """What stands below the options in the help of a command."""
    return "\n".join(["\b", "Examples:", *(f"  {line}" for line in lines)])
