"""Faults that no single table shows: contacts and joints that let go in time, and solder that only switches
held together tell of. `diagnose` ranks them with the others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.result import Cause, Fault, PositionVerdict
from hil.stages.flex import CABLE
from keyc.pins import package_pin_of_gpio

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from hil.judge import Matrix
    from hil.result import Flexed, HeldTogether, SwitchBounce

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
        if what in matrix.switches:
            faults.append(unsteady(matrix, what, "drops", [words]))
        elif " " in what:
            a, b = what.split()
            words = f"{a} and {b} touched {times} while the case was squeezed"
            faults.append(touching_lines(a, b, [words]))
        elif what != CABLE and blips[0].let_go:
            faults.append(loose_line(what, blips[0].switches, [words]))
        elif what != CABLE:
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
