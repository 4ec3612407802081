"""A bench without a wire: stages fed by the electrical model; keyboards for sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from hil.board import Board, Table
from hil.faults import parse_fault
from hil.judge import Matrix, lines_of
from hil.link import Counters
from hil.observe import ROW, Observation, mask_of, observed
from hil.outcome import Account, Found, result_of
from hil.result import Identity, Result, Stage, Verdict
from hil.stages import lines
from hil.stages.guide import Guide, Question
from hil.stages.lines import LineFindings
from hil.stages.positions import Kind, Noted, Positions, rows_of_caps
from keyc.keyboard import Cap, Cell, Keyboard, Layer, Off, Timing, Wiring
from tests.hil.wirings import NOWHERE

_TOUCH_US = 500_000


def keyboard_of(wiring: Wiring) -> Keyboard:
    """A keyboard whose caps lie as its matrix does; keys to ground follow on a line of their own."""
    caps: list[Cap] = []
    for switch in wiring.switches:
        line = len(wiring.rows) if switch.row is None else wiring.rows.index(switch.row)
        place = len([cap for cap in caps if cap.line == line])
        column = place if switch.column is None else wiring.columns.index(switch.column)
        caps.append(Cap(switch.name, column + 0.5, line + 0.5, 1, 1, 0, line, NOWHERE))
    nothing = Cell(Off(), "off", None, NOWHERE)
    return Keyboard(
        title="Test bench",
        stem="test",
        usb_vendor=0x1209,
        usb_product=0x0001,
        maker="Nobody",
        host_layout="linux-us",
        wiring=wiring,
        caps=tuple(caps),
        timing=Timing(),
        layers=(Layer("base", {switch.name: nothing for switch in wiring.switches}, NOWHERE),),
        scenarios=(),
        span=NOWHERE,
    )


class Desk:
    """One board under test. `press` and `say_silent` are the person; `follow` does what the guide asks."""

    def __init__(
        self,
        wiring: Wiring,
        faults: Sequence[str] = (),
        seed: int = 0,
        one_way: bool = False,
        build: int = 0,
    ) -> None:
        self.wiring = wiring
        self.board = Board(wiring, [parse_fault(text, wiring) for text in faults], build=build)
        self.seed = seed
        self.matrix = Matrix(wiring)
        self.clock_us = 0
        look = observed(self._table(), ROW)
        self.rise_us = look.rise_us
        self.findings: LineFindings = lines.findings(self.matrix, look)
        self.watched = lines_of(wiring) | (0 if one_way else self.findings.spare)
        self.driven = mask_of(wiring.driven) if one_way else self.watched & ~look.held
        base = look if not one_way else self.table()
        self.positions = Positions(self.matrix, self.findings, base, now=self.table())
        self.guide = Guide(self.positions, rows_of_caps(keyboard_of(wiring).caps))
        self.questions: list[Question] = []

    def table(self, *closed: str) -> Observation:
        """What is read while watching with these switches closed."""
        seen = observed(self._table(*closed), self.watched, driven=self.driven)
        return replace(seen, time_us=self.clock_us)

    def _table(self, *closed: str) -> Table:
        return self.board.table(frozenset(closed)).resolved(self.seed)

    def hold(self, *closed: str) -> Noted | None:
        """These switches are closed from now on, in one frame."""
        self.clock_us += _TOUCH_US
        return self.positions.see(self.table(*closed))

    def press(self, name: str) -> Noted | None:
        noted = self.hold(name)
        self.hold()
        return noted

    def follow(self, limit: int = 2000, *, touches: bool = False) -> Desk:
        """A person who does what is asked, and says so when nothing comes of it: at the computer, or
        without a hand there by touching what is offered instead."""
        while (question := self.guide.question()) is not None:
            limit -= 1
            assert limit, "the guide never ends"
            self.questions.append(question)
            self.positions.ask(question.asked, question.instead)
            noted = self.press(question.asked)
            if touches and question.instead and (noted is None or noted.kind is Kind.RELEASED):
                noted = self.press(question.instead)
            if noted is None or noted.kind is Kind.RELEASED:
                noted = self.positions.silent()
            assert noted is not None
            self.guide.react(noted)
        return self.end()

    def end(self) -> Desk:
        self.positions.ask(None)
        self.positions.ended = True
        return self

    def verdicts(self) -> dict[str, str]:
        return {name: self.positions.position(name).verdict.value for name in self.matrix.switches}

    def result(self) -> Result:
        return result_of(
            Account(
                keyboard=keyboard_of(self.wiring),
                matrix=self.matrix,
                board=Identity(),
                can={},
                found=Found(lines=self.findings, positions=self.positions),
                stages=(Stage("lines", Verdict.PASS), Stage("positions", Verdict.PASS)),
                link=Counters(),
            ),
            after="",
            tool="finger",
        )
