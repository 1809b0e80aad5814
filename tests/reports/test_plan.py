"""The connection sheet: what it says, its commands, its cable table, its three renderings."""

import json
import re
import shutil
import subprocess
import sys

import pytest

from analyzer import cautions
from analyzer.planning import Plan, Result, plan
from analyzer.reports import cable
from analyzer.reports import plan as wording
from analyzer.reports.blocks import Heading, Listing, Paragraph, Table
from analyzer.reports.commands import SYSTEMS, Command, System, commands
from analyzer.reports.plan import plan_report, steps, success, verdict
from analyzer.reports.plan_json import plan_json
from analyzer.reports.to_html import to_html
from analyzer.reports.to_text import to_text
from analyzer.site import read
from tests.test_wording import STEP_WITH_RISK, badly_said

PRESS = """
[[adapter]]
name = "cable <adapter>"
address = "192.0.2.15"
mask = "255.255.255.0"

[[controller]]
name = "press 3"
address = "192.0.2.60"
mask = "255.255.255.0"
hardware_address = "00-00-5E-00-53-60"
port = 502
transport = "tcp"
answers_arp = false
sessions = 4
idle_limit = 60
answer_limit = 0.5
others = ["192.0.2.30", "panel"]
cable = "direct"
"""
ROUTED = """
[[adapter]]
address = "192.0.2.15"
mask = "255.255.255.0"
gateway = "192.0.2.1"

[[controller]]
address = "198.51.100.60"
mask = "255.255.255.0"
gateway = "198.51.100.1"
port = 502
cable = "switch"
"""
LONGEST = """
[[controller]]
address = "192.168.100.131"
mask = "255.255.255.128"
hardware_address = "00-00-5E-00-53-60"
answers_arp = false
"""
BROKEN = PRESS.replace('address = "192.0.2.15"', 'address = "192.0.2.60"')
BARE = '[[controller]]\naddress = "192.0.2.60"\n'
WITH_GATEWAY = PRESS.replace(
    'mask = "255.255.255.0"', 'mask = "255.255.255.0"\ngateway = "192.0.2.1"', 1
)
SHEETS = (WITH_GATEWAY, PRESS, ROUTED, LONGEST, BROKEN, BARE)


def planned(text: str) -> list[Plan]:
    site = read(text.encode(), "site.toml")
    return plan(site, site.controllers)


def test_colours_by_pin() -> None:
    """ANSI/TIA-568, T568A and T568B: pairs 2 (orange) and 3 (green) change places."""
    assert cable.T568A == (
        "white-green", "green", "white-orange", "blue",
        "white-blue", "orange", "white-brown", "brown",
    )  # fmt: skip
    swapped = {"green": "orange", "orange": "green"}
    for one, other in zip(cable.T568A, cable.T568B, strict=True):
        assert other == re.sub("green|orange", lambda found: swapped[found[0]], one)
    pairs = {cable.T568A.index(name) + 1 for name in ("blue", "white-blue")}
    assert pairs == {4, 5}


def test_crossover_joins_what_sends_with_what_receives() -> None:
    """IEEE 802.3 clauses 14 and 25: 1-2 sends, 3-6 receives; 1 joins 3, and 2 joins 6."""
    assert cable.CROSSOVER == {1: 3, 2: 6, 3: 1, 4: 4, 5: 5, 6: 2, 7: 7, 8: 8}
    table = cable.pins()
    assert [row[0] for row in table.rows] == list("12345678")
    assert any("ANSI/TIA-568" in source for source in cable.SOURCES)


@pytest.mark.parametrize("text", SHEETS)
def test_the_text_fits_a_terminal(text: str) -> None:
    told = to_text(plan_report(planned(text)))
    assert told.isascii()
    assert all(len(line) <= 80 for line in told.splitlines())


def test_commands_fit_a_terminal_and_are_not_wrapped() -> None:
    told = to_text(plan_report(planned(LONGEST))).splitlines()
    for system in SYSTEMS:
        for one in commands(planned(LONGEST), system):
            assert len(one.typed) <= 80
            assert one.typed in told
            for undo in one.undo:
                assert len(undo.typed) <= 80
                assert undo.typed in told


