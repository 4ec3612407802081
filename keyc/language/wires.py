"""`wiring { }` → `Wiring`: pins, switches, diodes, lights and dials, and what is wrong with them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from keyc.diagnostics import Label
from keyc.keyboard import Dial, Diodes, Light, Switch, Wiring
from keyc.language import measures
from keyc.language.mistakes import Mistakes
from keyc.language.statements import (
    Columns,
    DialLine,
    DiodeName,
    Direct,
    LightLine,
    MatrixRow,
    Setting,
    WiringBlock,
    WiringLine,
    Word,
)
from keyc.language.words import FORMS
from keyc.usages import indicators, led_usage, name_for_spoken

_PIN = r"GP(?:IO)?(0|[1-9][0-9]{0,3})"
_PIN_IN_ANY_CASE = r"(?i:gpio|gp|pin|io)?[_-]?([0-9]{1,2})"
_LIKE_A_PIN = r"(?i:gpio|gp|pin|io)[_-]?[0-9]{1,4}"
_LAST_GPIO = 29  # RP2040 datasheet, 1.4.3: GPIO0 to GPIO29
_DIODES_IN_A_PACKAGE = 8  # common practice: the largest arrays have as many
# What a pin is used for, and the same for two pins of one number.
_SEVERAL = {
    "a column": "columns",
    "a row": "rows",
    "a direct switch": "direct switches",
    "a light": "lights",
    "a dial's pin": "ways of dials",
}
_NO_PIN = -1  # of what could not be understood; such wiring never leaves the compiler's front


def resolved_wiring(block: WiringBlock, layers: Sequence[str], mistakes: Mistakes) -> Wiring:
    """The wiring as far as it can be understood. A light may show one of the file's `layers`."""
    return _Wires(layers, mistakes).wiring(block)


def reads_well(line: WiringLine) -> bool:
    """Whether pins stand where pins are due, and no name is a pin's or begins another line."""
    match line:
        case Columns(_, pins):
            return all(map(is_like_a_pin, pins))
        case MatrixRow(_, pin, names):
            pins = (pin,)
        case Direct(_, pin, name) | LightLine(_, pin, name):
            pins, names = (pin,), (name,)
        case DialLine(_, pin_a, pin_b, name):
            pins, names = (pin_a, pin_b), (name,)
        case _:
            return True
    return all(map(is_like_a_pin, pins)) and not any(
        word.text in FORMS["wiring"] or is_like_a_pin(word) for word in names
    )


def is_like_a_pin(word: Word) -> bool:
    """Whether a word is a pin's name, or was meant as one."""
    return re.fullmatch(_LIKE_A_PIN, word.text) is not None


