"""What a bench run hands over: verdicts as data, and their JSON.

The shapes are published (schema 1): editors, scripts and later versions read them. Fields of stages
that a run didn't have are there, empty. Times are microseconds unless the name says otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from hil.stages.typing import TypingFindings

SCHEMA = 1

_Names = TypeVar("_Names", bound=tuple[str, ...])


class Verdict(Enum):
    """How a run, or one stage, ended."""

    PASS = "pass"
    FAIL = "fail"  # the board
    INCOMPLETE = "incomplete"  # nothing wrong found, but not everything proven
    SKIPPED = "skipped"
    ERROR = "error"  # the rig: no port, no answer
    ABORTED = "aborted"


class PositionVerdict(Enum):
    """What is known of one switch and its diode."""

    PROVEN = "proven"
    ANSWERS = "answers"  # seen, but not asked for: it may be another switch's contact
    OPEN = "open"
    REVERSED = "reversed"
    SHORTED = "shorted"
    SWAPPED = "swapped"
    STUCK = "stuck"
    INTERMITTENT = "intermittent"
    CHATTERING = "chattering"
    UNTESTED = "untested"


class LineVerdict(Enum):
    """What is known of one pin and its copper."""

    CLEAR = "clear"
    BRIDGED = "bridged"
    LOW = "low"
    HIGH = "high"
    OPEN = "open"
    WEAK = "weak"
    UNTESTED = "untested"


# Verdicts that say that something has to be mended.
BAD_POSITIONS = frozenset(PositionVerdict) - {
    PositionVerdict.PROVEN,
    PositionVerdict.ANSWERS,
    PositionVerdict.UNTESTED,
}
BAD_LINES = frozenset(LineVerdict) - {LineVerdict.CLEAR, LineVerdict.UNTESTED}


@dataclass(frozen=True, slots=True)
class BounceSide:
    """All presses, or all releases, of one switch. `bounces`: how often its contact went back in all of
    them; `took_us`: of each stroke, from its first edge to its last."""

    bounces: int = 0
    took_us: tuple[int, ...] = ()

    @property
    def longest_us(self) -> int:
        return max(self.took_us, default=0)


@dataclass(frozen=True, slots=True)
class SwitchBounce:
    """How one switch bounces. `drops`: how often its contact let go in the middle of a press. `outlier`: it
    bounces much longer than the others, though not too long."""

    switch: str
    press: BounceSide
    release: BounceSide
    drops: int = 0
    verdict: PositionVerdict | None = None  # chattering, intermittent; untested: once; None: nothing wrong
    outlier: bool = False

    @property
    def longest_us(self) -> int:
        return max(self.press.longest_us, self.release.longest_us)

    @property
    def pooled(self) -> int:
        """Whole presses, with their releases."""
        return min(len(self.press.took_us), len(self.release.took_us))

    def as_json(self) -> dict[str, Any]:
        return {
            "press_us": list(self.press.took_us),
            "release_us": list(self.release.took_us),
            "drops": self.drops,
            "outlier": self.outlier,
        }


@dataclass(frozen=True, slots=True)
class Debounce:
    """What to write for `debounce`; the presses of good switches it rests on, and the longest of them."""

    recommended_ms: int
    rests_on_presses: int
    longest_us: int

    def as_json(self) -> dict[str, Any]:
        return {
            "recommended_ms": self.recommended_ms,
            "rests_on_presses": self.rests_on_presses,
            "longest_us": self.longest_us,
        }


@dataclass(frozen=True, slots=True)
class Blip:
    """A contact or a line that came or went while the case was squeezed. `what`: `SW7`, `GPIO3`, or two lines
    `GPIO3 GPIO4`; `let_go`: it opened, else it closed; `took_us`: how long."""

    what: str
    let_go: bool
    took_us: int
    switches: tuple[str, ...] = ()

    @property
    def in_words(self) -> str:
        verb = "let go" if self.let_go else ("touched" if " " in self.what else "closed")
        return f"{self.what.replace(' ', ' and ')} {verb} for {self.took_us / 1000:.1f} ms"

    def as_json(self) -> dict[str, Any]:
        return {
            "what": self.what,
            "let_go": self.let_go,
            "took_us": self.took_us,
            "switches": list(self.switches),
        }


@dataclass(frozen=True, slots=True)
class Flexed:
    """What squeezing found. `held_us`: per line how long a switch on it was held down meanwhile."""

    blips: tuple[Blip, ...] = ()
    watched_us: int = 0
    held_us: Mapping[str, int] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        return {
            "watched_us": self.watched_us,
            "held_us": dict(self.held_us),
            "blips": [one.as_json() for one in self.blips],
        }


@dataclass(frozen=True, slots=True)
class HeldTogether:
    """What chords found. `neighbours`: pairs on a line whose diodes' joints could touch; `clear`: those of
    them that don't; `bridged`: those that do; `most`: how many switches were held at once, and all seen;
    `chords`: those of the keymap."""

    neighbours: tuple[tuple[str, str], ...] = ()
    clear: tuple[tuple[str, str], ...] = ()
    bridged: tuple[tuple[str, str], ...] = ()
    most: int = 0
    chords: tuple[tuple[str, ...], ...] = ()
    ghosts: tuple[Ghost, ...] = ()
    not_seen: tuple[tuple[str, ...], ...] = ()  # chords that were asked for, and not seen whole

    @property
    def cleared(self) -> int:
        return len(self.clear)

    @property
    def pairs(self) -> int:
        return len(self.neighbours)

    @property
    def verdict(self) -> Verdict:
        if self.bridged or self.ghosts:
            return Verdict.FAIL
        return Verdict.INCOMPLETE if self.not_seen else Verdict.PASS

    def with_what_stands(self, before: HeldTogether, touched: frozenset[str]) -> HeldTogether:
        """This, with what an earlier run had found out about switches that nothing has touched since."""

        def both(now: tuple[_Names, ...], then: tuple[_Names, ...]) -> tuple[_Names, ...]:
            return (*now, *(one for one in then if touched.isdisjoint(one) and one not in now))

        ghosts = (one for one in before.ghosts if touched.isdisjoint(one.rectangle))
        return HeldTogether(
            neighbours=both(self.neighbours, before.neighbours),
            clear=both(self.clear, before.clear),
            bridged=both(self.bridged, before.bridged),
            most=max(self.most, before.most),
            chords=both(self.chords, before.chords),
            ghosts=(*self.ghosts, *(one for one in ghosts if one not in self.ghosts)),
            not_seen=both(self.not_seen, before.not_seen),
        )

    def as_json(self) -> dict[str, Any]:
        return {
            "pairs": {"cleared": len(self.clear), "of": len(self.neighbours)},
            "bridged": [list(one) for one in self.bridged],
            "most": self.most,
            "chords": [list(one) for one in self.chords],
        }


@dataclass(frozen=True, slots=True)
class Position:
    """One switch. `forward`: what the anode's line read with the cathode's line driven low, `backward` the
    other way round, `direct` a switch to ground; "low", "high", or None where nothing could be read."""

    switch: str
    row: str | None
    column: str | None
    verdict: PositionVerdict
    forward: str | None = None
    backward: str | None = None
    direct: str | None = None
    answered_as: str | None = None
    blocked_by: tuple[str, ...] = ()
    presses: int = 0
    bounce: SwitchBounce | None = None  # where the stage `bounce` saw it
    pin: str | None = None  # of a switch to ground

    def as_json(self) -> dict[str, Any]:
        return {
            "switch": self.switch,
            "row": self.row,
            "column": self.column,
            "pin": self.pin,
            "verdict": self.verdict.value,
            "forward": self.forward,
            "backward": self.backward,
            "direct": self.direct,
            "answered_as": self.answered_as,
            "blocked_by": list(self.blocked_by),
            "presses": self.presses,
            "bounces": {
                "press": self.bounce.press.bounces if self.bounce else 0,
                "release": self.bounce.release.bounces if self.bounce else 0,
            },
            "longest_bounce_us": self.bounce.longest_us if self.bounce else None,
            "strokes": None if self.bounce is None else self.bounce.as_json(),
        }


def positions_verdict(positions: Iterable[Position]) -> Verdict:
    """How the stage `positions` ended, by what it says of each switch."""
    verdicts = {one.verdict for one in positions}
    if verdicts & BAD_POSITIONS:
        return Verdict.FAIL
    return Verdict.PASS if verdicts <= {PositionVerdict.PROVEN} else Verdict.INCOMPLETE


@dataclass(frozen=True, slots=True)
class Neighbour:
    """What a line is joined to: a GPIO, or another pin of the package (`RUN`, `IOVDD`, `GND`)."""

    pin: str | None
    package_pin: int | None
    name: str

    def as_json(self) -> dict[str, Any]:
        return {"pin": self.pin, "package_pin": self.package_pin, "name": self.name}


@dataclass(frozen=True, slots=True)
class Line:
    """One GPIO and its copper. `role`: row, column, direct, light, dial or unused. `rise_us`: an int from a
    board that tells no finer (see `hil.rises`)."""

    gpio: int
    package_pin: int
    role: str
    verdict: LineVerdict
    joined: tuple[Neighbour, ...] = ()
    rise_us: float | None = None
    note: str | None = None

    @property
    def pin(self) -> str:
        return f"GPIO{self.gpio}"

    def as_json(self) -> dict[str, Any]:
        return {
            "pin": self.pin,
            "package_pin": self.package_pin,
            "role": self.role,
            "verdict": self.verdict.value,
            "with": [one.as_json() for one in self.joined],
            "rise_us": None if self.rise_us is None else round(self.rise_us),
            "rise_ns": round(1000 * self.rise_us) if isinstance(self.rise_us, float) else None,
            "note": self.note,
        }


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that would explain a fault: what, where to look, and what a meter says there."""

    what: str
    look_at: str
    meter: str
    faults: tuple[str, ...] = ()  # where it is other faults than the one it is listed with: their words
    instead_of: tuple[str, ...] = ()  # further faults of the result that these would stand in for

    def as_json(self) -> dict[str, Any]:
        told: dict[str, Any] = {"what": self.what, "look_at": self.look_at, "meter": self.meter}
        return {**told, "faults": list(self.faults), "instead_of": list(self.instead_of)}


