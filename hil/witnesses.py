"""Three witnesses of one wiring: the keymap file, the board's netlist, and what a bench run measured.

Two can only differ; a third says who is the odd one out. The file says what is meant, the netlist what was
drawn, the bench what was soldered. Each says for a switch which pins it closes, and which pin its diode's
cathode is at; or it says nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

from keyc.keyboard import Diodes
from keyc.netlist.wired_board import Side, natural

if TYPE_CHECKING:
    from hil.history import Run
    from keyc.keyboard import Keyboard, Switch
    from keyc.netlist.wired_board import Key
    from keyc.netlist.witnesses import Comparison

# Verdicts of a switch that was asked for and answered at its own place.
_AT_ITS_PLACE = frozenset({"proven", "reversed", "shorted", "intermittent", "chattering"})

Pins = frozenset[int]  # of GPIOs; empty: there is no such switch


class Odd(Enum):
    """Who differs from the two others."""

    NOBODY = "nobody"
    FILE = "file"
    NETLIST = "netlist"
    BENCH = "bench"
    ALL = "all"  # no two agree
    UNDECIDED = "undecided"  # two differ, and the third says nothing
    UNHEARD = "unheard"  # those who speak agree, and one says nothing


@dataclass(frozen=True, slots=True)
class Testimony:
    """What the three say of one switch: `what` is "pins" or "cathode". None: says nothing."""

    switch: str
    what: str
    file: Pins | None
    netlist: Pins | None
    bench: Pins | None

    @property
    def odd(self) -> Odd:
        """Who differs from the other two; with one of them silent, whether those who speak agree."""
        file, netlist, bench = self.file, self.netlist, self.bench
        heard = [one for one in (file, netlist, bench) if one is not None]
        if len(heard) < 3:
            return Odd.UNHEARD if len(set(heard)) <= 1 else Odd.UNDECIDED
        if len(set(heard)) == 1:
            return Odd.NOBODY
        if netlist == bench:
            return Odd.FILE
        if file == bench:
            return Odd.NETLIST
        return Odd.BENCH if file == netlist else Odd.ALL

    def as_json(self) -> dict[str, Any]:
        said = {"file": self.file, "netlist": self.netlist, "bench": self.bench}
        pins = {who: None if one is None else _named(one) for who, one in said.items()}
        return {"switch": self.switch, "what": self.what, **pins, "odd": self.odd.value}


@dataclass(frozen=True, slots=True)
class Hearing:
    """All three, heard. `other_netlist`: the one that the run's board was said to be of, if another."""

    file: str
    netlist: str
    fingerprint: str
    when: str
    testimonies: tuple[Testimony, ...]
    other_netlist: str | None
    is_virtual: bool

    @property
    def differing(self) -> tuple[Testimony, ...]:
        return tuple(one for one in self.testimonies if one.odd not in (Odd.NOBODY, Odd.UNHEARD))

    @property
    def is_whole(self) -> bool:
        """Whether every switch has all three witnesses."""
        pins = [one for one in self.testimonies if one.what == "pins"]
        return bool(pins) and all(one.odd is not Odd.UNHEARD for one in pins)

    def as_json(self) -> dict[str, Any]:
        return {
            "file": self.file,
            "netlist": self.netlist,
            "fingerprint": self.fingerprint,
            "record_fingerprint": self.other_netlist,
            "run": self.when,
            "switches": [one.as_json() for one in self.testimonies],
        }


def heard(keyboard: Keyboard, netlist: str, comparison: Comparison, run: Run) -> Hearing:
    """A file, its board's netlist (already compared), and a run of the bench."""
    fingerprint = comparison.read.fingerprint
    other = run.netlist if run.netlist not in (None, fingerprint) else None
    found = tuple(_testimonies(keyboard, comparison, run))
    return Hearing(keyboard.span.source.name, netlist, fingerprint, run.when, found, other, run.is_virtual)


def _testimonies(keyboard: Keyboard, comparison: Comparison, run: Run) -> Iterator[Testimony]:
    board = comparison.read.board
    keys = {key.contact: key for key in board.keys}
    switches: dict[str, Switch | None] = {one.name: one for one in keyboard.wiring.switches}
    matched = {wired.name for wired in comparison.match.values()}
    switches |= {name: None for name in comparison.board if name not in matched}
    for name in sorted(switches, key=natural):
        switch = switches[name]
        wired = comparison.match.get(name) or (comparison.board[name] if switch is None else None)
        drawn: Pins | None
        if wired is not None:
            drawn = frozenset(pin for pin in wired.pins if pin is not None)
        else:
            drawn = None if name in comparison.unread else frozenset()
        meant = frozenset() if switch is None else _pins(switch)
        pins = Testimony(name, "pins", meant, drawn, _measured(run, name))
        yield pins
        if pins.odd in (Odd.NOBODY, Odd.UNHEARD) and switch is not None:
            key = keys.get(wired.contact) if wired is not None else None
            cathode = Testimony(
                name,
                "cathode",
                _meant_cathode(switch, keyboard.wiring.diodes),
                None if key is None else _drawn_cathode(comparison, key),
                _measured_cathode(run, name),
            )
            if cathode.odd is not Odd.UNHEARD:
                yield cathode


