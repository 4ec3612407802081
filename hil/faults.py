"""A board's faults in the words that plant them: `bridge GPIO3 GPIO4`. What each does is the model's
(`board`), or that of the virtual board, where it happens in time."""

from __future__ import annotations

import re
from dataclasses import dataclass

from keyc.diagnostics import UserError
from keyc.keyboard import Diodes, Switch, Wiring
from keyc.pins import GPIO_COUNT

RAILS_HIGH = frozenset({"3V3", "IOVDD", "ADC_AVDD", "VREG_IN", "USB_VDD"})
RAILS_LOW = frozenset({"GND", "TESTEN"})  # TESTEN is tied to ground on every board
RAILS_BETWEEN = frozenset({"DVDD", "VREG_VOUT"})  # 1.1 V: neither low nor high
_PULLED_UP = frozenset({"RUN", "SWCLK", "SWD"})
OTHER_COPPER = RAILS_HIGH | RAILS_LOW | RAILS_BETWEEN | _PULLED_UP

USB_SOCKET = "USB"  # what `drops` names when the board itself goes away
EVERY_DIODE = "diodes"  # what `reversed` names when the file's `diodes` line is the wrong way round
_ONE_SWITCH = ("open", "closed", "reversed", "shorted")
_ONE_LINE = ("open", "low", "high")
_FORMS = {
    "open": "open SW7, open GPIO2, or open DIAL1 (its middle pin)",
    "closed": "closed SW7",
    "reversed": "reversed SW7, or reversed diodes (every one)",
    "shorted": "shorted SW7",
    "drops": "drops SW7, drops GPIO3, drops USB, or drops SW7 20%",
    "bounces": "bounces SW7 6ms, or bounces SW7 6ms 20%",
    "sticks": "sticks SW7, or sticks SW7 20%",
    "cut": "cut GPIO2 after SW3",
    "bridge": "bridge GPIO3 GPIO4, bridge SW7 SW8, or bridge GPIO16 RUN",
    "low": "low GPIO5",
    "high": "high GPIO5",
    "leaky": "leaky GPIO3 GPIO4 47k",
    "leaks": "leaks SW7 2uA, or leaks diodes 2uA (every one): against the diode's direction, at 3.3 V",
    "slow": "slow GPIO3 300pF",
    "swapped": "swapped GPIO2 GPIO3, or swapped SW7 SW8",
    "moved": "moved SW7 GPIO8 GPIO3 (from the anode's line to the cathode's), or moved SW7 GPIO9 GND",
    "detents": "detents DIAL1 2 (edges from one detent to the next)",
    "no-flash": "no-flash",
    "no-usb": "no-usb",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault: its word, what it concerns (`SW7`, `GPIO3`, `RUN`), and how much (`47k`)."""

    kind: str
    where: tuple[str, ...]
    amount: str | None = None

    def __str__(self) -> str:
        if self.kind == "cut":
            return f"cut {self.where[0]} after {self.where[1]}"
        return " ".join((self.kind, *self.where, *((self.amount,) if self.amount else ())))


def gpio_of(name: str) -> int | None:
    """The number in `GPIO4` or `GP4`; None when that is no pin of the chip."""
    match = re.fullmatch(r"(?:GPIO|GP)([0-9]{1,2})", name, re.IGNORECASE)
    return int(match[1]) if match and int(match[1]) < GPIO_COUNT else None


def parse_fault(text: str, wiring: Wiring) -> Fault:
    """A fault as a person writes it: `bridge GPIO3 GPIO4`. Raises UserError with the mend."""
    words = text.split()
    kind = words[0].lower() if words else ""
    if kind not in _FORMS:
        known = ", ".join(_FORMS)
        raise UserError(
            f"“{text}” isn't a fault that can be planted", f"start with one of: {known}", exit_status=2
        )
    switches = {switch.name: switch for switch in wiring.switches}
    dials = {dial.name for dial in wiring.dials}

    def mistake(what: str, mend: str | None = None) -> UserError:
        return UserError(
            f"fault “{text}”: {what}", mend or f"write it like this: {_FORMS[kind]}", exit_status=2
        )

    def a_switch(word: str) -> Switch:
        if word not in switches:
            from difflib import get_close_matches

            near = get_close_matches(word, switches, n=3) or list(switches)[:3]
            raise mistake(
                f"this keyboard has no switch {word}", "name a switch of the wiring: " + ", ".join(near)
            )
        return switches[word]

    def a_pin(word: str) -> str:
        gpio = gpio_of(word)
        if gpio is None:
            raise mistake(f"{word} is no pin; the chip has GPIO0 to GPIO{GPIO_COUNT - 1}")
        return f"GPIO{gpio}"

    def with_diode(word: str) -> str:
        switch = a_switch(word)
        if switch.direct is not None:
            raise mistake(
                f"{word} goes straight from its pin to ground, so it has no diode", "name another switch"
            )
        if wiring.diodes is Diodes.NONE:
            raise mistake("this keyboard has no diodes", "`bridge` takes two lines: bridge GPIO3 GPIO4")
        return switch.name

    def two_different(a: str, b: str) -> tuple[str, str]:
        if a == b:
            raise mistake(f"it names {a} twice", "name two different ones")
        return a, b

    names = words[1:]
    if kind in ("no-flash", "no-usb"):
        if names:
            raise mistake("nothing follows this word")
        return Fault(kind, ())
    if kind == "open" and len(names) == 1 and names[0] in dials:
        return Fault(kind, (names[0],))
    if kind == "detents" and len(names) == 2:
        if names[0] not in dials:
            known = ", ".join(sorted(dials)) or "it has none"
            raise mistake(f"this keyboard has no dial {names[0]}", f"its dials: {known}")
        if names[1] not in ("1", "2", "4"):
            raise mistake(f"a dial has 1, 2 or 4 edges from one detent to the next, not {names[1]}")
        return Fault(kind, (names[0],), names[1])
    if len(names) == 1 and kind in _ONE_LINE and (kind != "open" or names[0] not in switches):
        if kind == "open" and gpio_of(names[0]) is None:
            a_switch(names[0])
        return Fault(kind, (a_pin(names[0]),))
    if kind == "reversed" and names == [EVERY_DIODE]:
        if wiring.diodes is Diodes.NONE:
            raise mistake("this keyboard has no diodes", "name another fault")
        return Fault(kind, (EVERY_DIODE,))
    if kind == "moved" and len(names) == 3:
        cathode = "GND" if names[2].upper() == "GND" else a_pin(names[2])
        return Fault(kind, (a_switch(names[0]).name, *two_different(a_pin(names[1]), cathode)))
    if len(names) == 1 and kind in _ONE_SWITCH:
        name = with_diode(names[0]) if kind in ("reversed", "shorted") else a_switch(names[0]).name
        return Fault(kind, (name,))
    if kind in ("drops", "sticks") and len(names) in (1, 2):
        if len(names) == 2 and percent_of(names[1]) is None:
            raise mistake(f"{names[1]} is no share of presses")
        if kind == "sticks":
            return Fault(kind, (a_switch(names[0]).name,), names[1] if len(names) == 2 else None)
        where = names[0] if names[0] in switches or gpio_of(names[0]) is None else a_pin(names[0])
        if gpio_of(where) is None and where != USB_SOCKET:
            a_switch(where)
        return Fault(kind, (where,), names[1] if len(names) == 2 else None)
    if kind == "bounces" and len(names) in (2, 3):
        if _microseconds(names[1]) is None:
            raise mistake(f"{names[1]} is no time")
        if len(names) == 3 and percent_of(names[2]) is None:
            raise mistake(f"{names[2]} is no share of presses")
        return Fault(kind, (a_switch(names[0]).name,), " ".join(names[1:]))
    if kind == "cut" and len(names) == 3 and names[1] == "after":
        pin, switch = a_pin(names[0]), a_switch(names[2])
        line = [each.name for each in on_line(wiring, int(pin[4:]))]
        if switch.name not in line:
            raise mistake(
                f"{switch.name} isn't on {pin}", f"on {pin} are: {', '.join(line) or 'no switches'}"
            )
        if switch.name == line[-1]:
            raise mistake(f"nothing lies after {switch.name} on {pin}", "name an earlier switch")
        return Fault(kind, (pin, switch.name))
    if kind == "bridge" and len(names) == 2:
        if names[0] in switches:
            return Fault(kind, two_different(with_diode(names[0]), with_diode(names[1])))
        other = names[1].upper()
        if other in OTHER_COPPER:
            return Fault(kind, (a_pin(names[0]), other))
        if gpio_of(names[1]) is None:
            known = ", ".join(sorted(OTHER_COPPER))
            raise mistake(f"{names[1]} is nothing that a line can touch", f"name a GPIO or one of: {known}")
        return Fault(kind, two_different(a_pin(names[0]), a_pin(names[1])))
    if kind == "leaky" and len(names) == 3:
        ohms = _ohms(names[2])
        if ohms is None:
            raise mistake(f"{names[2]} is no resistance")
        if not 10_000 <= ohms <= 200_000:
            raise mistake(
                f"{names[2]} is outside 10k to 200k: less acts as a bridge, more as nothing",
                "write a value from 10k to 200k, or use `bridge`",
            )
        return Fault(kind, two_different(a_pin(names[0]), a_pin(names[1])), names[2])
    if kind == "leaks" and len(names) == 2:
        microamperes = microamperes_of(names[1])
        if microamperes is None:
            raise mistake(f"{names[1]} is no current")
        if microamperes > 300:
            raise mistake(f"{names[1]} is more than a diode leaks", "write 300uA at most, or use `shorted`")
        every = names[0] == EVERY_DIODE and wiring.diodes is not Diodes.NONE
        return Fault(kind, (EVERY_DIODE if every else with_diode(names[0]),), names[1])
    if kind == "slow" and len(names) == 2:
        if picofarads_of(names[1]) is None:
            raise mistake(f"{names[1]} is no capacitance")
        return Fault(kind, (a_pin(names[0]),), names[1])
    if kind == "swapped" and len(names) == 2:
        if names[0] in switches:
            return Fault(kind, two_different(a_switch(names[0]).name, a_switch(names[1]).name))
        if gpio_of(names[0]) is None:
            a_switch(names[0])
        return Fault(kind, two_different(a_pin(names[0]), a_pin(names[1])))
    raise mistake("something is missing or too much")


def dial_contacts(name: str) -> tuple[str, str]:
    """What a dial's two contacts are called; no switch can have such a name."""
    return f"{name}.A", f"{name}.B"


def duration_us(text: str) -> int:
    """Microseconds in `6ms`, `800us` or `1s`. Raises UserError."""
    time_us = _microseconds(text)
    if time_us is None:
        raise UserError(f"“{text}” is no time", "write a number and its unit as one word: 6ms", exit_status=2)
    return time_us


def percent_of(text: str) -> float | None:
    """The share in `20%`; None where that is none."""
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)%", text)
    return float(match[1]) / 100 if match and float(match[1]) <= 100 else None


def _microseconds(text: str) -> int | None:
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)(us|ms|s)", text)
    return round(float(match[1]) * {"us": 1, "ms": 1_000, "s": 1_000_000}[match[2]]) if match else None


def _ohms(text: str) -> float | None:
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)(k|M)?", text)
    return float(match[1]) * {None: 1, "k": 1e3, "M": 1e6}[match[2]] if match else None


def microamperes_of(text: str) -> float | None:
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)(nA|uA)", text)
    return float(match[1]) * (0.001 if match[2] == "nA" else 1) if match else None


def picofarads_of(text: str) -> float | None:
    match = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?)(pF|nF)", text)
    return float(match[1]) * (1 if match[2] == "pF" else 1000) if match else None


def on_line(wiring: Wiring, gpio: int) -> list[Switch]:
    """The switches along a line's track, the chip's end first: the wiring's order."""
    return [s for s in wiring.switches if gpio in (s.row, s.column, s.direct)]