def by(system: str, text: str = PRESS) -> list[Command]:
    (kind,) = [one for one in SYSTEMS if one.name.startswith(system)]
    return commands(planned(text), kind)


def test_commands_with_netsh() -> None:
    typed = [one.typed for one in by("Windows")]
    undone = [undo.typed for one in by("Windows") for undo in one.undo]
    assert 'netsh interface ip set address "ADAPTER" static 192.0.2.15 255.255.255.0' in typed
    assert 'netsh interface ip set neighbors "ADAPTER" 192.0.2.60 00-00-5e-00-53-60' in typed
    assert 'netsh interface ip delete neighbors "ADAPTER" 192.0.2.60' in undone


def test_undo_of_an_address_asks_what_was_there_before() -> None:
    """An automatic address and a fixed one are taken back by commands of their own."""
    (address,) = [one for one in by("Windows") if " set address " in one.typed]
    automatic, fixed = address.undo
    assert automatic.typed == 'netsh interface ip set address "ADAPTER" dhcp'
    assert "automatic" in automatic.where
    assert fixed.typed.endswith(" static ADDRESS MASK GATEWAY")
    assert "fixed" in fixed.where
    assert (automatic.caution, fixed.caution) == (cautions.LINK_DROPS, cautions.ADDRESS_CHANGE)
    told = " ".join(to_text(plan_report(planned(PRESS))).split())
    for undo in address.undo:
        assert f"To undo it, {undo.where}: {undo.caution} {undo.typed}" in told


def test_a_fixed_address_with_netsh_keeps_the_gateway() -> None:
    """Setting an address takes the gateway away: the next command names it again."""
    typed = [one.typed for one in by("Windows", WITH_GATEWAY)]
    place = typed.index('netsh interface ip set address "ADAPTER" static 192.0.2.15 255.255.255.0')
    assert typed[place + 1] == (
        'netsh interface ip add address "ADAPTER" gateway=192.0.2.1 gwmetric=1'
    )
    assert "192.0.2.1 again" in by("Windows", WITH_GATEWAY)[place].changes


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (PRESS, "this sheet names none"),
        (WITH_GATEWAY.replace('"192.0.2.60"', '"198.51.100.60"'), "192.0.2.1 is no other device"),
    ],
)
def test_a_gateway_that_is_not_set_has_its_reason(text: str, why: str) -> None:
    (address,) = [one for one in by("Windows", text) if " set address " in one.typed]
    assert "No gateway is set" in address.changes
    assert why in address.changes
    assert not any("gateway=" in one.typed for one in by("Windows", text))


def test_other_systems_add_an_address_and_keep_the_gateway() -> None:
    for system in ("Linux", "macOS"):
        assert not any("192.0.2.1 " in f"{one.typed} " for one in by(system, WITH_GATEWAY))


HOPELESS = (
    PRESS.replace("192.0.2.60", "192.0.2.0"),
    PRESS.replace("192.0.2.60", "192.0.2.0").replace("192.0.2.15", "192.0.2.255"),
    ROUTED.replace("198.51.100.1", "203.0.113.1"),
    WITH_GATEWAY.replace('gateway = "192.0.2.1"', 'gateway = "203.0.113.1"'),
)


@pytest.mark.parametrize("text", HOPELESS)
def test_a_plan_that_its_own_steps_do_not_mend_stops_there(text: str) -> None:
    plans = planned(text)
    assert steps(plans)[-1] == wording.MEND
    told = to_text(plan_report(plans))
    assert "What success looks like" not in told
    assert "Commands for" not in told
    made = json.loads(plan_json(plans))
    assert (made["holds"], made["success"], made["commands"]) == (False, [], [])
    assert len(made["steps"]) == 2


