"""What is told of a fault: its causes, likeliest first, each with where to look and what a meter shows there.

One function per kind of fault; which faults a board has is for `diagnose` to say. Likeliness is common
practice among people who solder boards by hand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from hil.diagnosis.contacts import OHMS, node_bridge
from hil.faults import EVERY_DIODE
from hil.judge import Matrix, State, ends, names_in_order, switches_on
from hil.places import names_in_short
from hil.result import Cause, Fault, Line, Position, PositionVerdict
from hil.rises import against_pin_alone, in_us
from keyc.keyboard import Diodes
from keyc.pins import neighbours, package_pin_of_gpio

if TYPE_CHECKING:
    from collections.abc import Mapping

    from hil.faults import Fault as Planted
    from hil.observe import Observation
    from hil.stages.lines import LineFindings
    from keyc.keyboard import Switch, Wiring

_DIODE = "on diode test, board unplugged"
_SUPPLIES = ("IOVDD", "ADC_AVDD", "USB_VDD", "VREG_IN")


@dataclass(frozen=True, slots=True)
class Advice:
    """One board's faults, told. `verdicts`: of the positions, by name; empty if that stage didn't run.
    `chords`: tables with several switches held."""

    matrix: Matrix
    findings: LineFindings
    verdicts: Mapping[str, Position]
    chords: Mapping[frozenset[str], Observation]

    @property
    def wiring(self) -> Wiring:
        return self.matrix.wiring

    def fault_of(self, planted: Planted) -> Fault | None:
        """A fault that the model named, told as the rules would."""
        kind, where = planted.kind, planted.where
        gpios = tuple(int(word[4:]) for word in where if word.startswith("GPIO"))
        if kind == "closed":
            return self.closed_switch(where[0], from_start=True)
        if kind == "swapped":
            return self._crossed_lines(gpios) if gpios else self._crossed_switches(where)
        if kind == "moved":
            return self._moved_switch(*where)
        if where == (EVERY_DIODE,):
            return self.every_diode()
        if not gpios:
            by_switch = {
                "open": self.open_switch,
                "reversed": self.reversed,
                "shorted": self.shorted,
            }
            if kind == "bridge":
                # Held down together on purpose, and read alike twice: nobody slipped.
                slipped = not any(chord.issuperset(where) for chord in self.chords)
                return node_bridge(where, f"pressed, {where[0]} reads as this would", slipped=slipped)
            return by_switch[kind](where[0])
        line = self.findings.line(gpios[0])
        if line is None:
            return None
        on = switches_on(self.wiring, gpios[0])
        if kind == "open":
            return self.open_line(gpios[0], list(on))
        if kind == "cut":
            return self.cut(gpios[0], where[1], list(on[on.index(where[1]) + 1 :]))
        if kind == "leaky":
            return self.leaky(line, where[1], f"{where[0]} and {where[1]} read as this would")
        if kind == "bridge" and len(gpios) == 2:
            return self.bridge(gpios[0], gpios[1], gpios)
        return {"low": self.low, "high": self.high}[kind](line) if kind in ("low", "high") else None

    def low(self, line: Line) -> Fault:
        direct = [s.name for s in self.wiring.switches if s.direct == line.gpio]
        meter = f"{OHMS}, from {_pad(line.gpio)} to ground: it must not beep (under 10 Ω is the fault)"
        causes = [
            Cause(f"solder or a whisker from {line.pin} to ground", _look(line.gpio), meter),
            Cause(
                f"the track of {line.pin} touches ground somewhere else",
                _on(
                    line,
                    self.matrix,
                    "at each part on this line, and where the track passes a screw or a fill",
                ),
                f"{OHMS}, to ground, while you lift or wiggle one part after the other",
            ),
        ]
        if direct:
            causes.insert(
                0,
                Cause(
                    f"{direct[0]} is held down or its contact is stuck",
                    f"{direct[0]}: free it, or take its cap off",
                    f"{OHMS}, across {direct[0]}'s two legs: silent while nobody presses it",
                ),
            )
        elif line.role == "row" or line.role == "column":
            causes.append(
                Cause(
                    "the ground pad under the chip has squeezed solder out to the pin",
                    _look(line.gpio),
                    meter,
                )
            )
        return self._line_fault("low", line, causes, f"{line.pin} reads low although it is pulled up")

    def high(self, line: Line) -> Fault:
        rails = [pin for pin in neighbours(line.gpio) if pin.gpio is None and pin.name in _SUPPLIES]
        beside = f"{rails[0].name} is pin {rails[0].number}, right beside it" if rails else "the 3.3 V supply"
        causes = [
            Cause(
                f"{line.pin} touches RUN, whose own pull-up holds it",
                f"{_look(line.gpio)}; RUN is pin {pin.number}",
                f"{OHMS}, from {_pad(line.gpio)} to RUN: it must not beep",
            )
            for pin in neighbours(line.gpio)
            if pin.name == "RUN"
        ]
        causes += [
            Cause(
                f"solder from {line.pin} to {rails[0].name if rails else 'the supply'}",
                f"{_look(line.gpio)}; {beside}",
                f"{OHMS}, from {_pad(line.gpio)} to 3V3: it must not beep",
            ),
            Cause(
                f"the track of {line.pin} touches the supply somewhere else",
                _on(line, self.matrix, "at each part on this line"),
                f"{OHMS}, to 3V3, while you lift or wiggle one part after the other",
            ),
        ]
        return self._line_fault("high", line, causes, f"{line.pin} reads high although it is pulled down")

    def run_bridge(self, line: Line) -> Fault:
        number = line.joined[0].package_pin
        return self._line_fault(
            "bridge",
            line,
            [
                Cause(
                    f"solder between {line.pin} (pin {line.package_pin}) and RUN (pin {number})",
                    _look(line.gpio),
                    f"{OHMS}, from {_pad(line.gpio)} to RUN: it must not beep",
                )
            ],
            f"the board restarted each time {line.pin} was driven",
            where=(line.pin, "RUN"),
        )

    def bridge(self, a: int, b: int, group: tuple[int, ...]) -> Fault:
        names = [f"GPIO{gpio}" for gpio in group]
        meter = f"{OHMS}, between {_pad(a)} and {_pad(b)}: it must not beep (under 10 Ω is the fault)"
        causes = []
        beside = are_beside(a, b)
        if beside:
            causes.append(
                Cause(
                    f"solder between two neighbouring pins of the chip, {package_pin_of_gpio(a)} and "
                    f"{package_pin_of_gpio(b)}",
                    f"{_look(a)}. Flux, then draw a clean iron outwards along the pins; braid takes the rest",
                    meter,
                )
            )
        causes.append(
            Cause(
                f"the tracks of GPIO{a} and GPIO{b} touch somewhere else",
                self._where_lines_meet(a, b),
                f"{meter}; the lower the reading, the nearer you are to the bridge",
            )
        )
        if not beside:
            causes.append(
                Cause(
                    f"solder at the chip or its module, from pin {package_pin_of_gpio(a)} to "
                    f"pin {package_pin_of_gpio(b)}",
                    f"{_look(a)}; {_look(b)}",
                    meter,
                )
            )
        concerned = names_in_order(self.wiring, (*switches_on(self.wiring, a), *switches_on(self.wiring, b)))
        blocked = tuple(n for n in concerned if self._is_untested(n)) if self.verdicts else concerned
        return Fault(
            kind="bridge",
            where=(f"GPIO{a}", f"GPIO{b}"),
            rank=0,
            causes=tuple(causes),
            evidence=(
                f"driven low, {' and '.join(names)} each pull the other{'s' if len(names) > 2 else ''} low, "
                "with nothing pressed",
            ),
            switches=blocked,
            pins=(f"GPIO{a}", f"GPIO{b}"),
        )

    def _where_lines_meet(self, a: int, b: int) -> str:
        both = set(switches_on(self.wiring, a)) & set(switches_on(self.wiring, b))
        if both:
            name = sorted(both)[0]
            return f"at {name} and its diode{self._diode_name(name)}, where both tracks come together"
        close = [
            f"between {x} and {y}"
            for x, y in zip(switches_on(self.wiring, a), switches_on(self.wiring, b), strict=False)
        ]
        return "where the two tracks run side by side" + (f", e.g. {close[0]}" if close else "")

    def leaky(self, line: Line, other: str, evidence: str) -> Fault:
        return self._line_fault(
            "leaky",
            line,
            [
                Cause(
                    f"flux, moisture or a burnt spot conducts a little between {line.pin} and {other}",
                    f"{_look(line.gpio)}; clean with the solvent that your flux asks for, let it dry, "
                    "measure again",
                    f"on 200 kΩ, board unplugged, between {line.pin} and {other}: more than 1 MΩ, and the "
                    "same both ways round; 10 to 200 kΩ is dirt, not solder",
                ),
                Cause(
                    "a part sits between these lines that the file doesn't know",
                    f"follow both tracks: {line.pin} and {other}",
                    f"{_DIODE}, both ways round: no reading either way",
                ),
            ],
            evidence,
            where=(line.pin, other),
        )

    def slow(self, line: Line) -> Fault:
        return self._line_fault(
            "slow",
            line,
            [
                Cause(
                    f"a capacitor or a long cable hangs on {line.pin}",
                    _on(line, self.matrix, "along the whole line"),
                    "on capacitance, board unplugged, to ground: under 300 pF",
                ),
                Cause(
                    f"dirt holds {line.pin} down a little",
                    _look(line.gpio),
                    "on 200 kΩ, board unplugged, to ground: more than 1 MΩ",
                ),
            ],
            f"{line.pin} needs more than 100 µs to rise after it was pulled low; no verdict rests on it",
        )

    def _line_fault(
        self, kind: str, line: Line, causes: list[Cause], evidence: str, where: tuple[str, ...] | None = None
    ) -> Fault:
        on = switches_on(self.wiring, line.gpio)
        return Fault(
            kind=kind,
            where=where or (line.pin,),
            rank=0,
            causes=tuple(causes),
            evidence=(evidence,),
            switches=tuple(n for n in on if self._is_untested(n)) if self.verdicts else on,
            pins=tuple(word for word in (where or (line.pin,)) if word.startswith("GPIO")),
        )

    def _is_untested(self, name: str) -> bool:
        one = self.verdicts.get(name)
        return one is None or one.verdict is PositionVerdict.UNTESTED

    def closed_switch(self, name: str, *, from_start: bool) -> Fault:
        switch = self.matrix.switches[name]
        causes = [
            Cause(
                f"{name} is held down, or its contact is stuck",
                f"{name}: take the cap off, see that the stem comes up and the case doesn't press it",
                f"{OHMS}, across {name}'s two legs: silent while nobody presses it",
            ),
            Cause(
                f"solder joins {name}'s two legs",
                f"the two joints of {name} on the solder side",
                f"{OHMS}, across {name}'s two legs, the switch's stem up: it must not beep",
            ),
        ]
        if switch.direct is None and self.wiring.diodes is not Diodes.NONE:
            causes.append(
                Cause(
                    "flux or moisture that conducts between its lines",
                    f"around {name} and its diode{self._diode_name(name)}",
                    "on 200 kΩ, board unplugged, across the switch: more than 1 MΩ",
                )
            )
        evidence = [
            f"{name} reads pressed with nothing touched"
            if from_start
            else f"{name} stayed pressed after it was let go, through other presses"
        ]
        if from_start and self.findings.closed.get(name) is State.REVERSED:
            evidence.append("it conducts against the file's direction: its diode is in backwards too")
        return self._switch_fault("closed" if from_start else "sticks", name, causes, evidence)

    def open_line(self, gpio: int, names: list[str]) -> Fault:
        pin = f"GPIO{gpio}"
        first = names[0]
        joint = Cause(
            f"{pin} isn't soldered to its pad",
            f"{_look(gpio)}. Flux, then touch the joint with a clean iron and a little solder",
            f"{OHMS}, from the chip's pin itself to {first}'s leg: it must beep",
        )
        track = Cause(
            f"the track of {pin} is broken before its first switch",
            f"between the chip and {first}; a scratch, a lifted pad, a via that wasn't filled",
            f"{OHMS}, from {_pad(gpio)} to {first}'s leg: it must beep",
        )
        rise_us = self._rise_us(gpio)
        return Fault(
            kind="open",
            where=(pin,),
            rank=0,
            causes=(
                *((track, joint) if against_pin_alone(rise_us) > 0 else (joint, track)),
                Cause(
                    f"the board has this line on another pin than {pin}",
                    "the schematic, and the file's `wiring`",
                    f"{OHMS}, from {first}'s leg to the pins near {pin}: the one that beeps is it",
                ),
            ),
            evidence=(
                f"none of the {len(names)} switches on {pin} answers: {', '.join(names)}"
                if len(names) > 1
                else f"{first}, the one switch on {pin}, doesn't answer",
                *_rise_told(pin, rise_us),
            ),
            switches=tuple(names),
            pins=(pin,),
        )

    def _rise_us(self, gpio: int) -> float | None:
        return None if self.findings.table is None else self.findings.table.rise_us.get(gpio)

    def cut(self, gpio: int, after: str, names: list[str]) -> Fault:
        pin = f"GPIO{gpio}"
        return Fault(
            kind="cut",
            where=(pin, after),
            rank=0,
            causes=(
                Cause(
                    f"the track of {pin} is broken between {after} and {names[0]}",
                    f"between {after} and {names[0]}: a scratch, a lifted pad, a half-wetted joint",
                    f"{OHMS}, from {after}'s leg on {pin} to {names[0]}'s: it must beep",
                ),
                Cause(
                    "these switches or their diodes are not soldered",
                    f"the joints of {', '.join(names)}",
                    f"{OHMS}, from each switch's leg to its neighbour's on {pin}: it must beep",
                ),
            ),
            evidence=(f"on {pin}, {after} answers and everything after it is silent: {', '.join(names)}",),
            switches=tuple(names),
            pins=(pin,),
        )

    def open_switch(self, name: str) -> Fault:
        switch = self.matrix.switches[name]
        causes = [
            Cause(
                f"a leg of {name} isn't soldered",
                f"the two joints of {name} on the solder side: a ring around the leg means no joint",
                f"{OHMS}, across {name}'s two pads, {name} pressed: it must beep",
            )
        ]
        if switch.direct is not None:
            causes += [
                Cause(
                    f"GPIO{switch.direct} isn't soldered, or its track is broken",
                    _look(switch.direct),
                    f"{OHMS}, from {_pad(switch.direct)} to {name}'s leg: it must beep",
                ),
                Cause(
                    f"{name} isn't joined to ground",
                    f"{name}'s other leg",
                    f"{OHMS}, from that leg to ground: it must beep",
                ),
            ]
        else:
            if self.wiring.diodes is not Diodes.NONE:
                diode = self._diode_name(name)
                causes.append(
                    Cause(
                        f"its diode{diode} isn't soldered, or is broken",
                        f"the diode{diode} of {name}: both ends",
                        f"{_DIODE}, red to the anode, black to the ringed end: 0.5 to 0.7 V",
                    )
                )
            causes.append(
                Cause(
                    f"{name} itself doesn't make contact",
                    f"{name}: press it hard; bridge its legs with a wire and try again",
                    f"{OHMS}, across {name}'s own legs, {name} pressed: it must beep",
                )
            )
            causes.append(
                Cause(
                    "a track to it is broken",
                    f"between {name} and its neighbours on GPIO{switch.row} and GPIO{switch.column}",
                    f"{OHMS}, from {name} to the neighbour on the same line: it must beep",
                )
            )
        evidence = [f"{name}, asked for twice, did not answer in either direction"]
        answered = self.verdicts[name].answered_as
        if answered:
            causes.insert(
                0,
                Cause(
                    f"{name} is wired to the place of {answered}",
                    f"the tracks at {name} and {answered}",
                    f"{OHMS}, between {name}'s leg and {answered}'s: only the line they share may beep",
                ),
            )
            evidence.append(f"each time {answered} answered instead, which also answers for itself")
        if switch.direct is not None:
            evidence += _rise_told(f"GPIO{switch.direct}", self._rise_us(switch.direct))
        return self._switch_fault("open", name, causes, evidence)

    def every_diode(self) -> Fault:
        wiring = self.wiring
        turned = names_in_order(
            wiring, (one.switch for one in self.verdicts.values() if one.verdict is PositionVerdict.REVERSED)
        )
        ring, now = ("row", "column") if wiring.diodes is Diodes.CATHODE_TO_ROW else ("column", "row")
        first = turned[0] if turned else "a switch"
        return Fault(
            kind="reversed",
            where=(EVERY_DIODE,),
            rank=0,
            causes=(
                Cause(
                    f"the file says `diodes {wiring.diodes.value}`, and the board has them cathode-to-{now}",
                    "the file's `diodes` line; the corrected text is offered below. No iron is needed",
                    f"{_DIODE}, {first} pressed, red on its {ring}, black on its {now}: 0.5 to 0.7 V",
                ),
                Cause(
                    "all diodes were put in the same wrong way round",
                    f"the diodes' ringed ends (cathodes), which belong towards the {ring}s",
                    f"{_DIODE}, {first} pressed, red on its {now}, black on its {ring}: 0.5 to 0.7 V",
                ),
            ),
            evidence=(
                f"{len(turned)} switches conduct against the file's direction: {names_in_short(turned)}",
            ),
            switches=turned,
        )

    def reversed(self, name: str) -> Fault:
        diode = self._diode_name(name)
        anode, cathode = self._ends_in_words(self.matrix.switches[name])
        return self._switch_fault(
            "reversed",
            name,
            [
                Cause(
                    f"the diode{diode} of {name} is in the wrong way round",
                    f"the diode{diode} of {name}: its ringed end (cathode) belongs towards {cathode}",
                    f"{_DIODE}, {name} pressed, red on {anode}, black on {cathode}: "
                    "0.5 to 0.7 V; now it reads nothing that way and 0.5 to 0.7 V the other way",
                ),
                Cause(
                    "the diode's marking was printed on the wrong end",
                    f"the diode{diode} of {name}",
                    f"{_DIODE}, across the diode alone: it conducts towards its true cathode",
                ),
            ],
            [f"pressed, {name} conducts from {cathode} to {anode}, and not the other way"],
        )

    def shorted(self, name: str) -> Fault:
        diode = self._diode_name(name)
        return self._switch_fault(
            "shorted",
            name,
            [
                Cause(
                    f"solder bridges the diode{diode} of {name}",
                    f"the diode{diode} of {name}: between and under its ends",
                    f"{_DIODE}, across the diode, both ways round: one way 0.5 to 0.7 V, "
                    "the other way nothing. Near 0 V both ways is a short",
                ),
                Cause(
                    f"the diode{diode} of {name} is broken down",
                    f"the diode{diode} of {name}: change it",
                    f"{_DIODE}, across the diode taken out: near 0 V both ways",
                ),
                Cause(
                    "a wire or a bare resistor link was fitted in its place",
                    f"the part at {name}",
                    f"{OHMS}, across it: it must not beep both ways",
                ),
            ],
            [f"pressed, {name} conducts in both directions: it will ghost"],
        )

    def _crossed_lines(self, gpios: tuple[int, ...]) -> Fault:
        on = {name for gpio in gpios for name in switches_on(self.wiring, gpio)}
        concerned = names_in_order(self.wiring, on)
        first = concerned[0] if concerned else "the first switch"
        lines = [gpio for gpio in gpios if switches_on(self.wiring, gpio)]
        pins = tuple(f"GPIO{gpio}" for gpio in gpios)
        if len(gpios) == 2 and len(lines) == 1:
            (other,) = set(gpios) - set(lines)
            what = f"the board has the line of GPIO{lines[0]} on GPIO{other}"
        elif len(gpios) == 2:
            what = f"the board has {pins[0]} and {pins[1]} the other way round"
        else:
            # Each pin has the line of the next one.
            each = [
                f"GPIO{line}'s line is on GPIO{pin}"
                for pin, line in zip(gpios, (*gpios[1:], gpios[0]), strict=True)
                if line in lines
            ]
            what = f"the board has these lines on one another's pins: {', '.join(each)}"
        return Fault(
            kind="swapped",
            where=pins,
            rank=0,
            causes=(
                Cause(
                    what,
                    "the schematic, and the file's `wiring`; the corrected text is offered below",
                    f"{OHMS}, from {first}'s leg to {' and then to '.join(_pad(gpio) for gpio in gpios)}: "
                    "the one that beeps has its line",
                ),
                Cause(
                    "their wires or tracks are crossed",
                    f"the wires from the chip at {' and '.join(_pad(gpio) for gpio in gpios)}",
                    f"{OHMS}, from each pin to the switches that the schematic gives it: it must beep",
                ),
            ),
            evidence=(f"the switches on {' and '.join(f'GPIO{gpio}' for gpio in lines)} read so",),
            switches=concerned,
            pins=pins,
        )

    def _crossed_switches(self, round_: tuple[str, ...]) -> Fault:
        return Fault(
            kind="swapped",
            where=round_,
            rank=0,
            causes=(
                Cause(
                    "the file names these switches the other way round"
                    if len(round_) == 2
                    else "the file names these switches in another order than the board has them",
                    "the file's `wiring`; the corrected text is offered below",
                    f"{OHMS}, along the lines of {' and '.join(round_)}",
                ),
                Cause(
                    "their tracks or wires are crossed",
                    f"the wires at {' and '.join(round_)}",
                    f"{OHMS}, from each leg to the line that the schematic gives it: it must beep",
                ),
            ),
            evidence=tuple(f"{each} reads as another one" for each in round_),
            switches=round_,
        )

    def _moved_switch(self, name: str, anode: str, cathode: str) -> Fault:
        at = f"from {anode} to {'ground' if cathode == 'GND' else cathode}"
        fault = self._switch_fault(
            "moved",
            name,
            [
                Cause(
                    f"the file has {name} in the wrong place: on the board it leads {at}",
                    "the schematic, and the file's `wiring`",
                    f"{OHMS}, from {name}'s legs to {anode} and {cathode}: one leg beeps; the other does "
                    "behind the diode",
                ),
                Cause(
                    f"a wire or track of {name} leads to the wrong line",
                    f"both legs of {name} and its diode{self._diode_name(name)}",
                    f"{OHMS}, from each leg to the line that the schematic gives it: it must beep",
                ),
            ],
            [f"{name} makes contact {at}"],
        )
        return replace(fault, where=(name, anode, cathode))

    def _switch_fault(self, kind: str, name: str, causes: list[Cause], evidence: list[str]) -> Fault:
        switch = self.matrix.switches[name]
        pins = tuple(f"GPIO{gpio}" for gpio in (switch.row, switch.column, switch.direct) if gpio is not None)
        return Fault(
            kind=kind,
            where=(name,),
            rank=0,
            causes=tuple(causes),
            evidence=tuple(evidence),
            switches=(name,),
            pins=pins,
        )

    def _diode_name(self, name: str) -> str:
        diode = self.matrix.switches[name].diode
        return f" {diode}" if diode else ""

    def _ends_in_words(self, switch: Switch) -> tuple[str, str]:
        anode, cathode = ends(self.wiring, switch)

        def words(gpio: int) -> str:
            return f"the {'row' if gpio == switch.row else 'column'} GPIO{gpio}"

        return words(anode), words(cathode)


def are_beside(a: int, b: int) -> bool:
    """Whether two GPIOs are neighbours on the package."""
    return b in {pin.gpio for pin in neighbours(a)}


def _pad(gpio: int) -> str:
    return f"GPIO{gpio} (pin {package_pin_of_gpio(gpio)})"


def _look(gpio: int) -> str:
    """Where a GPIO is on the package, and what lies beside it."""
    beside = " and ".join(f"{pin.number} ({pin.name})" for pin in neighbours(gpio))
    return f"pin {package_pin_of_gpio(gpio)} of the chip, GPIO{gpio}, beside {beside}"


def _on(line: Line, matrix: Matrix, words: str) -> str:
    names = switches_on(matrix.wiring, line.gpio)
    return f"{words}: {', '.join(names)}" if names else words


def _rise_told(pin: str, rise_us: float | None) -> tuple[str, ...]:
    """What a line's rise hints at, where it does."""
    if rise_us is None or not (hint := against_pin_alone(rise_us)):
        return ()
    like = "a line does that is soldered" if hint > 0 else "a pin does that isn't soldered"
    return (f"{pin} rises in {in_us(rise_us)} after a drive, as {like}. A hint, no verdict",)
