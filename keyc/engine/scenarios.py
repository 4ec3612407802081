"""Scenarios: what the keymap file says its keys do, tried on the C engine that goes into the board.

The fingers close switches of an ideal board (`hil/board.py`), the engine scans it, a host takes a
report each millisecond, and `expect` compares what the host saw.

* Time passes in `tap` (20 ms unless it says otherwise), `wait` and `expect`, and each change of a switch
  takes one scan, so that changes keep their order.
* A switch that moves twice without a `wait` in between (`tap SW5 tap SW5`, `down SW5 up SW5`) has its
  first move debounced before the second. A time that is written, in `wait` or `tap`, stands as it is.
* `expect` first waits until all that happened is debounced and told, then compares the presses since
  the last `expect`. A modifier counts alone only if no other key came while it was down; if it is
  still down, if none has come so far.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from keyc.diagnostics import Diagnostic, Label, UserError
from keyc.keyboard import Down, Expect, Keyboard, Press, Scenario, Step, Tap, Timing, Up, Usage, Wait
from keyc.table_rows import KIND_SHIFT
from keyc.tables import tables_of
from keyc.usages import (
    BUTTON_PAGE,
    CONSUMER_PAGE,
    FIRST_MODIFIER,
    GENERIC_DESKTOP_PAGE,
    KEYBOARD_PAGE,
    is_modifier,
    modifier_name,
    short_names,
    written,
)

if TYPE_CHECKING:
    from hil.board import Board
    from keyc.engine.engine import Engine, Report
    from keyc.engine.library import EngineLibrary
    from keyc.source import Span
    from keyc.table_rows import Tables

SCAN_US = 125
_TELL_US = 1_000_000  # longest that the host may take for what is queued
_STROKE_US = 4_000  # what a stroke of a sequence takes at most: down and up, each told by itself
_TIME_LINE_ROWS = 12
_STILL = (0, 0, 0, 0)
_RESTARTED = "the board restarts into its own drive"
_WAYS = (("right", "left"), ("down", "up"))
_TURNS = (("up", "down"), ("right", "left"))


@dataclass(frozen=True, slots=True)
class Moment:
    """One entry of a time line: what the finger did, or what the host was told then.

    `came` is set where an `expect` stands: what it found; and where `usb-boot` ends it all. `moved` is what
    a report of the pointer told: how far to the right and down, and the wheel up and to the right.
    """

    time_us: int
    finger: str | None = None
    held: tuple[str, ...] | None = None
    came: str | None = None
    moved: tuple[int, ...] = _STILL


@dataclass(frozen=True, slots=True)
class Failure:
    """The `expect` that was not met."""

    span: Span
    expected: str
    came: str
    time_line: tuple[Moment, ...]


@dataclass(frozen=True, slots=True)
class ScenarioResult:
    """One scenario, run until its end or its first failure. `expected` and `got` are presses, as
    they are written, of every `expect` up to there."""

    scenario: Scenario
    expected: tuple[str, ...]
    got: tuple[str, ...]
    reports: tuple[Report, ...]
    failure: Failure | None
    time_line: tuple[Moment, ...] = ()

    @property
    def passed(self) -> bool:
        return self.failure is None


def run(keyboard: Keyboard) -> list[ScenarioResult]:
    """Runs every scenario of a keyboard, each on a board just plugged in.

    UserError (exit status 3) if the engine isn't built yet and there is no C compiler.
    """
    if not keyboard.scenarios:
        return []
    from hil.board import Board
    from keyc.engine.library import load

    library, tables, board = load(), tables_of(keyboard), Board(keyboard.wiring)
    return [_run_one(scenario, keyboard, library, tables, board) for scenario in keyboard.scenarios]


def findings(keyboard: Keyboard) -> list[Diagnostic]:
    """What `check` says about the scenarios: those that fail, or that they could not be run."""
    try:
        return diagnostics_of(run(keyboard))
    except UserError as error:
        count = len(keyboard.scenarios)
        what = "the scenario was" if count == 1 else f"the {count} scenarios were"
        message = f"{what} not run: {error.message}"
        return [Diagnostic("scenario-not-run", "warning", message, keyboard.scenarios[0].span, error.help)]


def diagnostics_of(results: Iterable[ScenarioResult]) -> list[Diagnostic]:
    """An error for each scenario that failed, at the `expect` that was not met."""
    return [_diagnostic(result.scenario, result.failure) for result in results if result.failure]


def _diagnostic(scenario: Scenario, failure: Failure) -> Diagnostic:
    return Diagnostic(
        "scenario-failed",
        "error",
        f"scenario “{scenario.name}”: expected {failure.expected}, but {failure.came}",
        failure.span,
        "if the keyboard does what you want, change the `expect`; else change the layers or the timing",
        (Label("not met", failure.span), Label(_drawn(failure.time_line), failure.span)),
    )


def _drawn(moments: Sequence[Moment]) -> str:
    rows = [TIME_LINE_HEAD, *time_line_rows(moments)[-_TIME_LINE_ROWS:]]
    width = max(len(row[1]) for row in rows)
    return "\n".join(f"{time:>7}  {finger:<{width}}  {sees}".rstrip() for time, finger, sees in rows)


TIME_LINE_HEAD = ("time", "finger", "the computer sees")


def time_line_rows(moments: Iterable[Moment]) -> list[tuple[str, str, str]]:
    """Rows of a time line: when, what the finger does, what the computer sees. Moves of the pointer that
    follow one another share a row, at the first one's time."""
    rows: list[tuple[str, str, str]] = []
    way: tuple[int, ...] = _STILL
    before: Moment | None = None
    for moment in moments:
        goes_on = before is not None and moment.moved != _STILL and before.moved != _STILL
        if goes_on and before is not None and before.held == moment.held:
            way = tuple(map(sum, zip(way, moment.moved, strict=True)))
            rows[-1] = (*rows[-1][:2], _seen_by_computer(moment, way))
        else:
            way = moment.moved
            time = f"{moment.time_us / 1000:.0f} ms"
            rows.append((time, moment.finger or "", _seen_by_computer(moment, way)))
        before = moment
    return rows


