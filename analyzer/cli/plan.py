"""whynolink plan: a site sheet or options -> what to check, set and plug in."""

import sys
from collections.abc import Sequence

import click

from analyzer.cli.options import (
    by_example,
    format_option,
    output_option,
    read_address,
    read_controller,
    read_mask,
    read_sheet,
    site_option,
)
from analyzer.cli.writing import keep_inputs, write, write_sheet
from analyzer.diagnosis import FAULT, NO_FAULT
from analyzer.errors import BadOption
from analyzer.facts import Address
from analyzer.planning import Plan, plan
from analyzer.reports.commands import SYSTEMS, System
from analyzer.reports.plan import plan_report
from analyzer.reports.plan_json import plan_json
from analyzer.reports.to_text import to_text
from analyzer.site import Adapter, Controller, Site
from analyzer.site import write as write_site


@click.command(
    name="plan",
    short_help="Plan a connection: what to check, set and plug in.",
    epilog=by_example(
        "whynolink plan --site site.toml --controller 192.0.2.60",
        "whynolink plan --controller 192.0.2.60:502 --pc 192.0.2.15 --mask 255.255.255.0",
        "whynolink plan --site site.toml --format html --pins --output plan.html",
        "whynolink plan --controller 192.0.2.60:502 --write-site site.toml",
    ),
)
@site_option
@click.option(
    "--controller",
    "controllers",
    metavar="ADDRESS[:PORT]",
    multiple=True,
    help="The controller to connect with; of a site sheet, only this one. May be given again.",
)
@click.option(
    "--pc",
    "own",
    metavar="ADDRESS",
    multiple=True,
    help="The PC's address; once for each adapter of the PC.",
)
@click.option("--mask", metavar="MASK", help="The mask of all of them, such as 255.255.255.0.")
@click.option(
    "--cable", type=click.Choice(["direct", "switch"]), help="How the controller is connected."
)
@click.option(
    "--system",
    "kinds",
    type=click.Choice([one.key for one in SYSTEMS]),
    multiple=True,
    help="Print the commands of this kind of PC in place of this PC's; may be given again.",
)
@click.option("--pins", "wires", is_flag=True, help="Print the pins and colours of cables too.")
@format_option("A text to read, JSON for other programs, or a page to print.", "json", "html")
@output_option
@click.option(
    "--write-site",
    "new_sheet",
    metavar="PATH",
    help="Write the options into a site sheet, with the rest to fill in.",
)
def command(
    sheet: str | None,
    controllers: Sequence[str],
    own: Sequence[str],
    mask: str | None,
    cable: str | None,
    kinds: Sequence[str],
    wires: bool,
    layout: str,
    output: str | None,
    new_sheet: str | None,
) -> int:
    """Plan a connection: print an ordered sheet of what to check, set and plug in.

    It only prints; it changes nothing on this PC. Exit status: 0 the numbers hold, 1 they do not, 2
    sheet or options unusable.
    """
    if sheet is not None:
        keep_inputs(output, [sheet])
    named = [read_controller(text) for text in controllers]
    for address in (one for one, _ in named if one.is_ipv6):
        todo = "Give its IPv4 address: only those are planned."
        raise BadOption(f"{address} is an IPv6 address.", "--controller", todo)
    if sheet is None:
        bits = read_mask(mask)
        site = Site(
            tuple(Adapter(read_address(one, "--pc"), mask=bits) for one in own),
            tuple(Controller(at, mask=bits, port=port, cable=cable) for at, port in named),
        )
    elif own or mask or cable or new_sheet:
        todo = "Give --site with --controller only, and write the rest into the sheet."
        raise BadOption("does not go with the other options.", "--site", todo)
    else:
        site = read_sheet(sheet)
    plans = plan(site, [_in_sheet(site, *one) for one in named] or site.controllers)
    if not plans:
        raise BadOption("is missing.", "--controller", "Name a controller, or give --site FILE.")
    systems = [one for one in SYSTEMS if one.key in (kinds or {_own_kind()})]
    write(_render_plan(layout, plans, systems, wires), output)
    if new_sheet is not None:
        write_sheet(write_site(site, "Site sheet, by the options of a plan."), new_sheet)
    return NO_FAULT if all(one.holds for one in plans) else FAULT


def _in_sheet(site: Site, address: Address, port: int | None) -> Controller:
    known = site.controller(address, port)
    if known is None:
        raise BadOption(f"{address} is not in the site sheet.", "--controller", "Add it there.")
    return known


def _own_kind() -> str:
    """This PC's own kind; Linux stands for the others."""
    return {"win32": "windows", "darwin": "macos"}.get(sys.platform, "linux")


def _render_plan(layout: str, plans: Sequence[Plan], systems: Sequence[System], wires: bool) -> str:
    match layout:
        case "json":
            return plan_json(plans, systems)
        case "html":
            from analyzer.reports.to_html import to_html  # takes long to import

            return to_html(plan_report(plans, systems, wires))
    return to_text(plan_report(plans, systems, wires))
