"""Faults that no single table shows: contacts and joints that let go in time, solder that only switches
held together tell of, dials and lights. `diagnose` ranks them with the others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.result import Cause, Fault, PositionVerdict
from hil.stages.flex import CABLE
from keyc.pins import package_pin_of_gpio

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from hil.judge import Matrix
    from hil.result import Dial, Flexed, HeldTogether, Light, SwitchBounce

OHMS = "on continuity or 200 Ω, board unplugged"
_SLIPPED = "more than one switch was touched at once"


def unsteady(matrix: Matrix, name: str, kind: str, evidence: Sequence[str]) -> Fault:
    """A contact that chatters (`bounces`) or lets go (`drops`)."""
    switch = matrix.switches[name]
    diode = f" {switch.diode}" if switch.diode else ""
    pins = tuple(f"GPIO{gpio}" for gpio in (switch.row, switch.column, switch.direct) if gpio is not None)
    causes = (
        Cause(
            f"the contact of {name} is dirty or worn",
            f"{name}: work it thirty times, then try again; else change it",
            f"{OHMS}, across {name}'s legs, pressed: a steady beep under 1 Ω",
        ),
        Cause(
            "a joint that isn't wetted",
            f"the joints of {name} and its diode{diode}",
            f"{OHMS}, across {name}'s pads while you wiggle it, pressed: a steady beep",
        ),
    )
    return Fault(kind, (name,), 0, causes, tuple(evidence), (name,), pins)


def loose_line(pin: str, concerned: Sequence[str], evidence: Sequence[str]) -> Fault:
    """A line whose joint lets go when the board is bent."""
    number = package_pin_of_gpio(int(pin[4:]))
    causes = (
        Cause(
            f"the joint of {pin} at the chip or its module isn't wetted",
            f"pin {number} of the chip, {pin}: flux, and a clean iron on it for a second",
            f"{OHMS}, from {pin} (pin {number}) to {concerned[0]}'s leg on this line, while you bend the "
            "board: a steady beep",
        ),
        Cause(
            f"the track or wire of {pin} is cracked",
            f"along the line: {', '.join(concerned)}",
            f"{OHMS}, from part to part along the line while you bend the board: a steady beep",
        ),
    )
    return Fault("drops", (pin,), 0, causes, tuple(evidence), tuple(concerned), (pin,))


def touching_lines(a: str, b: str, evidence: Sequence[str]) -> Fault:
    """Two lines that touch when the board is bent."""
    numbers = [package_pin_of_gpio(int(pin[4:])) for pin in (a, b)]
    causes = (
        Cause(
            f"something loose touches {a} and {b}: a whisker, a ball of solder, a leg that was left long",
            f"pins {numbers[0]} and {numbers[1]} of the chip, and wherever the two tracks run side by side",
            f"{OHMS}, from {a} to {b} while you bend the board: it must not beep",
        ),
    )
    return Fault("bridge", (a, b), 0, causes, tuple(evidence), (), (a, b))


def loose_plug(evidence: Sequence[str]) -> Fault:
    """A board that goes away while it is bent. Which is the likeliest: common practice; values: data sheets
    of the chip's minimal design, from memory."""
    volts = "on V DC, black lead to ground, plugged in, while you bend the board"
    causes = (
        Cause(
            "a joint of the USB socket isn't wetted",
            "the socket: its legs for VBUS, ground, D+ and D−, and the posts of its shell, which hold it",
            f"{OHMS}, from each leg of the socket to where its track ends, while you push the socket: a "
            "steady beep (about 27 Ω on D+ and D−)",
        ),
        Cause(
            "the cable, or a worn plug",
            "another cable; then this stage again: hil bench FILE --stages flex",
            "no meter is needed",
        ),
        Cause(
            "a joint of the two 27 Ω resistors, or of the chip's USB pins, lets go",
            "the resistors between the socket and pins 46 (USB_DM) and 47 (USB_DP), and these pins",
            f"{OHMS}, from the socket's D− to pin 46 and from D+ to pin 47, while you bend the board: a "
            "steady 27 Ω or so",
        ),
        Cause(
            "a joint of the supply lets go: VBUS, the regulator, or what lies between",
            "from the socket's VBUS leg to the regulator, its three legs, pins 1, 10, 22, 33, 42, 49",
            f"{volts}: 5 V at the regulator's input and 3.2 to 3.4 V at each of these pins, without a dip",
        ),
        Cause(
            "a joint of the crystal lets go",
            "pins 20 (XIN) and 21 (XOUT), the crystal, its capacitors and the series resistor at pin 21",
            f"{OHMS}, from pin 20 to the crystal, and from pin 21 through its resistor, while you bend the "
            "board: steady",
        ),
        Cause(
            "something loose pulls RUN low, which resets the chip",
            "pin 26 (RUN) and its neighbours, and a reset button if there is one",
            f"{volts}: pin 26 stays at 3.3 V",
        ),
    )
    return Fault("drops", (CABLE,), 0, causes, tuple(evidence))


