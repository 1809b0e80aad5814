"""Plans -> JSON for other programs, schema `whynolink-plan/1`: same sheet, same text."""

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from analyzer.planning import Check, Plan, length
from analyzer.reports.cable import CROSSOVER, SOURCES, T568A, T568B
from analyzer.reports.commands import SYSTEMS, System, commands
from analyzer.reports.plan import adapter_name, can_go_on, entry, steps, success, why

SCHEMA = "whynolink-plan/1"


def plan_json(plans: Sequence[Plan], systems: Sequence[System] = SYSTEMS) -> str:
    """One object in ASCII, which is UTF-8 as well."""
    content = {
        "schema": SCHEMA,
        "holds": all(one.holds for one in plans),
        "connections": [_connection(one) for one in plans],
        "steps": [asdict(step) for step in steps(plans, systems)],
        "success": success(plans) if can_go_on(plans) else [],
        "cable": {
            "pins": [
                {"pin": pin, "T568A": one, "T568B": other, "crossover_to": CROSSOVER[pin]}
                for pin, (one, other) in enumerate(zip(T568A, T568B, strict=True), 1)
            ],
            "sources": SOURCES,
        },
        "commands": [
            {"system": system.name, **asdict(one)}
            for system in systems
            if can_go_on(plans)
            for one in commands(plans, system)
        ],
    }
    return json.dumps(content, indent=1) + "\n"


def _connection(plan: Plan) -> dict[str, Any]:
    unit = plan.controller
    return {
        "controller": {
            "name": unit.name or None,
            "address": str(unit.address),
            "mask": _text(unit.mask),
            "gateway": _text(unit.gateway),
            "hardware_address": _text(unit.hardware_address),
            "port": unit.port,
            "transport": unit.transport,
        },
        "pc": {
            "adapter": adapter_name(plan.adapter),
            "address": _text(plan.pc),
            "mask": str(plan.mask),
            "prefix": length(plan.mask),
            "mask_presumed": plan.presumed,
            "proposed": plan.changes_address,
        },
        "way": str(plan.way),
        "cable": unit.cable,
        "neighbour_entry": {"state": str(plan.entry), "text": entry(plan)},
        "checks": [_check(one) for one in plan.checks],
    }


def _check(check: Check) -> dict[str, Any]:
    return {
        "about": check.about,
        "found": check.found,
        "result": str(check.result),
        "text": why(check),
        "values": {name: _text(value) for name, value in check.values.items()},
    }


def _text(value: object) -> str | None:
    return None if value is None else str(value)