def _seen_by_computer(moment: Moment, way: tuple[int, ...]) -> str:
    if moment.held is None:
        return moment.came or ""
    moves = (("pointer", _ways(way[:2], _WAYS)), ("wheel", _ways(way[2:], _TURNS)))
    told = [f"{what} {', '.join(ways)}" for what, ways in moves if ways]
    if told:
        return " ".join((*moment.held, ", ".join(told)))
    return " ".join(moment.held) or "nothing held"


def _ways(way: Sequence[int], names: Sequence[tuple[str, str]]) -> list[str]:
    """Such as `3 left`; a way that isn't gone isn't said."""
    pairs = zip(way, names, strict=True)
    return [f"{abs(steps)} {back if steps < 0 else forth}" for steps, (forth, back) in pairs if steps]


def held_names(presses: Iterable[Usage]) -> tuple[str, ...]:
    """The names of usages that are down, modifiers first (`ShiftLeft`, `KeyA`)."""
    ordered = sorted(presses, key=lambda usage: (not is_modifier(usage), usage.page, usage.id))
    return tuple(written(usage) for usage in ordered)


def usages_in(report: Report) -> frozenset[Usage]:
    """What one report says is down."""
    data = report.bytes
    if report.which == "consumer":
        ids = (int.from_bytes(data[n : n + 2], "little") for n in range(0, len(data), 2))
        return frozenset(Usage(CONSUMER_PAGE, number) for number in ids if number)
    if report.which == "pointer":
        return frozenset(Usage(BUTTON_PAGE, n) for n in range(1, 9) if data[0] >> (n - 1) & 1)
    if report.which == "system":
        return frozenset(Usage(GENERIC_DESKTOP_PAGE, number) for number in data if number)
    bits = int.from_bytes(data[8:], "little") | data[0] << FIRST_MODIFIER
    return frozenset(
        Usage(KEYBOARD_PAGE, number) for number in range(bits.bit_length()) if bits >> number & 1
    )