def title_of(kind: str, where: Sequence[str]) -> str:
    """A fault in the words that would plant it: `bridge GPIO3 GPIO4`."""
    return f"cut {where[0]} after {where[1]}" if kind == "cut" else " ".join((kind, *where))


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing to mend. `kind` and `where` are the words that would plant it on a virtual board."""

    kind: str
    where: tuple[str, ...]
    rank: int  # mend in this order, from 1
    causes: tuple[Cause, ...]  # likeliest first; electricity can't tell them apart
    evidence: tuple[str, ...]
    switches: tuple[str, ...] = ()  # the positions that it concerns
    pins: tuple[str, ...] = ()  # the pins that it concerns

    @property
    def alike(self) -> tuple[Cause, ...]:
        """The causes that are other faults, which would read the same in this one's place."""
        return tuple(cause for cause in self.causes if cause.faults)

    @property
    def id(self) -> str:
        return "-".join((self.kind, *self.where))

    @property
    def title(self) -> str:
        return title_of(self.kind, self.where)

    def as_json(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "kind": self.kind,
            "where": list(self.where),
            "rank": self.rank,
            "causes": [one.as_json() for one in self.causes],
            "evidence": list(self.evidence),
            "switches": list(self.switches),
            "pins": list(self.pins),
        }