def test_one_connection_that_does_not_hold_stops_the_sheet() -> None:
    other = '[[controller]]\naddress = "192.0.2.255"\nmask = "255.255.255.0"\n'
    assert steps(planned(PRESS + other))[-1] == wording.MEND


@pytest.mark.parametrize(
    "text", [BROKEN, PRESS.replace('"192.0.2.15"', '"198.51.100.15"')], ids=["taken", "elsewhere"]
)
def test_a_plan_that_gives_the_pc_another_address_goes_on(text: str) -> None:
    plans = planned(text)
    told = [one.text for one in steps(plans)]
    assert wording.MEND.text not in told
    assert any("adapter 192.0.2.253 with" in one for one in told)
    assert success(plans)
    assert by("Linux", text)


def test_commands_where_a_router_lies_between() -> None:
    typed = [one.typed for one in by("Linux", ROUTED)]
    assert "sudo ip route add 198.51.100.0/24 via 192.0.2.1 dev ADAPTER" in typed
    assert not any("neigh replace" in one for one in typed)


def test_what_changes_something_says_so_is_undone_and_has_a_caution() -> None:
    for text in SHEETS:
        for system in SYSTEMS:
            for one in commands(planned(text), system):
                assert bool(one.undo) is (one.changes != "Changes nothing.")
                assert bool(one.undo) is bool(one.caution)
                assert one.to
                assert one.success
                assert all(undo.caution for undo in one.undo)
                assert "None" not in one.typed + one.changes + one.success


def test_a_label_that_is_not_known_is_left_to_be_read() -> None:
    text = PRESS.replace('hardware_address = "00-00-5E-00-53-60"\n', "")
    typed = [one.typed for one in by("Linux", text)]
    assert "sudo ip neigh replace 192.0.2.60 lladdr HARDWARE-ADDRESS dev ADAPTER" in typed


needs_namespace = pytest.mark.skipif(
    sys.platform != "linux" or not (shutil.which("unshare") and shutil.which("ip")),
    reason="needs network namespaces and ip",
)