def _pins(switch: Switch) -> Pins:
    return frozenset(pin for pin in (switch.row, switch.column, switch.direct) if pin is not None)


def _measured(run: Run, name: str) -> Pins | None:
    """Where the bench found a switch: at its place in the file of then, or at that of another one."""
    verdict = run.verdicts.get(name)
    at = run.answered_as.get(name) if verdict == "swapped" else name
    if at is None or (verdict != "swapped" and verdict not in _AT_ITS_PLACE):
        return None
    if " to " in at:  # where the file has no switch
        return frozenset(int(word[4:]) for word in at.split(" to ") if word != "GND")
    return frozenset(run.pins.get(at, ())) or None


def _meant_cathode(switch: Switch, diodes: Diodes) -> Pins | None:
    pin = {Diodes.CATHODE_TO_ROW: switch.row, Diodes.CATHODE_TO_COLUMN: switch.column}.get(diodes)
    return None if pin is None else frozenset({pin})


def _drawn_cathode(comparison: Comparison, key: Key) -> Pins | None:
    if key.cathode is None:
        return None
    pin = comparison.read.board.gpio(key.row if key.cathode is Side.ROW else key.column)
    return None if pin is None else frozenset({pin})


def _measured_cathode(run: Run, name: str) -> Pins | None:
    pins = run.pins.get(name, ())
    if len(pins) != 2 or run.diodes not in ("cathode-to-row", "cathode-to-column"):
        return None
    row, column = pins
    with_file, against = (row, column) if run.diodes == "cathode-to-row" else (column, row)
    at = {"proven": with_file, "reversed": against}.get(run.verdicts.get(name, ""))
    return None if at is None else frozenset({at})


# ---- in words ---------------------------------------------------------------------------------

_HEADINGS = {
    Odd.FILE: "The file is the odd one out: netlist and bench agree.\n"
    "`keyc check FILE --netlist NET` prints what to write.",
    Odd.NETLIST: "The netlist is the odd one out: file and bench agree.\n"
    "It is of another revision of the board, or the board was changed by hand.",
    Odd.BENCH: "The board is the odd one out: file and netlist agree.\n"
    "It isn't soldered as it was drawn; `hil bench` says where to look.",
    Odd.ALL: "No two agree:",
    Odd.UNDECIDED: "Two differ, and the third says nothing:",
}


def text_of(hearing: Hearing) -> str:
    """Who is the odd one out where, for people, on lines of 80 columns."""
    from textwrap import wrap

    lines = [
        f"file:    {hearing.file}",
        f"netlist: {hearing.netlist} (board {hearing.fingerprint})",
        f"bench:   the run of {hearing.when or 'an unknown time'}",
    ]
    if hearing.is_virtual:
        lines.append("         on a virtual board, which is made from a keymap file")
    if hearing.other_netlist:
        lines.append(
            f"that run was of another revision of the board: its netlist was {hearing.other_netlist}"
        )
    for odd, heading in _HEADINGS.items():
        found = [one for one in hearing.differing if one.odd is odd]
        lines += ["", heading] if found else []
        for one in found:
            lines += wrap(_in_words(one), 80, initial_indent="  ", subsequent_indent="      ")
    pins = [one for one in hearing.testimonies if one.what == "pins"]
    differing = {one.switch for one in hearing.differing}
    agreed = [one for one in pins if one.odd is Odd.NOBODY and one.switch not in differing]
    unheard = [one.switch for one in pins if one.odd is Odd.UNHEARD and one.switch not in differing]
    lines += ["", f"all three agree on {len(agreed)} of {len(pins)} switches"]
    if unheard:
        lines.append(f"one says nothing, and the others agree: {_listed(unheard)}")
    return "\n".join(lines)


def _in_words(one: Testimony) -> str:
    said: dict[str, list[str]] = {}
    for who, pins in (("file", one.file), ("netlist", one.netlist), ("bench", one.bench)):
        if pins is not None:
            said.setdefault(_pins_in_words(pins, one.what), []).append(who)
    return f"{one.switch}: " + "; ".join(f"{' and '.join(who)}: {pins}" for pins, who in said.items())


def _pins_in_words(pins: Pins, what: str) -> str:
    if not pins:
        return "not there"
    words = " and ".join(_named(pins))
    if what == "cathode":
        return f"its diode's cathode is at {words}"
    return words if len(pins) > 1 else f"{words} alone"


def _named(pins: Pins) -> list[str]:
    return [f"GPIO{pin}" for pin in sorted(pins)]


_FEW = 8


def _listed(names: list[str]) -> str:
    more = len(names) - _FEW
    return ", ".join(names[:_FEW]) + (f" and {more} more" if more > 0 else "")