@dataclass(frozen=True, slots=True)
class Ghost:
    """Three pressed corners that made a fourth answer. The bad diode is the corner across from it.

    `proven`: that diode has been measured conducting both ways."""

    rectangle: tuple[str, str, str, str]
    ghost: str
    suspect: str
    proven: bool

    def as_json(self) -> dict[str, Any]:
        return {
            "rectangle": list(self.rectangle),
            "ghost": self.ghost,
            "suspect": self.suspect,
            "proven": self.proven,
        }


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage of a run: how it ended, what it says nothing about, and how long it took."""

    name: str
    verdict: Verdict
    not_tested: tuple[str, ...] = ()
    seconds: float = 0.0

    def as_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "verdict": self.verdict.value,
            "not_tested": list(self.not_tested),
            "seconds": round(self.seconds, 3),
        }


@dataclass(frozen=True, slots=True)
class LinkCounts:
    """Lines of the wire: how many came, were damaged, got lost, came again; and how often the port did."""

    lines: int = 0
    damaged: int = 0
    lost: int = 0
    resent: int = 0
    reconnects: int = 0

    def as_json(self) -> dict[str, Any]:
        return {
            "lines": self.lines,
            "damaged": self.damaged,
            "lost": self.lost,
            "resent": self.resent,
            "reconnects": self.reconnects,
        }


@dataclass(frozen=True, slots=True)
class Dial:
    """One dial. `clockwise` and `counter_clockwise`: detents that it counted as it was asked to be turned.
    `edges_per_detent`: where it isn't what the file says. `still`: of an `open` one, the pins that nothing
    moved; `still_low`: those of them that read low all the time."""

    name: str
    pin_a: str
    pin_b: str
    verdict: PositionVerdict  # proven, open, swapped (it counts the other way round) or untested
    clockwise: int = 0
    counter_clockwise: int = 0
    edges_per_detent: int | None = None
    still: tuple[str, ...] = ()
    still_low: tuple[str, ...] = ()
    blocked_by: tuple[str, ...] = ()

    @property
    def verdict_in_words(self) -> str:
        """`proven`, and what it does otherwise than the file says though both its pins are good."""
        edges = self.edges_per_detent
        return self.verdict.value + (
            "" if edges is None else f", but with {edges} edges from detent to detent"
        )

    def as_json(self) -> dict[str, Any]:
        return {
            "dial": self.name,
            "pins": [self.pin_a, self.pin_b],
            "verdict": self.verdict.value,
            "detents": {"clockwise": self.clockwise, "counter-clockwise": self.counter_clockwise},
            "edges_per_detent": self.edges_per_detent,
            "blocked_by": list(self.blocked_by),
        }


@dataclass(frozen=True, slots=True)
class Light:
    """One light. `shows`: its indicator or layer. `held`: its pin read otherwise than it was driven.
    `lit_low`: it is wired to the supply, else to ground."""

    pin: str
    shows: str
    verdict: PositionVerdict  # proven (somebody saw it), open (it stayed dark) or untested
    held: bool = False
    blocked_by: tuple[str, ...] = ()
    lit_low: bool = True

    def as_json(self) -> dict[str, Any]:
        return {
            "pin": self.pin,
            "shows": self.shows,
            "verdict": self.verdict.value,
            "blocked_by": list(self.blocked_by),
        }


@dataclass(frozen=True, slots=True)
class Identity:
    """What the board said of itself; None where it said nothing usable."""

    flash_id: str | None = None
    image: str | None = None
    protocol: int | None = None
    wiring: str | None = None
    keymap: str | None = None
    engine: str | None = None

    def as_json(self) -> dict[str, Any]:
        return {
            "flash_id": self.flash_id,
            "image": self.image,
            "protocol": self.protocol,
            "fingerprints": {"wiring": self.wiring, "keymap": self.keymap, "engine": self.engine},
        }


@dataclass(frozen=True, slots=True)
class Result:
    """One run of the bench, or one saved dump read."""

    keyboard: str
    verdict: Verdict
    board: Identity
    after: str
    tool: str  # what touched the switches: "finger" or "tweezers"
    stages: tuple[Stage, ...]
    positions: tuple[Position, ...]
    lines: tuple[Line, ...]
    faults: tuple[Fault, ...]
    ghosting: tuple[Ghost, ...]
    rectangles_exercised: int
    rectangles: int
    stuck: tuple[str, ...]
    unreached: tuple[str, ...]
    suggested_wiring: str | None
    resolution_us: int
    link: LinkCounts
    presses: int
    trouble: str | None = None  # what the rig could not do
    when: str | None = None  # when the run began, as the caller's clock had it
    debounce: Debounce | None = None
    flexed: Flexed | None = None
    together: HeldTogether | None = None
    dials: tuple[Dial, ...] = ()
    lights: tuple[Light, ...] = ()
    notes: tuple[str, ...] = field(default=())
    typing: TypingFindings | None = None

    @property
    def proven(self) -> int:
        return sum(one.verdict is PositionVerdict.PROVEN for one in self.positions)

    @property
    def proven_in_words(self) -> str:
        """ "26 of 26 switches proven", where a run came to that."""
        if any(one.name == "positions" and one.verdict is Verdict.SKIPPED for one in self.stages):
            return "no switch was judged"
        return f"{self.proven} of {len(self.positions)} switches proven"

    @property
    def not_tested(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(text for stage in self.stages for text in stage.not_tested))

    def as_json(self, tool: str) -> dict[str, Any]:
        """The published shape. `tool` names the program and its version."""
        return {
            "schema": SCHEMA,
            "tool": tool,
            "keyboard": self.keyboard,
            "when": self.when,
            "verdict": self.verdict.value,
            "trouble": self.trouble,
            "board": self.board.as_json(),
            "after": self.after,
            "with": self.tool,
            "stages": [one.as_json() for one in self.stages],
            "positions": [one.as_json() for one in self.positions],
            "lines": [one.as_json() for one in self.lines],
            "faults": [one.as_json() for one in self.faults],
            "ghosting": [one.as_json() for one in self.ghosting],
            "rectangles": {"exercised": self.rectangles_exercised, "of": self.rectangles},
            "stuck": list(self.stuck),
            "unreached": list(self.unreached),
            "suggested_wiring": self.suggested_wiring,
            "debounce": None if self.debounce is None else self.debounce.as_json(),
            "flex": None if self.flexed is None else self.flexed.as_json(),
            "together": None if self.together is None else self.together.as_json(),
            "dials": [one.as_json() for one in self.dials],
            "lights": [one.as_json() for one in self.lights],
            "resolution_us": self.resolution_us,
            "link": self.link.as_json(),
            "presses": self.presses,
            "typing": None if self.typing is None else self.typing.as_json(),
            "notes": list(self.notes),
        }
