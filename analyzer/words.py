"""The only place where numbers become words, and where foreign text is made harmless."""

import re
import string
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

IF = ("if ", "if, ", "if; ")
"""How a wording begins that is said only where there is something to say."""


def say(template: str, values: Mapping[str, object]) -> str:
    """Fill a template. Raises KeyError for an unknown name, ValueError for an unknown wording.

    `{tries:times}` says a count ("once", "3 times"), `{gap:seconds}` a duration, `{gap:within}`
    a duration with a lead-in or nothing, `{wanted:list}` several things, `{name:quoted}` a foreign
    text, `{n:count frame}` a
    number with its noun. `{n:if, and {n:count frame} came late}` says what follows "if" only where
    there is something: not for 0, None, False or nothing. Text from a recording is cleaned.
    """
    if "{" not in template:
        return template.strip()
    return _SPEAKER.vformat(template, (), values).strip()


OPTIONAL = ("label", "unit", "mask")
"""Wordings that say nothing, or that nothing is known, where there is no value."""


UNKNOWN = re.compile(r"<\w+>")
"""How a value is named that an example lacks."""


def outline(template: str, example: Mapping[str, object]) -> str:
    """A template for reading, filled as far as an example goes: a value that it lacks is named:
    "<n>", and a clause about one is left out.
    """
    text = "".join(
        text + (_outlined(name, spec or "", example) if name else "")
        for text, name, spec, _ in string.Formatter().parse(template)
    )
    return " ".join(text.split())


def _outlined(name: str, spec: str, example: Mapping[str, object]) -> str:
    if spec.startswith(IF):
        lead = " " if spec.startswith("if ") else ""
        told = outline(spec.removeprefix("if"), example) if example.get(name) else ""
        return f"{lead}{told}{' ' if spec.endswith(' ') else ''}" if told else ""
    value = example.get(name)
    if spec in OPTIONAL or value not in (None, []):
        return _SPEAKER.format_field(value, spec)
    if spec.startswith("count "):
        return count(0, spec.removeprefix("count ")).replace("0", f"<{name}>", 1)
    return f" within <{name}>" if spec == "within" else f"<{name}>"


@lru_cache(maxsize=4096)
def _pieces(template: str) -> tuple[tuple[str, str | None, str | None, str | None], ...]:
    """A template taken apart: the same few are filled for every link-up."""
    return tuple(string.Formatter().parse(template))


class _Speaker(string.Formatter):
    def parse(self, template: Any) -> Iterator[Any]:
        return iter(_pieces(template))

    def format_field(self, value: Any, spec: str) -> str:
        if spec in _WORDINGS:
            return _WORDINGS[spec](value)
        if spec.startswith(IF):
            return spec.removeprefix("if") if value else ""
        if spec.startswith("count "):
            return count(value, spec.removeprefix("count "))
        if spec:
            raise ValueError(f"there is no wording {spec!r}")
        return clean(str(value))


def clean(text: str) -> str:
    """Text that no terminal, plain code page or reader can be misled by: printable ASCII."""
    return "".join(
        letter if " " <= letter <= "~" else letter.encode("unicode_escape").decode("ascii")
        for letter in text
    )


LONGEST_QUOTED = 60
"""Letters of a foreign text inside a sentence: with its quotes it fits into a line of text, where
it is never broken."""


def quoted(text: str, most: int = LONGEST_QUOTED) -> str:
    """Foreign text inside words of the program, marked as such: in quotes that only its own end
    closes, on one line, with single blanks, of so many letters at most; its end is kept.
    """
    return f'"{ending(unspaced(text), most)}"'


LONGEST_NAME = 255
"""Letters of a name that has a line of its own, to be copied: those of file systems are shorter."""
LONGEST_IN_A_CELL = 20
"""Letters of a foreign text in a cell of a table, which is never made so narrow that it breaks."""


def unspaced(text: str) -> str:
    """Foreign text without anything that could steer how lines are broken or quotes are closed."""
    return unbroken(text).replace('"', "'")


def unbroken(text: str) -> str:
    """A text on one line, with single blanks."""
    return clean(" ".join(text.split()))


SENTENCE_ENDS = re.compile(r"(?<=[.!?]) (?=[A-Z0-9])")
"""Where one sentence ends and the next begins: a point inside a number has no space behind it."""
LONGEST_SENTENCE = 250
"""Letters: no sentence of 28 words with addresses in it is longer."""


