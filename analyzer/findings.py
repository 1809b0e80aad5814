"""What rules are, and what they find: plain data."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple

from analyzer.cautions import Caution
from analyzer.common import Factor as Factor
from analyzer.facts import Address, Moment
from analyzer.linkup import Case, LinkUp, Silence, Stage

RECORDING = "recording"
"""The stage of rules about the recording itself."""

STAGES = (RECORDING, *Stage)


class Level(StrEnum):
    """fault: explains why link-up stopped or broke; warning: will bite, or spoils the evidence;
    note: worth knowing.
    """

    FAULT = "fault"
    WARNING = "warning"
    NOTE = "note"


class Certainty(StrEnum):
    """shown: frames prove it; fits: frames agree, and so would the listed alternatives."""

    SHOWN = "shown"
    FITS = "fits"


class Need(StrEnum):
    """What a rule cannot do without, and how its lack is told."""

    IPV4 = "the controllers are called over IPv6, where rules about IPv4 see nothing"
    HARDWARE = "the recording holds no hardware addresses"
    FRAMES = "the recording holds no frames"
    LINKUP = "no attempt to reach a controller was found"
    PC = "it is not clear which station is the PC"


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """Something to do, and what to be careful of when doing it. about: the name of the only cause
    that it looks into; where that is ruled out, it is not told.
    """

    text: str
    caution: Caution | None = None
    about: str = ""


class Sighting(NamedTuple):
    """What a rule saw.

    values: what the rule's text is filled with, beside `pc`, `controller`, `port` and `label` (the
    hardware address on the controller's label), which the engine knows; frames: moments by the key
    of the rule's evidence texts, those that show it best first, None for what is not recorded;
    linkup: whose, filled in where the rule was asked about one; level, stage: where they differ
    from the rule's; silence: where nothing answered, which tells how sure that is; likeliest: the
    name of the cause that it favours; ruled_out: names of the causes, and of what would look the
    same, that the recording rules out.
    """

    values: Mapping[str, object]
    frames: Mapping[str, Sequence[Moment | None]]
    linkup: LinkUp | None = None
    certainty: Certainty = Certainty.SHOWN
    level: Level | None = None
    stage: Stage | None = None
    silence: Silence | None = None
    likeliest: str = ""
    ruled_out: Collection[str] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Rule:
    """One trouble: how to see it (`find` or `survey`, without words) and what to say (without
    logic).

    find: what is asked of each link-up; survey: what is asked of the whole recording; a rule has
    one of the two. Texts are filled with the values of a sighting, and with `fits`: whether its
    certainty is that.

    means: what follows from what was recorded; likely_causes: by name, most likely first;
    what_to_do: in order, cheapest and safest first; also_fits: what would look the same, by name;
    looks_alike: innocent traffic that the rule stays quiet about; patterns: by what several breaks
    have in common, the names of the causes that it fits, most likely first: it speaks against the
    other causes named there; confirm: the test that decides; confirm_caution: what to be careful
    of in it; evidence: a sentence a frame, by the keys of Sighting.frames; explains: slugs of rules
    whose findings about the same link-up are only consequences of this one; sources: standards and
    sections.
    """

    slug: str
    stage: str
    title: str
    what_happened: str
    means: str
    likely_causes: Mapping[str, str]
    what_to_do: tuple[Step, ...]
    evidence: Mapping[str, str]
    find: Callable[[LinkUp], Iterable[Sighting]] | None = None
    survey: Callable[[Case], Iterable[Sighting]] | None = None
    level: Level = Level.FAULT
    cautions: tuple[Caution, ...] = ()
    also_fits: Mapping[str, str] = field(default_factory=dict)
    looks_alike: tuple[str, ...] = ()
    patterns: Mapping[Factor, Sequence[str]] = field(default_factory=dict)
    confirm: str = ""
    confirm_caution: Caution | None = None
    explains: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    needs: frozenset[Need] = frozenset({Need.LINKUP})


class Evidence(NamedTuple):
    """One frame and what it shows."""

    moment: Moment
    text: str


class Texts(NamedTuple):
    """All that is said of a finding; see the properties of Finding."""

    title: str
    what_happened: str
    means: str
    likely_causes: list[str]
    confirm: Step
    what_to_do: list[Step]
    cautions: list[Caution]
    also_fits: list[str]
    evidence: list[Evidence]


@dataclass(eq=False)
class Finding:
    """A sighting, ready to be reported. moment: the frame that shows it best; put_into_words: fills
    its texts, which is done when somebody reads them, and once.
    """

    rule: str
    stage: str
    level: Level
    certainty: Certainty
    pc: Address | None
    controller: Address | None
    moment: Moment | None
    values: dict[str, object]
    sources: list[str]
    linkup: LinkUp | None = field(repr=False)
    put_into_words: Callable[[], Texts] = field(repr=False)

    @cached_property
    def texts(self) -> Texts:
        """Everything that is said of it."""
        return self.put_into_words()

    @property
    def title(self) -> str:
        """The finding in one line."""
        return self.texts.title

    @property
    def what_happened(self) -> str:
        """What was seen and what it means."""
        return self.texts.what_happened

    @property
    def means(self) -> str:
        """The latter alone."""
        return self.texts.means

    @property
    def likely_causes(self) -> list[str]:
        """Most likely first."""
        return self.texts.likely_causes

    @property
    def confirm(self) -> Step:
        """The test that decides."""
        return self.texts.confirm

    @property
    def what_to_do(self) -> list[Step]:
        """In order, cheapest and safest first."""
        return self.texts.what_to_do

    @property
    def cautions(self) -> list[Caution]:
        """Those of the rule, and those of each step, each once."""
        return self.texts.cautions

    @property
    def also_fits(self) -> list[str]:
        """What would look the same, and what weakens the finding."""
        return self.texts.also_fits

    @property
    def evidence(self) -> list[Evidence]:
        """Frames, and what each shows."""
        return self.texts.evidence