def motion_in(report: Report) -> tuple[int, ...]:
    """How far one report moves the pointer and the wheel: right, down, the wheel up, the wheel right."""
    if report.which != "pointer":
        return _STILL
    return tuple(byte - 256 if byte > 127 else byte for byte in report.bytes[1:5])


def press_in_short(press: Press) -> str:
    """A press as people write it: `Shift+A`, `Tab`, `AltRight+E`."""
    short = {full: name for name, full in short_names().items()}
    names = [*map(modifier_name, press.modifiers), written(press.usage)]
    return "+".join(short.get(name, name) for name in names)


def _same(one: Press, other: Press) -> bool:
    """Of modifiers alone the order doesn't matter: Control+Shift is Shift+Control."""
    return _parts(one) == _parts(other)


def _parts(press: Press) -> tuple[Usage | None, frozenset[int]]:
    if is_modifier(press.usage):
        return None, frozenset((*press.modifiers, press.usage.id))
    return press.usage, frozenset(press.modifiers)


@dataclass(slots=True)
class _Seen:
    """A press that the host saw. While `undecided` modifiers are down it may yet turn out to be only
    what another key was pressed with."""

    press: Press
    undecided: frozenset[int] = frozenset()


@dataclass(slots=True)
class _HostView:
    """What a computer makes of the reports: what is down, and the presses so far."""

    down: dict[str, frozenset[Usage]] = field(default_factory=dict)
    seen: list[_Seen] = field(default_factory=list)

    @property
    def held(self) -> frozenset[Usage]:
        return frozenset().union(*self.down.values())

    def take(self, report: Report) -> None:
        before = self.held
        self.down[report.which] = usages_in(report)
        held = self.held
        modifiers = frozenset(usage.id for usage in held if is_modifier(usage))
        new = held - before
        if new:
            self.seen = [seen for seen in self.seen if not seen.undecided]
        new_keys = sorted((u for u in new if not is_modifier(u)), key=lambda u: (u.page, u.id))
        for usage in new_keys:
            self.seen.append(_Seen(Press(usage, tuple(sorted(modifiers)))))
        new_modifiers = frozenset(usage.id for usage in new if is_modifier(usage))
        if new_modifiers and not new_keys:
            *others, last = sorted(modifiers)
            self.seen.append(_Seen(Press(Usage(KEYBOARD_PAGE, last), tuple(others)), new_modifiers))
        for seen in self.seen:
            if not seen.undecided & modifiers:
                seen.undecided = frozenset()

    def take_presses(self) -> tuple[Press, ...]:
        presses = tuple(seen.press for seen in self.seen)
        self.seen = []
        return presses


