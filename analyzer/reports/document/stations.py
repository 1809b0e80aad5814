"""The stations of a recording, and what each is."""

from collections.abc import Iterator

from analyzer.diagnosis import Diagnosis, Station, Step
from analyzer.reports.blocks import Block, Heading, Listing, Paragraph, Table
from analyzer.reports.document.bounds import MOST_STATIONS, first, left_out, named
from analyzer.reports.document.parties import is_among
from analyzer.words import clean, span

ROLES = {
    "pc": "the PC",
    "controller": "the controller",
    "router": "a router",
    "switch": "a switch",
    "rival": "has its address, too",
}
"""What a station is, in the table."""
MOST_ADDRESSES = 3
"""Addresses of one station listed."""


class Roles:
    """What the stations of a recording are."""

    def __init__(self, diagnosis: Diagnosis) -> None:
        pc, linkups = diagnosis.case.pc, diagnosis.case.linkups
        pcs = [pc, *pc.adapters] if pc is not None else []
        self._pc = {one.hardware for one in pcs}, {at for one in pcs for at in one.addresses}
        self._routers = {one.router for one in linkups if one.router}
        self._controllers = {one.hardware for one in linkups}, {one.controller for one in linkups}
        self._disputed = {one.controller for one in linkups if one.hardware is None}

    def of(self, station: Station) -> str:
        """pc, controller, router, switch, nothing known, or rival: one of several that use the
        controller's address.
        """
        if is_among(station, *self._pc):
            return "pc"
        if station.is_router or station.hardware in self._routers:
            return "router"
        if is_among(station, *self._controllers):
            return "controller"
        if any(one in self._disputed for one in station.addresses):
            return "rival"
        return "switch" if station.is_switch else ""


def station_table(diagnosis: Diagnosis, everything: bool) -> Iterator[Block]:
    """The table of stations, and who made their adapters."""
    found, roles = diagnosis.facts.stations, Roles(diagnosis)
    if not found:
        return
    shown = first(found, MOST_STATIONS, everything)
    yield Heading("Stations in this recording")
    yield Table(
        ("Hardware address", "Addresses", "Who", "Frames", "From, to (s)"),
        [_row(one, roles) for one in shown],
    )
    yield from left_out(found, shown)
    made = [f"{one.hardware}: {clean(one.maker)}" for one in shown if one.maker]
    if made:
        yield Paragraph("Who made these adapters, by the public registry:")
        yield Listing([Step(text) for text in made])


def _row(station: Station, roles: Roles) -> list[str]:
    begin, end = (max(0.0, moment.seconds) for moment in (station.first, station.last))
    return [
        str(station.hardware or "-"),
        named(sorted(station.all_addresses), MOST_ADDRESSES),
        ROLES.get(roles.of(station), ""),
        f"{station.frames:,}",
        span(begin, end),
    ]
