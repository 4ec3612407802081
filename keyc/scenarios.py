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
from keyc.keyboard import Down, Expect, Keyboard, Press, Scenario, Step, Tap, Up, Usage, Wait
from keyc.tables import (
    FIRST_MODIFIER,
    LAST_MODIFIER,
    PAGE_BUTTON,
    PAGE_CONSUMER,
    PAGE_DESKTOP,
    PAGE_KEYBOARD,
    tables_of,
)
from keyc.usages import modifier_name, short_names, written

if TYPE_CHECKING:
    from hil.board import Board
    from keyc.engine import Engine, EngineLibrary, Report
    from keyc.source import Span
    from keyc.tables import Tables

SCAN_US = 125
_TELL_US = 1_000_000  # longest that the host may take for what is queued
_TIME_LINE_ROWS = 12


@dataclass(frozen=True, slots=True)
class Moment:
    """One entry of a time line: what the finger did, or what the host was told then."""

    time_us: int
    finger: str | None
    held: tuple[str, ...] | None


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

    @property
    def passed(self) -> bool:
        return self.failure is None

    @property
    def failed_step_span(self) -> Span | None:
        return self.failure.span if self.failure else None


def run(keyboard: Keyboard) -> list[ScenarioResult]:
    """Runs every scenario of a keyboard, each on a board just plugged in.

    UserError (exit status 3) if the engine isn't built yet and there is no C compiler.
    """
    if not keyboard.scenarios:
        return []
    from hil.board import Board
    from keyc.engine import load

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
    rows = [("time", "finger", "the computer sees")]
    for moment in moments[-_TIME_LINE_ROWS:]:
        held = "" if moment.held is None else " ".join(moment.held) or "nothing held"
        rows.append((f"{moment.time_us / 1000:.0f} ms", moment.finger or "", held))
    width = max(len(row[1]) for row in rows)
    return "\n".join(f"{time:>7}  {finger:<{width}}  {held}".rstrip() for time, finger, held in rows)


def held_names(presses: Iterable[Usage]) -> tuple[str, ...]:
    """The names of usages that are down, modifiers first (`ShiftLeft`, `KeyA`)."""
    ordered = sorted(presses, key=lambda usage: (not _is_modifier(usage), usage.page, usage.id))
    return tuple(written(usage) for usage in ordered)


def usages_in(report: Report) -> frozenset[Usage]:
    """What one report says is down."""
    data = report.bytes
    if report.which == "consumer":
        ids = (int.from_bytes(data[n : n + 2], "little") for n in range(0, len(data), 2))
        return frozenset(Usage(PAGE_CONSUMER, number) for number in ids if number)
    if report.which == "pointer":
        return frozenset(Usage(PAGE_BUTTON, n) for n in range(1, 9) if data[0] >> (n - 1) & 1)
    if report.which == "system":
        return frozenset(Usage(PAGE_DESKTOP, number) for number in data if number)
    bits = int.from_bytes(data[8:], "little") | data[0] << FIRST_MODIFIER
    return frozenset(
        Usage(PAGE_KEYBOARD, number) for number in range(bits.bit_length()) if bits >> number & 1
    )


def written_press(press: Press) -> str:
    """A press as people write it: `Shift+A`, `Tab`, `AltRight+E`."""
    short = {full: name for name, full in short_names().items()}
    names = [*map(modifier_name, press.modifiers), written(press.usage)]
    return "+".join(short.get(name, name) for name in names)


def _is_modifier(usage: Usage) -> bool:
    return usage.page == PAGE_KEYBOARD and FIRST_MODIFIER <= usage.id <= LAST_MODIFIER


def _same(one: Press, other: Press) -> bool:
    """Of modifiers alone the order doesn't matter: Control+Shift is Shift+Control."""
    return _parts(one) == _parts(other)


def _parts(press: Press) -> tuple[Usage | None, frozenset[int]]:
    if _is_modifier(press.usage):
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
        modifiers = frozenset(usage.id for usage in held if _is_modifier(usage))
        new = held - before
        if new:
            self.seen = [seen for seen in self.seen if not seen.undecided]
        new_keys = sorted((u for u in new if not _is_modifier(u)), key=lambda u: (u.page, u.id))
        for usage in new_keys:
            self.seen.append(_Seen(Press(usage, tuple(sorted(modifiers)))))
        new_modifiers = frozenset(usage.id for usage in new if _is_modifier(usage))
        if new_modifiers and not new_keys:
            *others, last = sorted(modifiers)
            self.seen.append(_Seen(Press(Usage(PAGE_KEYBOARD, last), tuple(others)), new_modifiers))
        for seen in self.seen:
            if not seen.undecided & modifiers:
                seen.undecided = frozenset()

    def take_presses(self) -> tuple[Press, ...]:
        presses = tuple(seen.press for seen in self.seen)
        self.seen = []
        return presses


class _Run:
    """One scenario on one engine."""

    def __init__(self, engine: Engine, board: Board, keyboard: Keyboard) -> None:
        self._engine = engine
        self._board = board
        timing = keyboard.timing
        self._debounce_us = {
            switch.name: timing.for_switch.get(switch.name, timing.debounce).time_us
            for switch in keyboard.wiring.switches
        }
        self._closed: frozenset[str] = frozenset()
        self._moved_us: dict[str, int] = {}  # since the last time that was written
        self._now_us = 0
        self.host = _HostView()
        self.reports: list[Report] = []
        self.moments: list[Moment] = []
        self._show_board()

    def _show_board(self) -> None:
        table = self._board.table(self._closed)
        self._engine.set_lines(
            table.at_rest.low, table.pulled_down.low, [row.low for row in table.driven], table.rise_us
        )

    def wait(self, time_us: int) -> None:
        self._now_us += time_us
        self._take(self._engine.run_until(self._now_us))

    def wait_until_told(self) -> None:
        longest_us = max(self._debounce_us.values()) + _TELL_US
        self._take(self._engine.run_until_told(self._now_us + longest_us))
        self._now_us = max(self._now_us, self._engine.now_us)

    def _take(self, reports: Sequence[Report]) -> None:
        for report in reports:
            self.host.take(report)
            self.moments.append(Moment(report.time_us, None, held_names(self.host.held)))
        self.reports += reports

    def move(self, switch: str, *, down: bool) -> None:
        if down == (switch in self._closed):
            return
        if switch in self._moved_us:
            settled_us = self._moved_us[switch] + self._debounce_us[switch] + 2 * SCAN_US
            self.wait(max(0, settled_us - self._now_us))
        self._closed ^= {switch}
        self._show_board()
        self.moments.append(Moment(self._now_us, f"{switch} {'down' if down else 'up'}", None))
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
    from keyc.engine import Engine

    running = _Run(Engine(library, tables), board, keyboard)
    expected: list[str] = []
    got: list[str] = []
    failure = None
    for step in scenario.steps:
        running.do(step)
        if isinstance(step, Expect):
            presses = running.host.take_presses()
            expected += step.texts
            got += map(written_press, presses)
            failure = _failure(step, presses, running)
            if failure:
                break
            running.moments.clear()
    return ScenarioResult(scenario, tuple(expected), tuple(got), tuple(running.reports), failure)


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
            " ".join(f"`{written_press(press)}`" for press in presses) + " came" if presses else "none came"
        )
    return Failure(step.span, wanted, came, tuple(running.moments))