class _Wires:
    def __init__(self, layers: Sequence[str], mistakes: Mistakes) -> None:
        self._layers = layers
        self._mistakes = mistakes
        self._used: dict[int, tuple[Word, str]] = {}  # each pin's first use
        self._columns: list[int] = []
        self._columns_line: Columns | None = None
        self._switches: dict[str, Switch] = {}
        self._dials: dict[str, Dial] = {}

    def wiring(self, block: WiringBlock) -> Wiring:
        seen: dict[str, Word] = {}
        diodes: Diodes | None = None
        lights: list[Light] = []
        rows: list[tuple[MatrixRow, int]] = []
        directs: list[tuple[Direct, int]] = []
        # Pins first, in file order; then switches, which need to know the columns.
        lines = block.lines
        if not all(map(reads_well, lines)):
            from keyc.language.lines_meant import lines_meant

            lines = tuple(lines_meant(lines, self._mistakes))
        for line in lines:
            if isinstance(line, Setting):
                if self._mistakes.once(seen, line.keyword):
                    diodes = self._diodes(line.value)
            elif isinstance(line, Columns):
                if self._mistakes.once(seen, line.keyword):
                    self._columns_line = line
                    self._columns = [self._pin(pin, "a column") for pin in line.pins]
            elif isinstance(line, MatrixRow):
                rows.append((line, self._pin(line.pin, "a row")))
            elif isinstance(line, Direct):
                directs.append((line, self._pin(line.pin, "a direct switch")))
            elif isinstance(line, LightLine):
                lights += self._light(line)
            elif isinstance(line, DialLine):
                self._dial(line)
        named = [line for line in lines if isinstance(line, DiodeName)]
        diode_of = self._diode_names(named, diodes)
        for row, pin in rows:
            self._row(row, pin, diode_of)
        for direct, pin in directs:
            word = direct.switch
            self._switch(word, None, None, pin, diode_of)
        for line in named:
            self._mistakes.names_switch(line.switch, self._switches)
        self._look_for_parts(block, seen, bool(rows))
        return Wiring(
            diodes or Diodes.NONE,
            tuple(pin for _, pin in rows),
            tuple(self._columns),
            tuple(self._switches.values()),
            tuple(lights),
            tuple(self._dials.values()),
        )

    def _look_for_parts(self, block: WiringBlock, seen: Mapping[str, Word], has_rows: bool) -> None:
        """What every wiring needs and this one doesn't say."""
        if not self._mistakes.is_whole("wiring"):
            return
        has_columns = self._columns_line is not None
        if has_rows != has_columns:
            there, missing = ("row", "columns") if has_rows else ("columns", "row")
            self._mistakes.tell(
                "part-missing",
                f"`wiring` has `{there}` but no `{missing}`",
                block.keyword,
                "a matrix has both: columns GPIO6 GPIO7, then row GPIO2 SW1 SW2; a switch with a pin of its "
                "own is written direct GPIO10 SW12",
            )
        elif not self._switches:
            self._mistakes.tell(
                "part-missing",
                "`wiring` has no switch",
                block.keyword,
                "add the matrix: columns GPIO6 GPIO7, then row GPIO2 SW1 SW2",
            )
        elif has_rows and "diodes" not in seen:
            self._mistakes.tell(
                "part-missing",
                "`wiring` doesn't say which way the diodes point",
                block.keyword,
                "add a line: diodes cathode-to-row, or cathode-to-column (the ring on a diode is its "
                "cathode), or none",
            )

    # ---- pins

    def _diodes(self, word: Word) -> Diodes:
        try:
            return Diodes(word.text)
        except ValueError:
            if not self._mistakes.lost(word.text):
                self._mistakes.tell(
                    "unknown-name",
                    f"diodes can't be `{word.text}`",
                    word,
                    "write cathode-to-row (the diode's ring is at the row), cathode-to-column, or none",
                )
            return Diodes.CATHODE_TO_ROW

    def _pin(self, word: Word, role: str) -> int:
        match = re.fullmatch(_PIN, word.text)
        if match is None:
            likely = re.fullmatch(_PIN_IN_ANY_CASE, word.text)
            if likely and int(likely[1]) <= _LAST_GPIO:
                help = f"write GPIO{int(likely[1])}"
            else:
                help = "pins are called GPIO0 to GPIO29, or GP0 to GP29 as modules print them"
            if re.fullmatch(_PIN, word.text.upper()):
                self._mistakes.unknown("a pin's name is written in capital letters", word, help)
            elif not self._mistakes.lost(word.text):
                self._mistakes.tell("unknown-name", f"no pin is called `{word.text}`", word, help)
            return _NO_PIN
        pin = int(match[1])
        if pin > _LAST_GPIO:
            self._mistakes.tell(
                "pin-not-on-chip",
                f"the chip has no `{word.text}`",
                word,
                f"its pins are GPIO0 to GPIO{_LAST_GPIO}",
            )
            return _NO_PIN
        first, first_role = self._used.setdefault(pin, (word, role))
        if first is not word:
            both = f"two {_SEVERAL[role]}" if role == first_role else f"{first_role} and for {role}"
            self._mistakes.tell(
                "pin-used-twice",
                f"`{word.text}` is used twice: for {both}",
                word,
                "give one of the two another pin, as it is soldered on the board",
                Label(f"{first_role} already", self._mistakes.at(first)),
            )
            return _NO_PIN
        return pin

    def _light(self, line: LightLine) -> list[Light]:
        pin = self._pin(line.pin, "a light")
        if self._mistakes.lost(line.indicator.text):
            return []
        indicator = led_usage(line.indicator.text)
        if indicator is None and line.indicator.text not in self._layers:
            known = (*indicators(), *self._layers)
            near = name_for_spoken(line.indicator.text)
            if near not in known:
                near = self._mistakes.nearest(line.indicator.text, known)
            self._mistakes.tell(
                "unknown-name",
                f"no indicator or layer is called `{line.indicator.text}`",
                line.indicator,
                f"did you mean {near}?" if near else "the indicators are " + ", ".join(indicators()),
            )
            return []
        where = self._mistakes.at(line.keyword)
        return [Light(pin, indicator, line.indicator.text, line.lit_low is not None, where)]

    def _dial(self, line: DialLine) -> None:
        pin_a, pin_b = self._pin(line.pin_a, "a dial's pin"), self._pin(line.pin_b, "a dial's pin")
        edges = 4
        if line.edges is not None:
            try:
                edges = measures.whole_number(line.edges.text)
                if edges not in (1, 2, 4):
                    raise measures.Misread(
                        "number-out-of-range",
                        f"a dial has no {edges} edges from one detent to the next",
                        "write 4, 2 or 1, as the dial's data sheet says",
                    )
            except measures.Misread as misread:
                self._mistakes.misread(misread, line.edges)
        name = line.name.text
        if not self._mistakes.refused_name(line.name) and name in self._dials:
            self._mistakes.taken(line.name, self._dials[name].span, "a dial")
            return
        self._dials[name] = Dial(name, pin_a, pin_b, edges, self._mistakes.at(line.name))

    # ---- switches and their diodes

    def _row(self, row: MatrixRow, pin: int, diode_of: Mapping[str, str]) -> None:
        self._row_length(row)
        for index, word in enumerate(row.switches):
            if word.text in ("none", "nothing", "off"):
                message = f"`{word.text}` is a word of the language, and no switch"
                self._mistakes.tell("reserved-name", message, word, "where there is no switch write --")
            elif word.text != "--":
                column = self._columns[index] if index < len(self._columns) else _NO_PIN
                self._switch(word, pin, column, None, diode_of)

    def _row_length(self, row: MatrixRow) -> None:
        mistakes, line = self._mistakes, self._columns_line
        last = row.switches[-1] if row.switches else row.pin
        if line is None or mistakes.damaged(row.keyword.start, last.end):
            return
        if mistakes.damaged(line.keyword.start, line.pins[-1].end):
            return
        many, due = len(row.switches), len(line.pins)
        places = f"{many} place{'' if many == 1 else 's'}"
        columns = f"{due} column{'' if due == 1 else 's'}"
        label = Label(columns, mistakes.words(line.pins))
        if many > due:
            mistakes.follows(*row.switches[due:])
            mistakes.tell(
                "row-too-long",
                f"this row has {places}, but there are {columns}",
                mistakes.words(row.switches[due:]),
                "take out what is too much, or add a pin to `columns`",
                label,
            )
        elif many < due:
            mistakes.switches_short += due - many
            mistakes.tell(
                "row-too-short",
                f"this row has {places}, but there are {columns}",
                mistakes.span(last.end, last.end),
                "add what is missing: a switch, or `--` for a place without one",
                label,
            )

    def _switch(
        self, word: Word, row: int | None, column: int | None, direct: int | None, diode_of: Mapping[str, str]
    ) -> None:
        name = word.text
        if name in self._switches:
            self._mistakes.switches_short += 1
            self._mistakes.tell(
                "switch-wired-twice",
                f"`{name}` is wired twice",
                word,
                "a switch has one place: give this one its own name, as printed on the board",
                Label("wired here first", self._switches[name].span),
            )
            return
        if not self._mistakes.refused_name(word) and name in self._dials:
            self._mistakes.taken(word, self._dials[name].span, "a dial")
        self._switches[name] = Switch(name, row, column, direct, diode_of.get(name), self._mistakes.at(word))

    def _diode_names(self, lines: Sequence[DiodeName], diodes: Diodes | None) -> dict[str, str]:
        """Each switch's diode, by its name."""
        diode_of: dict[str, str] = {}
        for line in self._named_once(lines):
            if diodes is Diodes.NONE:
                self._mistakes.tell(
                    "diode-without-diodes",
                    f"`{line.diode.text}` is named, but the wiring says `diodes none`",
                    line.diode,
                    "take the line out, or say which way the diodes point",
                )
            else:
                diode_of[line.switch.text] = line.diode.text
        return diode_of

    def _named_once(self, lines: Iterable[DiodeName]) -> Iterable[DiodeName]:
        """The lines that name a diode for a switch that has none yet. Two switches may have the same one: two
        diodes in one package."""
        diodes: dict[str, list[Word]] = {}
        switches: dict[str, Word] = {}
        for line in lines:
            if self._mistakes.refused_name(line.diode):
                continue
            named = diodes.setdefault(line.diode.text, [])
            if len(named) == _DIODES_IN_A_PACKAGE:
                what = f"the diode of {_DIODES_IN_A_PACKAGE} other switches, and a package holds no more"
                self._mistakes.taken(line.diode, self._mistakes.at(named[0]), what)
                continue
            named.append(line.diode)
            first = switches.setdefault(line.switch.text, line.switch)
            if first is line.switch:
                yield line
                continue
            self._mistakes.tell(
                "said-twice",
                f"`{line.switch.text}` has a diode already",
                line.switch,
                "keep the line that is true, and take the other out",
                Label("said here first", self._mistakes.at(first)),
            )
