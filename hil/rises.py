"""How long lines take to rise after a drive, and what that hints at: never more than a hint, no verdict.

A line that is let go rises through its pull-up, the sooner the less copper hangs on it. A pin of the chip
that isn't soldered has little but itself to charge. Capacitances are typical values, from memory.

Times are microseconds: an int where a board tells no finer (it says nothing then of so short a time).
"""

from __future__ import annotations

from math import exp, log

PULL_UP_OHM = (50_000, 65_000, 80_000)  # RP2040 data sheet, "Pin specifications", from memory; in the middle
PIN_PF = 5.0  # the chip's pin alone
TIME_CONSTANTS = 0.932  # ln(3.3 V / (3.3 V - 2.0 V)): from ground to the input's high threshold

# A pin alone rises in 0.23 to 0.41 us with these pull-ups, and the shortest of lines (12 pF) in 0.5 us.
_PIN_ALONE_US = 0.41
_BETWEEN_US = 0.5
_STEEPNESS = 8.0  # of the likelihood, around there: values of one kind scatter by a quarter
_MOST = (4.0, 6.0)  # for a pin alone, and against it: the hint isn't trusted beyond

_WORTH_US, _TIMES = 8, 4  # rise times of whole lines that are worth a look


def rise_us(picofarads: float, pull_up_ohm: float = PULL_UP_OHM[1]) -> float:
    """How long it takes from ground to the high threshold."""
    return TIME_CONSTANTS * pull_up_ohm * picofarads * 1e-6


def against_pin_alone(us: float | None) -> float:
    """How much likelier a soldered line rises so than a pin alone, as a logarithm; 0: nothing is known."""
    if us is None or isinstance(us, int):
        return 0.0
    fast, slow = _MOST
    return min(slow, max(-fast, _STEEPNESS * log(max(us, 0.01) / _BETWEEN_US)))


def like_a_pin_alone(us: float | None) -> bool:
    """Whether a line rises as fast as a pin that isn't soldered."""
    return us is not None and not isinstance(us, int) and us <= _PIN_ALONE_US


def cost_of_open(cost: float, cost_of_cut: float, us: float | None) -> float:
    """How rarely a line is open at its pin, or cut before its first switch, given how it rises. Costs are
    logarithms, as those of `hil.diagnosis.candidates`; only the pin is alone then, not the cut line."""
    hint = against_pin_alone(us)
    return -log(exp(-cost - hint) + exp(-max(cost_of_cut, cost))) if hint else cost


def differ(one_us: float, other_us: float) -> bool:
    """Whether two rise times are so far apart that it is worth a look."""
    least, most = sorted((one_us, other_us))
    if most >= _WORTH_US:
        return most >= _TIMES * least
    return like_a_pin_alone(least) and against_pin_alone(most) > 0


def in_us(us: float) -> str:
    """`0.3 µs`; a value that was told in whole ones as it is."""
    return f"{us} µs" if isinstance(us, int) else f"{us:.1f} µs"