def node_bridge(pair: tuple[str, ...], evidence: str, *, slipped: bool) -> Fault:
    """Solder between two switches' joints with their diodes. `slipped`: two switches touched at once would
    have read the same."""
    causes = [
        Cause(
            f"solder between {pair[0]} and {pair[-1]}, at the joint of switch and diode",
            f"{' and '.join(pair)}: the legs that lead to their diodes",
            f"{OHMS}, between those two legs, nothing pressed: it must not beep",
        )
    ]
    if slipped:
        causes.append(Cause(_SLIPPED, f"press {pair[0]} alone, twice", "no meter is needed"))
    return Fault("bridge", pair, 0, tuple(causes), (evidence,), pair)


def bouncing_faults(matrix: Matrix, found: Iterable[SwitchBounce]) -> list[Fault]:
    """Of the stage `bounce`."""
    faults = []
    for one in found:
        if one.verdict is PositionVerdict.CHATTERING:
            words = (
                f"{one.switch} bounces for up to {one.longest_us / 1000:.1f} ms; good switches take 5 at most"
            )
            faults.append(unsteady(matrix, one.switch, "bounces", [words]))
        elif one.verdict is PositionVerdict.INTERMITTENT:
            words = f"{one.switch} let go {one.drops} times in the middle of a press"
            faults.append(unsteady(matrix, one.switch, "drops", [words]))
    return faults


def flexing_faults(matrix: Matrix, found: Flexed) -> list[Fault]:
    """Of the stage `flex`: one for each place, however often it blipped."""
    faults = []
    for what in dict.fromkeys(one.what for one in found.blips):
        blips = [one for one in found.blips if one.what == what]
        times = "once" if len(blips) == 1 else f"{len(blips)} times"
        longest_us = max(one.took_us for one in blips)
        did = "let go" if blips[0].let_go else "came on by itself"
        words = f"{what} {did} {times} while the case was squeezed, for up to {longest_us / 1000:.1f} ms"
        if what == CABLE:
            faults.append(loose_plug([f"the board was gone from USB {times} while the case was squeezed"]))
        elif what in matrix.switches:
            faults.append(unsteady(matrix, what, "drops", [words]))
        elif " " in what:
            a, b = what.split()
            words = f"{a} and {b} touched {times} while the case was squeezed"
            faults.append(touching_lines(a, b, [words]))
        elif blips[0].let_go:
            faults.append(loose_line(what, blips[0].switches, [words]))
        else:
            cause = Cause(
                f"something loose ties {what} to ground",
                f"pin {package_pin_of_gpio(int(what[4:]))} of the chip, and along its track",
                f"{OHMS}, from {what} to ground while you bend the board: it must not beep",
            )
            faults.append(Fault("low", (what,), 0, (cause,), (words,), (), (what,)))
    return faults


def faults_of_chords(found: HeldTogether) -> list[Fault]:
    """Of the stage `together`."""
    return [
        node_bridge(
            one,
            f"held together, {one[0]} and {one[1]} join their lines, though either alone is good",
            slipped=False,
        )
        for one in found.bridged
    ]


def faults_of_dials(found: Iterable[Dial]) -> list[Fault]:
    """Of the stage `extras`: one for each pin that nothing moves, or for what all of it hangs on."""
    faults = []
    for one in found:
        if one.verdict is PositionVerdict.SWAPPED:
            faults.append(_turned_round(one))
        elif one.verdict is PositionVerdict.OPEN and len(one.still) == 2 and not one.still_low:
            faults.append(_without_middle(one))
        elif one.verdict is PositionVerdict.OPEN:
            faults += [_still(one, pin) for pin in one.still]
        elif one.verdict is PositionVerdict.PROVEN and one.edges_per_detent is not None:
            faults.append(_other_detents(one))
    return faults


def _turned_round(dial: Dial) -> Fault:
    a, b = sorted((dial.pin_a, dial.pin_b), key=lambda pin: int(pin[4:]))
    causes = (
        Cause(
            f"the contacts A and B of {dial.name} are the other way round than the file says",
            f"nothing to solder: write `dial {dial.pin_b} {dial.pin_a} {dial.name}` in the file's wiring",
            "no meter is needed",
        ),
        Cause(
            f"the wires of {a} and {b} are exchanged",
            f"from {dial.name}'s two outer pins to pins {_number(a)} and {_number(b)} of the chip",
            f"{OHMS}, from {dial.name}'s pin A to {dial.pin_a} (pin {_number(dial.pin_a)}): it must beep",
        ),
    )
    words = f"{dial.name} counted counter-clockwise when it was turned clockwise, and the other way round"
    return Fault("swapped", (a, b), 0, causes, (words,), (), (a, b))