class _Run:
    """One scenario on one engine."""

    def __init__(self, engine: Engine, board: Board, keyboard: Keyboard, tables: Tables) -> None:
        self._engine = engine
        self._board = board
        timing = keyboard.timing
        self._rules_us = _longest_rule_us(timing)
        self._typing_us = _longest_typing_us(tables)
        self._debounce_us = {
            switch.name: timing.for_switch.get(switch.name, timing.debounce).time_us
            for switch in keyboard.wiring.switches
        }
        self._closed: frozenset[str] = frozenset()
        self._ended = False  # restarted into the ROM
        self._moved_us: dict[str, int] = {}  # since the last time that was written
        self._now_us = 0
        self.host = _HostView()
        self.reports: list[Report] = []
        self.moments: list[Moment] = []
        self._since = 0  # the moments from here on have come since the last `expect`
        self._show_board()

    def _show_board(self) -> None:
        table = self._board.table(self._closed)
        self._engine.set_lines(
            table.at_rest.low, table.pulled_down.low, [row.low for row in table.driven], table.rise_ns
        )

    def wait(self, time_us: int) -> None:
        self._now_us += time_us
        self._take(self._engine.run_until(self._now_us))

    def wait_until_told(self) -> None:
        longest_us = max(self._debounce_us.values()) + self._typing_us + _TELL_US
        self._take(self._engine.run_until_told(self._now_us + longest_us))
        self._now_us = max(self._now_us, self._engine.now_us)

    def _take(self, reports: Sequence[Report]) -> None:
        for report in reports:
            self.host.take(report)
            held = held_names(self.host.held)
            self.moments.append(Moment(report.time_us, None, held, moved=motion_in(report)))
        self.reports += reports
        if self._engine.restarted and not self._ended:
            self._ended = True
            self.moments.append(Moment(self._engine.now_us, None, came=_RESTARTED))

    def go_on(self) -> None:
        """Until all that has happened is decided and told."""
        self.wait_until_told()
        self.wait(self._rules_us)
        self.wait_until_told()

    def note_expect(self, step: Expect, failure: Failure | None) -> None:
        words = " ".join(step.texts) or ("nothing-held" if step.nothing_held else "nothing")
        came = "not met" if failure else "as expected"
        self.moments.append(Moment(self._now_us, f"expect {words}", came=came))
        self._since = len(self.moments)

    @property
    def since_expect(self) -> tuple[Moment, ...]:
        return tuple(self.moments[self._since :])

    def move(self, switch: str, *, down: bool) -> None:
        if down == (switch in self._closed):
            return
        if switch in self._moved_us:
            settled_us = self._moved_us[switch] + self._debounce_us[switch] + 2 * SCAN_US
            self.wait(max(0, settled_us - self._now_us))
        self._closed ^= {switch}
        self._show_board()
        self.moments.append(Moment(self._now_us, f"{switch} {'down' if down else 'up'}"))
        self._moved_us[switch] = self._now_us
        self.wait(SCAN_US)

    def do(self, step: Step) -> None:
        match step:
            case Tap(switch, time_us):
                self.move(switch, down=True)
                self.wait(max(0, time_us - SCAN_US))
                self._moved_us.pop(switch, None)
                self.move(switch, down=False)
            case Down(switch):
                self.move(switch, down=True)
            case Up(switch):
                self.move(switch, down=False)
            case Wait(time_us):
                self._moved_us.clear()
                self.wait(time_us)
            case Expect():
                self._moved_us.clear()
                self.wait_until_told()


def _run_one(
    scenario: Scenario, keyboard: Keyboard, library: EngineLibrary, tables: Tables, board: Board
) -> ScenarioResult:
    from keyc.engine.engine import Engine

    running = _Run(Engine(library, tables), board, keyboard, tables)
    expected: list[str] = []
    got: list[str] = []
    failure = None
    for step in scenario.steps:
        running.do(step)
        if isinstance(step, Expect):
            presses = running.host.take_presses()
            expected += step.texts
            got += map(press_in_short, presses)
            failure = _failure(step, presses, running)
            running.note_expect(step, failure)
            if failure:
                break
    if scenario.steps and not isinstance(scenario.steps[-1], Expect):
        running.go_on()
    reports, moments = tuple(running.reports), tuple(running.moments)
    return ScenarioResult(scenario, tuple(expected), tuple(got), reports, failure, moments)


def _longest_rule_us(timing: Timing) -> int:
    every = (timing.rules, *timing.rules_for.values())
    return max(max(rules.hold_after_us, rules.chord_within_us, rules.taps_within_us) for rules in every)


def _longest_typing_us(tables: Tables) -> int:
    """What the longest sequence takes to type."""
    every = tables.further.sequences if tables.further else ()
    return max((sum(map(_stroke_us, strokes)) for strokes in every), default=0)


def _stroke_us(stroke: int) -> int:
    return _STROKE_US if stroke >> KIND_SHIFT else stroke * 1000


def _failure(step: Expect, presses: Sequence[Press], running: _Run) -> Failure | None:
    met = len(presses) == len(step.presses) and all(map(_same, presses, step.presses))
    held = held_names(running.host.held)
    if met and not (step.nothing_held and held):
        return None
    wanted = " ".join(f"`{text}`" for text in step.texts) or "no press"
    if step.nothing_held:
        wanted = "no press, and nothing held"
    if met:
        came = f"{' and '.join(held)} {'is' if len(held) == 1 else 'are'} still held"
    else:
        came = (
            " ".join(f"`{press_in_short(press)}`" for press in presses) + " came" if presses else "none came"
        )
    return Failure(step.span, wanted, came, running.since_expect)