def opening(text: str, most: int) -> str:
    """As many of its first sentences as fit into so many letters; the first one at least, cut short
    where it holds a text from outside that never ends.
    """
    kept, *more = SENTENCE_ENDS.split(text)
    for sentence in more:
        if len(kept) + 1 + len(sentence) > most:
            break
        kept = f"{kept} {sentence}"
    return kept if len(kept) <= LONGEST_SENTENCE else f"{kept[: LONGEST_SENTENCE - 3]}..."


def ending(text: str, most: int) -> str:
    """So many letters of a text at most: its end, where names differ most."""
    return text if len(text) <= most else f"...{text[3 - most :]}"


def middle_out(text: str, most: int) -> str:
    """So many letters of a text at most: its beginning and its end."""
    half = (most - 3) // 2
    return text if len(text) <= most else f"{text[:half]}...{text[-half:]}"


def times(number: int) -> str:
    """1 -> "once"."""
    return {1: "once", 2: "twice"}.get(number, f"{number:,} times")


VOWELS = "aeiou"


def count(number: int, noun: str) -> str:
    """1, "frame" -> "1 frame"."""
    if noun.endswith("y") and noun[-2] not in VOWELS:
        plural = noun[:-1] + "ies"
    else:
        plural = noun + ("es" if noun.endswith("s") else "s")
    return f"{number:,} {noun if number == 1 else plural}"


DAYS_FROM = 48
"""Hours from which on days are told."""


def seconds(duration: float) -> str:
    """0.0042 -> "4.2 ms"; 75.0 -> "1 min 15 s"; 120.0 -> "2 min"; 180000.0 -> "2 days 2 h"."""
    if duration < 0.0005:
        return "less than 1 ms"
    if duration < 0.9995:
        thousandths = duration * 1000
        return f"{thousandths:.1f} ms" if thousandths < 9.95 else f"{thousandths:.0f} ms"
    if duration < 59.95:
        return f"{duration:.1f} s"
    minutes, rest = divmod(round(duration), 60)
    if minutes < 60:
        return f"{minutes} min" + (f" {rest} s" if rest else "")
    hours, rest = divmod(minutes, 60)
    if hours < DAYS_FROM:
        return f"{hours} h" + (f" {rest} min" if rest else "")
    days, rest = divmod(hours, 24)
    return count(days, "day") + (f" {rest} h" if rest else "")


def span(begin: float, end: float) -> str:
    """Seconds of a recording: "2.7-10.4"; "2.7" where both are told alike."""
    first, last = f"{begin:.1f}", f"{end:.1f}"
    return first if first == last else f"{first}-{last}"


def milliseconds(duration: float) -> str:
    """0.00025 -> "0.25 ms"; from a second on as `seconds`."""
    return f"{duration * 1000:.3g} ms" if duration < 0.9995 else seconds(duration)


def within(duration: float) -> str:
    """2.0 -> " within 2.0 s"; nothing for a single moment."""
    return f" within {seconds(duration)}" if duration > 0 else ""


def listed(things: Sequence[object]) -> str:
    """["a", "b", "c"] -> "a, b and c"."""
    words = [clean(str(thing)) for thing in things]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def again(number: int) -> str:
    """1 -> nothing, 2 -> " again"; for a sentence about one of several frames.

    No count: those listed need not be all.
    """
    return " again" if number > 1 else ""


def place(frame: int, at: float) -> str:
    """Where a frame stands: "frame 12, 1.004 s"."""
    return f"frame {frame:,}, {at:.3f} s"


def mask_source(known: bool) -> str:
    """How sure a mask is."""
    return "" if known else " (presumed: the recording names no mask)"


def label(hardware: object | None) -> str:
    """Which hardware address the site sheet gives for the controller, or nothing."""
    known = f" By the site sheet, the controller's own hardware address is {hardware}."
    return "" if hardware is None else known


def protocol(name: str | None) -> str:
    """What is spoken in a session."""
    unknown = "a protocol that is not known here: only its timing and direction are judged"
    return unknown if name is None else clean(name)


def unit(number: int | None) -> str:
    """Which unit a request is for, or nothing."""
    return "" if number is None else f" to unit number {number}"


_WORDINGS: dict[str, Callable[[Any], str]] = {
    "times": times,
    "seconds": seconds,
    "within": within,
    "list": listed,
    "mask": mask_source,
    "label": label,
    "protocol": protocol,
    "unit": unit,
    "quoted": quoted,
}
_SPEAKER = _Speaker()
