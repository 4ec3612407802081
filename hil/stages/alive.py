"""The stage `alive`: before any firmware answers, what the computer sees of the chip, and what that leaves.

Pin numbers: RP2040 datasheet, "Pinout". Voltages, and which part is the likeliest: from memory and common
practice; the data sheets of the chip and of the board's own parts come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from hil.result import Cause, Fault, Verdict


class Sight(Enum):
    """What the computer sees of the board, from most to least alive; `OPENS`: nobody has asked yet."""

    OPENS = "the port opens; whether a bench image answers there is told next"
    ANSWERS = "a board answers: its chip, its crystal and its USB live"
    SILENT = "a serial port on USB is there, and nothing on it answers"
    DRIVE = "the chip's own drive is there: chip, crystal and USB live, and it waits for an image"
    DRIVE_AGAIN = "the chip took an image, and shows its own drive again: it doesn't start what it was given"
    LEFT = "the chip took an image and left, and nothing has come back"
    BROKEN = "something is plugged in that the computer can't talk to: its descriptor doesn't come through"
    NOTHING = "the computer sees nothing at all of the board"


_LOAD = "the bench image goes with the power: plug the board in with BOOTSEL held, and it is copied again"

_ELSEWHERE = (
    "`hil ports` lists the ports and what answers there; without --port, `hil bench FILE --stages alive` "
    "looks for the chip itself, and says what to measure"
)

_NOT_SHOWN = "a device that can't be talked to: this computer doesn't show whether one was plugged in"

# Before the first plug-in, and before every measurement.
CAUTIONS = (
    "Before the first plug-in: board unplugged, meter on ohms: VBUS to ground, then 3V3 to ground. A few "
    "ohms or less is a short; find it first.",
    "Use a supply with a current limit, or a port that you can afford to lose. What gets hot is shorted: "
    "touch-check early, unplug.",
    "Unplug before the iron or the ohms. Measure volts with one steady probe; keep tweezers away from VBUS.",
)

_VOLTS = "on V DC, black lead to ground, board plugged in"
_OHMS = "on ohms, board unplugged"

_SUPPLY = Cause(
    "the chip has no 3.3 V",
    "pins 1, 10, 22, 33, 42, 49 (IOVDD), 48 (USB_VDD), 43 (ADC_AVDD); the regulator and its joints",
    f"{_VOLTS}: 3.2 to 3.4 V at each of these pins, and about 5 V at the regulator's input",
)
_CORE = Cause(
    "the chip's core has no 1.1 V",
    "pins 44 (VREG_IN), 45 (VREG_VOUT), 23 and 50 (DVDD), and their capacitors",
    f"{_VOLTS}: 3.3 V at pin 44, 1.05 to 1.15 V at pins 45, 23 and 50",
)
_RESET = Cause(
    "the chip is held in reset, or in its test mode",
    "pin 26 (RUN) and its neighbours; pin 19 (TESTEN), which belongs to ground",
    f"{_VOLTS}: pin 26 reads 3.3 V, pin 19 reads 0 V",
)
_CRYSTAL = Cause(
    "the crystal doesn't swing",
    "pins 20 (XIN) and 21 (XOUT), the crystal, its capacitors and the series resistor at pin 21",
    f"{_OHMS}: neither pin is shorted to ground or to the other (a probe can stop a good crystal)",
)
_DATA = Cause(
    "the data lines don't reach the chip",
    "pins 46 (USB_DM) and 47 (USB_DP), their 27 Ω resistors, the connector's D− and D+",
    f"{_OHMS}: about 27 Ω from the connector's D− to pin 46 and from D+ to pin 47; many kΩ between the two",
)
_CABLE = Cause(
    "the cable or the port",
    "another cable, one that carries data (many only charge), straight into the computer",
    f"{_VOLTS}: about 5 V between VBUS and ground at the board's connector",
)
_STARVES = Cause(
    "the supply sags when the chip starts",
    "the regulator and the capacitors at pins 1, 10, 22, 33, 42, 49 and at 23, 45, 50",
    f"{_VOLTS}: 3.3 V and 1.1 V stay while the image is copied and starts",
)
_COPY = Cause(
    "the image isn't whole, or not for this chip",
    "build it again and copy it again: keyc firmware FILE --image bench -o bench.uf2",
    "nothing to measure",
)

_CAUSES = {
    Sight.DRIVE_AGAIN: (_COPY, _STARVES),
    Sight.LEFT: (_STARVES, _CRYSTAL, _DATA, _COPY),
    Sight.BROKEN: (_DATA, _CRYSTAL, _SUPPLY),
    Sight.NOTHING: (_CABLE, _SUPPLY, _CORE, _RESET, _CRYSTAL, _DATA),
}


@dataclass(frozen=True, slots=True)
class AliveFindings:
    """`fault` is what the board has, if it is the board; `not_tested` what couldn't be seen. `notes`: what to
    do, and to mind."""

    sight: Sight
    verdict: Verdict
    fault: Fault | None = None
    not_tested: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def stopped() -> AliveFindings:
    """The person ended it before a board was seen: that is nobody's fault."""
    left = "whether the chip lives: stopped before a board answered (--stages alive)"
    return AliveFindings(Sight.NOTHING, Verdict.ABORTED, not_tested=(left,))


def findings(sight: Sight, *, sees_broken: bool = True) -> AliveFindings:
    """What a sight means. `sees_broken`: whether this computer shows devices that it can't talk to. The image
    that was copied lies in RAM, so the flash chip has no part in any of this."""
    not_tested = (_NOT_SHOWN,) if sight is Sight.NOTHING and not sees_broken else ()
    causes = _CAUSES.get(sight)
    if causes is None:
        if sight in (Sight.ANSWERS, Sight.OPENS):
            return AliveFindings(sight, Verdict.PASS)
        if sight is Sight.SILENT:
            return AliveFindings(sight, Verdict.INCOMPLETE, notes=(sight.value, _LOAD, _ELSEWHERE))
        return AliveFindings(sight, Verdict.INCOMPLETE, notes=(sight.value, _LOAD))
    fault = Fault("no-usb", (), 1, causes, (sight.value,))
    return AliveFindings(sight, Verdict.FAIL, fault, not_tested, CAUTIONS)
