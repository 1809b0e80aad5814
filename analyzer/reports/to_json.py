"""Diagnoses -> the JSON contract `whynolink/1`: same recording, same text."""

import json
from collections.abc import Callable, Sequence
from typing import Any

from analyzer.cautions import MAKE_SAFE
from analyzer.diagnosis import Diagnosis, Finding, Moment, Outcome, Spread, Station, Step
from analyzer.reports.differences import differences
from analyzer.reports.document.parties import HOW_KNOWN
from analyzer.reports.document.recording import oddities
from analyzer.reports.document.stations import Roles
from analyzer.words import place, unspaced

SCHEMA = "whynolink/1"
Refused = tuple[str, str, str]
DIGITS = 9
"""Decimals of a second that are told: the finest time that a recording keeps."""


def to_json(diagnoses: Sequence[Diagnosis], refused: Sequence[Refused] = ()) -> str:
    """One object for all recordings of a call, in ASCII, which is UTF-8 as well.

    refused: what came with them and is no recording: file, what it is, what to do.
    """
    content = {
        "schema": SCHEMA,
        "recordings": [_recording(one) for one in diagnoses],
        "stations": _marked(diagnoses, _stations),
        "linkups": _marked(diagnoses, lambda one: [_linkup(outcome) for outcome in one.outcomes]),
        "findings": _marked(diagnoses, lambda one: [_finding(found) for found in one.findings]),
        "checked": {
            "quiet": sorted({slug for one in diagnoses for slug in one.quiet}),
            "unable": _marked(
                diagnoses,
                lambda one: [{"rule": rule, "because": because} for rule, because in one.unable],
            ),
        },
    }
    if refused:
        names = ("file", "what", "what_to_do")
        content["not_recordings"] = [dict(zip(names, one, strict=True)) for one in refused]
    return json.dumps(content, indent=1, default=str) + "\n"


def _marked(
    diagnoses: Sequence[Diagnosis], entries: Callable[[Diagnosis], list[dict[str, Any]]]
) -> list[dict[str, Any]]:
    """The entries of all recordings; of several, each with its recording's place in the list."""
    if len(diagnoses) == 1:
        return entries(diagnoses[0])
    return [
        {**entry, "recording": number}
        for number, diagnosis in enumerate(diagnoses)
        for entry in entries(diagnosis)
    ]


def _recording(diagnosis: Diagnosis) -> dict[str, Any]:
    facts = diagnosis.facts
    pieces = [
        {"file": one.name, "first_frame": one.first, "sha256": one.sha256} for one in facts.pieces
    ]
    return {
        "file": facts.file,
        "format": facts.format,
        "link_type": facts.link_type,
        "frames": facts.coverage.frames,
        "first_seen": facts.first_seen.isoformat() if facts.first_seen else None,
        "seconds": round(facts.coverage.seconds, DIGITS),
        "sha256": facts.sha256,
        "remarks": _comments(diagnosis) + oddities(diagnosis) + _unlike_sheet(diagnosis),
        **({"pieces": pieces} if pieces else {}),
    }


def _comments(diagnosis: Diagnosis) -> list[str]:
    """What the file says of itself, in quotes."""
    texts = diagnosis.facts.comments
    return [f'A comment in the file says: "{unspaced(text)}"' for text in texts]


def _unlike_sheet(diagnosis: Diagnosis) -> list[str]:
    return [text for one in diagnosis.outcomes for text in differences(one.linkup)]


def _stations(diagnosis: Diagnosis) -> list[dict[str, Any]]:
    roles = Roles(diagnosis)
    return [_station(one, roles) for one in diagnosis.facts.stations]


def _station(station: Station, roles: Roles) -> dict[str, Any]:
    return {
        "hardware_addresses": _texts([station.hardware]),
        "addresses": _texts(sorted(station.all_addresses)),
        "maker": station.maker,
        "role": roles.of(station) or None,
        "frames": station.frames,
        "first_frame": station.first.frame,
        "last_frame": station.last.frame,
    }


def _texts(things: Sequence[object]) -> list[str]:
    return [str(thing) for thing in things if thing is not None]


def _text(thing: object) -> str | None:
    return None if thing is None else str(thing)


def _linkup(outcome: Outcome) -> dict[str, Any]:
    linkup = outcome.linkup
    return {
        "pc": {"address": _text(linkup.pc_address), "hardware_address": _text(linkup.pc.hardware)},
        "controller": {
            "address": str(linkup.controller),
            "hardware_address": _text(linkup.hardware),
            "port": linkup.target.port,
            "transport": linkup.target.transport,
            **({"name": linkup.sheet.name} if linkup.sheet and linkup.sheet.name else {}),
        },
        "how_known": HOW_KNOWN[linkup.target.how_known],
        "verdict": str(outcome.verdict),
        "stopped_at": _text(outcome.stopped_at),
        "stages": [
            {
                "stage": str(result.stage),
                "state": str(result.state),
                "because": result.because,
                "frame": result.moment.frame if result.moment else None,
            }
            for result in outcome.stages
        ],
        "timing": _timing(outcome),
        **({"incidents": _incidents(outcome)} if outcome.incidents.count else {}),
    }