def in_namespace(*lines: str) -> list[str]:
    """What the lines print in a network namespace of their own that has an adapter ADAPTER."""
    made = ("ip link add ADAPTER type veth peer name other", "ip link set ADAPTER up")
    script = "\n".join(["set -e", *made, "ip link set other up", *lines])
    done = subprocess.run(
        ["unshare", "--net", "sh", "-c", script.replace("sudo ", "")],
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    if "Operation not permitted" in done.stderr:
        pytest.skip("may not make a network namespace")
    assert done.stderr == ""
    assert done.returncode == 0
    return done.stdout.splitlines()


@needs_namespace
def test_commands_with_ip_do_what_they_say() -> None:
    """They set, show and take back an address and a neighbour entry."""
    (address,) = [one for one in by("Linux") if " address add " in one.typed]
    (entry,) = [one for one in by("Linux") if " neigh replace " in one.typed]
    (show,) = [one for one in by("Linux") if " neigh show " in one.typed]
    told = in_namespace(address.typed, entry.typed, show.typed, "ip -4 -o address show")
    assert [line.split()[:4] for line in told[:1]] == [
        ["192.0.2.60", "lladdr", "00:00:5e:00:53:60", "PERMANENT"]
    ]
    assert "192.0.2.15/24" in told[-1]
    undone = in_namespace(
        address.typed,
        entry.typed,
        entry.undo[0].typed,
        address.undo[0].typed,
        show.typed,
        "ip -4 -o address show",
    )
    assert undone == []


@needs_namespace
def test_routes_with_ip_do_what_they_say() -> None:
    used = by("Linux", ROUTED)
    (address,) = [one for one in used if " address add " in one.typed]
    (route,) = [one for one in used if " route add " in one.typed]
    (routes,) = [one for one in used if one.typed == "ip route show"]
    assert routes.success == "it shows 192.0.2.1 for 198.51.100.0/24."
    shown = in_namespace(address.typed, route.typed, routes.typed)
    assert any("198.51.100.0/24 via 192.0.2.1" in line for line in shown)
    told = in_namespace(address.typed, route.typed, "ip route show 198.51.100.0/24")
    assert told[0].startswith("198.51.100.0/24 via 192.0.2.1 dev ADAPTER")
    gone = in_namespace(
        address.typed, route.typed, route.undo[0].typed, "ip route show 198.51.100.0/24"
    )
    assert gone == []


def test_the_order_of_steps() -> None:
    """Look and compare, set, plug in, record and try; unplug, and take back: a PC that was plugged
    in with its old address could make a second device of it (RFC 5227 section 2.4).
    """
    told = [one.text for one in steps(planned(PRESS))]
    marks = (
        "Read address",
        "note it",
        "Ask who is connected",
        "made safe",
        "give the adapter 192",
        "Plug one cable",
        "lamps",
        "arping -D",
        "Enter 192",
        "start a recording",
        "Ping",
        "Connect once",
    )
    places = [next(i for i, text in enumerate(told) if mark in text) for mark in marks]
    assert places == sorted(places)
    assert told[-1].startswith("When you are done")
    assert told[-1].index("unplug the PC") < told[-1].index("take back")


def test_an_old_address_goes_first_where_systems_keep_it() -> None:
    """Else the PC answers its own ping to the controller's address."""
    for name, old, new in (
        ("Linux", "address del OLD/LENGTH", "address add 192"),
        ("macOS", "inet OLD -alias", "netmask 255.255.255.0 alias"),
    ):
        typed = [one.typed for one in by(name)]
        places = [next(i for i, one in enumerate(typed) if part in one) for part in (old, new)]
        assert places == sorted(places)
        (taken,) = [one for one in by(name) if old in one.typed]
        assert [undo.caution for undo in taken.undo] == [cautions.ADDRESS_CHANGE]


def test_an_address_is_asked_for_before_it_is_given_where_systems_do_not() -> None:
    """Windows does so by itself, with the address that it was given while the cable was out."""
    for name, asks, gives in (
        ("Linux", "sudo arping -D", "sudo ip address add"),
        ("macOS", "ping -c 4 192.0.2.15", "sudo ifconfig ADAPTER inet 192.0.2.15"),
    ):
        typed = [one.typed for one in by(name)]
        (free,) = [i for i, one in enumerate(typed) if one.startswith(asks)]
        assert typed[free + 1].startswith(gives)
    (given,) = [one for one in by("Windows") if " set address " in one.typed]
    assert given.to.startswith("With the cable still out")


def test_a_router_is_named_only_once_the_pc_has_its_address() -> None:
    """A route over a gateway that no own address is near is refused."""
    told = [one.text for one in steps(planned(ROUTED))]
    (given,) = [i for i, one in enumerate(told) if "arping -D" in one]
    (named,) = [i for i, one in enumerate(told) if one.startswith("Name the router")]
    assert given < named


def test_a_switch_port_is_given_time_before_an_address_is_asked_for() -> None:
    """IEEE 802.1D: a new port forwards after twice the forward delay of 15 s."""
    direct, switched = (
        [one.text for one in steps(planned(PRESS.replace('"direct"', f'"{cable}"')))]
        for cable in ("direct", "switch")
    )
    assert not any("60 s" in one for one in direct)
    (waits,) = [i for i, one in enumerate(switched) if "60 s" in one]
    assert "arping -D" in switched[waits + 1]


@pytest.mark.parametrize("text", SHEETS)
def test_risky_steps_have_a_caution(text: str) -> None:
    for one in steps(planned(text)):
        assert one.caution or not STEP_WITH_RISK.search(one.text)
    assert any(one.caution == cautions.COMMANDS for one in steps(planned(text)))


@pytest.mark.parametrize("text", SHEETS)
def test_the_sheet_speaks_plainly(text: str) -> None:
    for block in plan_report(planned(text)):
        match block:
            case Paragraph(said) | Heading(said):
                texts = [said]
            case Listing(items):
                texts = [str(one) for item in items for one in (item.text, item.caution) if one]
            case Table():
                texts = [cell for row in block.rows for cell in row if cell]
            case _:
                continue
        for one in texts:
            wrong = [said for said in badly_said(one) if not said.startswith("a name?")]
            assert wrong == []


def test_every_finding_has_its_words() -> None:
    for one in (check for text in SHEETS for made in planned(text) for check in made.checks):
        assert one.about in wording.ABOUT
        assert wording.why(one)


def test_the_verdict() -> None:
    assert verdict(planned(PRESS)) == "The numbers hold."
    assert "do not hold" in verdict(planned(BROKEN))
    assert "as far as they are known" in verdict(planned(BARE))


APART = '[[adapter]]\naddress = "192.168.1.15"\n' + BARE


def test_two_that_a_presumed_mask_puts_apart_are_not_said_to_be() -> None:
    told = " ".join(to_text(plan_report(planned(APART))).split())
    assert "By a presumed mask the numbers do not hold: read the masks first." in told
    assert "DOES NOT HOLD" not in told
    assert "mend it on the PC" not in told
    assert "plan again with --mask" in told


@pytest.mark.parametrize("text", [*SHEETS, APART, PRESS.replace("192.0.2.60", "192.0.2.15")])
def test_no_two_checks_have_one_name(text: str) -> None:
    tables = [one for one in plan_report(planned(text)) if isinstance(one, Table)]
    (checks,) = [one for one in tables if one.header[0] == "Check"]
    names = [row[0] for row in checks.rows]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("kind", SYSTEMS)
def test_steps_name_the_kinds_of_pc_that_the_commands_are_for(kind: System) -> None:
    told = " ".join(one.text for one in steps(planned(PRESS), [kind]))
    others = {"Windows", "Linux", "macOS"} - {kind.name.split()[0]}
    assert kind.asks.partition(" {pc}")[0] in told
    assert not any(name in told for name in others)
    assert told.count("192.0.2.15 with the mask 255.255.255.0") == 1


def test_a_port_that_is_not_known_is_not_left_out() -> None:
    assert "The port of 192.0.2.60 that the program calls opens," in " ".join(
        success(planned(BARE))
    )


def test_behind_a_router_the_neighbour_table_has_the_router() -> None:
    told = " ".join(to_text(plan_report(planned(ROUTED))).split())
    assert "it has the router 192.0.2.1." in told
    assert "the one on its label" not in told
    assert "it shows a hardware address for 192.0.2.1." in told


def test_success_names_what_the_sheet_knows() -> None:
    told = " ".join(success(planned(PRESS)))
    assert "00-00-5E-00-53-60 for 192.0.2.60" in told
    assert "TCP 502" in told
    assert "500 ms" in told
    assert "1 min" in told


def test_a_free_address_is_free_only_as_far_as_the_sheet_knows() -> None:
    told = to_text(plan_report(planned(BARE)))
    assert "192.0.2.253" in told
    assert "as far as" in told
    assert "presumed" in told


def test_json_for_programs() -> None:
    made = json.loads(plan_json(planned(PRESS)))
    assert made["schema"] == "whynolink-plan/1"
    assert made["holds"] is True
    (connection,) = made["connections"]
    assert connection["pc"]["address"] == "192.0.2.15"
    assert connection["way"] == "same network"
    assert connection["neighbour_entry"]["state"] == "needed"
    assert {check["result"] for check in connection["checks"]} == {str(Result.HOLDS)}
    assert made["cable"]["pins"][0]["crossover_to"] == 3
    assert {one["system"] for one in made["commands"]} == {one.name for one in SYSTEMS}
    assert plan_json(planned(PRESS)) == plan_json(planned(PRESS))


def test_a_page_to_print_escapes_names() -> None:
    page = to_html(plan_report(planned(PRESS)))
    assert "<adapter>" not in page
    assert "cable &lt;adapter&gt;" in page
    assert '<pre class="typed" tabindex="0"><code>ip address show</code></pre>' in page