def _without_middle(dial: Dial) -> Fault:
    numbers = f"{_number(dial.pin_a)} and {_number(dial.pin_b)}"
    causes = (
        Cause(
            f"the middle pin (common) of {dial.name} doesn't reach ground",
            f"the joint of {dial.name}'s middle pin, and its track to ground",
            f"{OHMS}, from {dial.name}'s middle pin to ground: it must beep",
        ),
        Cause(
            f"both of its contacts are open: {dial.pin_a} and {dial.pin_b}",
            f"{dial.name}'s two outer pins, and pins {numbers} of the chip",
            f"{OHMS}, from each outer pin of {dial.name} to its pin of the chip: it must beep",
            faults=(f"open {dial.pin_a}", f"open {dial.pin_b}"),
        ),
    )
    words = f"neither {dial.pin_a} nor {dial.pin_b} moved while {dial.name} was turned, twice"
    return Fault("open", (dial.name,), 0, causes, (words,), (), (dial.pin_a, dial.pin_b))


def _still(dial: Dial, pin: str) -> Fault:
    is_low = pin in dial.still_low
    letter = "A" if pin == dial.pin_a else "B"
    if is_low:
        causes = [
            Cause(
                f"{pin} is tied to ground",
                f"pin {_number(pin)} of the chip, and {dial.name}'s pin {letter} beside its middle pin",
                f"{OHMS}, from {pin} to ground while you turn {dial.name}: it must open and close",
            )
        ]
    else:
        causes = [
            Cause(
                f"the joint of {dial.name}'s pin {letter} isn't wetted",
                f"{dial.name}'s pin {letter}: flux, and a clean iron on it for a second",
                f"{OHMS}, from {dial.name}'s pin {letter} to {pin} (pin {_number(pin)}): it must beep",
            ),
            Cause(
                f"the joint of {pin} at the chip or its module isn't wetted",
                f"pin {_number(pin)} of the chip",
                f"{OHMS}, from the chip's pin {_number(pin)} to the pad beside it: it must beep",
            ),
        ]
    level = "low" if is_low else "high"
    words = f"{pin} read {level} all the time while {dial.name} was turned"
    return Fault("low" if is_low else "open", (pin,), 0, tuple(causes), (words,), (), (pin,))


def _other_detents(dial: Dial) -> Fault:
    edges = dial.edges_per_detent
    cause = Cause(
        f"{dial.name} has {edges} edges from one detent to the next; the file says otherwise",
        f"nothing to solder: write `dial {dial.pin_a} {dial.pin_b} {dial.name} edges-per-detent {edges}` in "
        "the file's wiring",
        "no meter is needed",
    )
    words = f"from rest to rest {dial.name} gave {edges} edges, or twice or three times as many"
    pins = (dial.pin_a, dial.pin_b)
    return Fault("detents", (dial.name, str(edges)), 0, (cause,), (words,), (), pins)


def faults_of_lights(found: Iterable[Light]) -> list[Fault]:
    """Of the stage `extras`: lights that stayed dark."""
    return [_dark(one) for one in found if one.verdict is PositionVerdict.OPEN]


def _dark(light: Light) -> Fault:
    pin, number = light.pin, _number(light.pin)
    supply, rail, driven, read = ("the supply", "3V3", "low", "high")
    towards = f"its cathode goes towards {pin}, its anode towards 3V3"
    probes = f"red probe on the 3V3 side, black on the side of {pin}"
    if not light.lit_low:
        supply, rail, driven, read = ("ground", "ground", "high", "low")
        towards = f"its anode goes towards {pin}, its cathode towards ground"
        probes = f"red probe on the side of {pin}, black on ground"
    if light.held:
        held = Cause(
            f"{pin} is tied to {supply}: solder across the LED and its resistor",
            f"the light for {light.shows}, and pin {number} of the chip",
            f"{OHMS}, from {pin} to {rail}: it must not beep",
        )
        words = f"{pin} read {read} though it was driven {driven}; the light for {light.shows} can't have lit"
        return Fault(read, (pin,), 0, (held,), (words,), (), (pin,))
    causes = (
        Cause(
            "the LED is in backwards",
            f"the light for {light.shows}: {towards}",
            f"on diode test, board unplugged: {probes}: it glows, or reads 1.6 to 3 V",
        ),
        Cause(
            "a joint of the LED or its resistor isn't wetted",
            f"the light for {light.shows} and the resistor beside it",
            f"{OHMS}, across each joint: it must beep",
        ),
        Cause(
            f"the joint of {pin} at the chip or its module isn't wetted",
            f"pin {number} of the chip",
            f"{OHMS}, from the chip's pin {number} to the light: it must beep, or read the resistor",
        ),
    )
    words = f"the light for {light.shows} stayed dark while {pin} was driven {driven}, twice"
    return Fault("open", (pin,), 0, causes, (words,), (), (pin,))


def _number(pin: str) -> int:
    return package_pin_of_gpio(int(pin[4:]))