def _incidents(outcome: Outcome) -> dict[str, Any]:
    """Every time that it stopped, in seconds; null for what is not recorded. in_common: what was
    looked at and what was found, null with too few to tell.
    """
    found, shared = outcome.incidents, outcome.common
    return {
        "count": found.count,
        "not_counted": {"asleep": len(found.asleep), "clock_set": found.clock_set},
        "list": [
            {
                "sign": str(one.sign),
                "frame": one.began.frame,
                "began": _round(one.began.seconds),
                "last_good": _round(one.last_good.seconds),
                "link_back": _seconds(one.linked),
                "called_again": _seconds(one.called),
                "worked_again": _seconds(one.again),
                "out": None if one.out is None else _round(one.out),
                "calls_in_vain": one.in_vain,
                "silent": _text(one.silent),
                "session_age": None if one.age is None else _round(one.age),
                "requests": one.requests,
                "rest": None if one.rest is None else _round(one.rest),
                "last_request": None if one.kind is None else one.kind._asdict(),
            }
            for one in found.kept
        ],
        "in_common": None
        if shared is None
        else {
            "looked_at": [str(one) for one in shared.looked],
            "found": [
                {
                    "what": str(one.factor),
                    "breaks": [one.hits, one.of],
                    "other_times": [one.other_hits, one.others],
                    "chance": float(f"{one.chance:.3g}"),
                    "least": _round(one.least),
                    "most": _round(one.most),
                    "request": None if one.kind is None else one.kind._asdict(),
                    "who": list(one.who),
                    "as_well": one.as_well and str(one.as_well.factor),
                    "text": text,
                }
                for one, text in zip(shared.patterns, outcome.in_common, strict=False)
            ],
        },
    }


def _seconds(moment: Moment | None) -> float | None:
    return None if moment is None else _round(moment.seconds)


def _timing(outcome: Outcome) -> dict[str, Any]:
    """Seconds: when the first attempt began, how long each step took, null where unknown; what the
    PC tried, alike tries in a row as one; and how the durations of pings, TCP handshakes and
    answers spread: counts in bins, from the shortest to the longest.
    """
    linkup = outcome.linkup
    sessions = [session for session in linkup.sessions if session.answers]
    timed = [one.answer_times for one in sessions if one.is_timed]
    handshakes = [one.handshake_seconds for one in linkup.sessions if one.handshake_seconds]
    asked = [question.asked.first for question in linkup.questions if question.answers]
    arp = linkup.arp_answered
    return {
        "first_attempt": _round(linkup.attempts[0].seconds) if linkup.attempts else None,
        "arp_answer": _round(arp.seconds - min(asked).seconds) if arp and asked else None,
        "handshake": _round(min(handshakes)) if handshakes else None,
        "requests": sum(session.requests for session in linkup.sessions),
        "answers": sum(session.answers for session in sessions),
        "answer_median": _round(timed[0].median) if timed else None,
        "answer_longest": _round(max(one.most for one in timed)) if timed else None,
        "tries": [
            {
                "what": one.what,
                "port": one.port,
                "ending": str(one.how),
                "first": _round(one.first.seconds),
                "last": _round(one.last.seconds),
                "times": one.times,
                "answers": one.answers,
            }
            for one in outcome.tries
        ],
        "durations": [_spread(kind, one) for kind, one in linkup.durations.items()],
    }


def _spread(kind: str, spread: Spread) -> dict[str, Any]:
    return {
        "what": kind,
        "count": spread.count,
        "least": _round(spread.least),
        "median": _round(spread.median),
        "most": _round(spread.most),
        "bins": [
            {
                "from": _round(Spread.begins(number)),
                "to": _round(Spread.begins(number + 1)),
                "count": often,
            }
            for number, often in sorted(spread.bins.items())
        ],
    }


def _round(number: float) -> float:
    return round(number, DIGITS)


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "stage": finding.stage,
        "level": str(finding.level),
        "certainty": str(finding.certainty),
        "pc": _text(finding.pc),
        "controller": _text(finding.controller),
        "title": finding.title,
        "what_happened": finding.what_happened,
        "likely_causes": finding.likely_causes,
        "what_to_do": _steps(finding),
        "cautions": _cautions(finding),
        "also_fits": finding.also_fits,
        "evidence": [
            {
                "frame": one.moment.frame,
                "seconds": _round(one.moment.seconds),
                "text": f"{place(*one.moment)}: {one.text}",
            }
            for one in finding.evidence
        ],
        "values": {name: _value(value) for name, value in finding.values.items()},
        "sources": finding.sources,
    }


def _steps(finding: Finding) -> list[str]:
    """Each step with its caution behind it, and the test that decides at the end."""
    steps = list(finding.what_to_do)
    if finding.confirm.text:
        steps.append(Step(f"To be sure: {finding.confirm.text}", finding.confirm.caution))
    return [f"{one.text} {one.caution}" if one.caution else one.text for one in steps]


def _cautions(finding: Finding) -> list[str]:
    """All of them, and how to make the machine safe where one says to."""
    safe = [MAKE_SAFE] if any(one.make_safe for one in finding.cautions) else []
    return [str(one) for one in (*safe, *finding.cautions)]


def _value(value: object) -> object:
    """Addresses as text, numbers as numbers, several things as a list of those."""
    if isinstance(value, list | tuple):
        return [_value(one) for one in value]
    plain = type(value) in (bool, int, float, str) or value is None
    return value if plain else str(value)
