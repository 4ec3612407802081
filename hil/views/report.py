"""A run's result as one HTML file that needs nothing else, and as text for the terminal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hil.diagnosis.diagnose import UNPLUG
from hil.places import names_in_short
from hil.result import BAD_LINES, BAD_POSITIONS, LineVerdict, PositionVerdict, Verdict
from hil.rises import in_us
from hil.views.bounce_plot import bounce_svg
from hil.views.measured import measured, together_in_words
from hil.views.picture import keyboard_svg, mark_svg, package_svg
from keyc.pages import pages

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

    from hil.result import Fault, Line, Position, Result
    from keyc.keyboard import Keyboard
    from keyc.sheet.caps import Side

_COLUMNS, _LINES = 80, 22  # a screen, without the prompt and the command above
_FAULTS_IN_SHORT = 16


@dataclass(frozen=True, slots=True)
class _PositionRow:
    switch: str
    row: str | None
    column: str | None
    direct_pin: str | None
    verdict: str
    mark: Markup
    is_bad: bool
    forward: str | None
    backward: str | None
    presses: int
    remark: str


@dataclass(frozen=True, slots=True)
class _LineRow:
    pin: str
    package_pin: int
    role: str
    verdict: str
    is_bad: bool
    joined: str
    rise: str
    note: str


def html_of(result: Result, keyboard: Keyboard, *, tool: str, side: Side = "front") -> str:
    """The report. Whatever a name in the keymap file holds is shown, never obeyed."""
    from markupsafe import Markup

    environment = pages()
    environment.filters["capitalize_first"] = _with_capital
    environment.filters["letter"] = _letter
    environment.filters["in_short"] = names_in_short
    counts = dict.fromkeys(PositionVerdict, 0)
    for one in result.positions:
        counts[one.verdict] += 1
    shown = [line for line in result.lines if line.role != "unused" or line.verdict is not LineVerdict.CLEAR]
    pointed = {
        int(pin) for fault in result.faults if fault.kind != "swapped" for pin in _package_pins(fault, result)
    }
    bounces = [one.bounce for one in result.positions if one.bounce is not None]
    return environment.get_template("report.html.j2").render(
        result=_WithRows(result, [_position_row(one, keyboard) for one in result.positions]),
        lines=[_line_row(line) for line in shown],
        unused_clear=[line.pin for line in result.lines if line not in shown],
        legend=[
            (verdict.value, Markup(mark_svg(verdict)), count) for verdict, count in counts.items() if count
        ],
        keyboard_picture=Markup(keyboard_svg(keyboard, result.positions, side)),
        package_picture=Markup(package_svg(result.lines, pointed)),
        bounces=bounces,
        bounce_picture=Markup(bounce_svg(bounces, result.debounce)) if bounces else None,
        blips=_blips(result),
        measured=measured(result),
        held_together=together_in_words(result.together),
        not_tested=not_tested(result),
        side=side,
        tool=tool,
        unplug=UNPLUG,
    )


class _WithRows:
    """The result, with its positions as rows of a table."""

    def __init__(self, result: Result, positions: Sequence[_PositionRow]) -> None:
        self._result = result
        self.positions = positions

    def __getattr__(self, name: str) -> object:
        return getattr(self._result, name)


def _package_pins(fault: Fault, result: Result) -> list[int]:
    """The pins of a fault whose place is the chip itself."""
    if fault.kind not in ("bridge", "low", "high", "open", "leaky", "slow"):
        return []
    if fault.kind == "open" and not fault.where[0].startswith("GPIO"):
        return []
    by_name = {line.pin: line.package_pin for line in result.lines}
    return [by_name[word] for word in fault.where if word in by_name]


def _position_row(one: Position, keyboard: Keyboard) -> _PositionRow:
    from markupsafe import Markup

    switch = next(each for each in keyboard.wiring.switches if each.name == one.switch)
    return _PositionRow(
        switch=one.switch,
        row=one.row,
        column=one.column,
        direct_pin=None if switch.direct is None else f"GPIO{switch.direct} to ground",
        verdict=one.verdict.value,
        mark=Markup(mark_svg(one.verdict)),
        is_bad=one.verdict in BAD_POSITIONS,
        forward=one.direct or one.forward,
        backward=one.backward,
        presses=one.presses,
        remark=_remark(one),
    )


def _blips(result: Result) -> list[tuple[str, str]]:
    """Per place how often it blipped and for how long, in words."""
    blips = result.flexed.blips if result.flexed else ()
    found = []
    for what in dict.fromkeys(one.what for one in blips):
        mine = [one for one in blips if one.what == what]
        times = "once" if len(mine) == 1 else f"{len(mine)} times"
        did = "let go" if mine[0].let_go else "closed"
        longest_ms = max(one.took_us for one in mine) / 1000
        found.append((what.replace(" ", " and "), f"{did} {times}, {longest_ms:.1f} ms"))
    return found


def _remark(one: Position) -> str:
    parts = []
    if one.answered_as:
        parts.append(f"answered {'from' if ' to ' in one.answered_as else 'as'} {one.answered_as}")
    if one.blocked_by and one.verdict is PositionVerdict.UNTESTED:
        parts.append("; ".join(one.blocked_by))
    elif one.verdict is PositionVerdict.ANSWERS:
        parts.append("; ".join(one.blocked_by) or "not asked for")
    return ", ".join(parts)


def _line_row(line: Line) -> _LineRow:
    return _LineRow(
        pin=line.pin,
        package_pin=line.package_pin,
        role=line.role,
        verdict=line.verdict.value,
        is_bad=line.verdict in BAD_LINES,
        joined=", ".join(
            other.name if other.package_pin is None else f"{other.name} (pin {other.package_pin})"
            for other in line.joined
        ),
        rise="" if line.rise_us is None else in_us(line.rise_us),
        note=line.note or "",
    )


def _letter(n: int) -> str:
    """a, b … z, aa, ab …"""
    before, n = divmod(n, 26)
    return (_letter(before - 1) if before else "") + "abcdefghijklmnopqrstuvwxyz"[n]


def _with_capital(text: str) -> str:
    """The text with its first letter large, unless that is part of a name."""
    first, _, rest = text.partition(" ")
    return (
        text
        if any(c.isdigit() or c.isupper() for c in first)
        else f"{first[:1].upper()}{first[1:]} {rest}".rstrip()
    )


# -- text --------------------------------------------------------------------------------------------


def text_of(result: Result) -> str:
    """The result for a terminal of 80 columns. Where it is longer than a screen, what matters comes once
    more at its end, so that it is what one sees."""
    lines = _text_lines(result)
    if len(lines) > _LINES:
        lines += ["", *_in_short(result)]
    return "\n".join(lines)


def _in_short(result: Result) -> list[str]:
    """A screen at most: a line for each fault, and what to do next."""
    lines = [f"In short: {_headline(result)}"]
    for fault in result.faults[:_FAULTS_IN_SHORT]:
        cause = f": {fault.causes[0].what}" if fault.causes else ""
        lines.append(f"  {fault.rank}. {fault.title}{cause}")
    more = len(result.faults) - _FAULTS_IN_SHORT
    if more > 0:
        lines.append(f"  … and {more} more, above")
    untested = [one.switch for one in result.positions if one.verdict is PositionVerdict.UNTESTED]
    if untested:
        lines.append(f"  not tested: {names_in_short(untested)}")
    return [line if len(line) <= _COLUMNS else f"{line[: _COLUMNS - 1]}…" for line in lines]


def _text_lines(result: Result) -> list[str]:
    lines = [_headline(result)]
    if result.trouble:
        lines += _wrapped(f"the bench could not go on: {result.trouble}", "  ")
    for note in result.notes:
        lines += _wrapped(note, "  ")
    if result.faults:
        # What a dead board wants measured is volts, and it says its own cautions.
        alive = any(fault.kind != "no-usb" for fault in result.faults)
        lines += ["", f"Mend first. {UNPLUG}" if alive else "Mend first."]
        for fault in result.faults:
            lines += _fault_lines(fault)
    if result.ghosting:
        lines += ["", "Ghosting"]
        for ghost in result.ghosting:
            sure = "proven" if ghost.proven else "suspected"
            lines += _wrapped(
                f"{', '.join(ghost.rectangle)}: {ghost.ghost} is a ghost; {ghost.suspect}’s diode is bad "
                f"({sure})",
                "  ",
            )
    found = measured(result)
    if found:
        lines += ["", "Measured"]
        for text in found:
            lines += _wrapped(text, "  ")
    if result.suggested_wiring:
        lines += ["", "If the board is right and the file is not:", result.suggested_wiring.rstrip("\n")]
    if result.not_tested:
        lines += ["", "Not tested, and why"]
        for text in not_tested(result):
            lines += _wrapped(text, "  ")
    return lines


def _headline(result: Result) -> str:
    words = {
        Verdict.PASS: "pass",
        Verdict.FAIL: "FAIL",
        Verdict.INCOMPLETE: "incomplete",
        Verdict.ERROR: "ERROR",
        Verdict.ABORTED: "stopped",
    }
    return f"{result.keyboard}: {words.get(result.verdict, result.verdict.value)}, {in_words(result)}"


def in_words(result: Result) -> str:
    """ "24 of 26 switches proven, 2 faults"."""
    faults = f", {len(result.faults)} fault{'s' if len(result.faults) != 1 else ''}" if result.faults else ""
    return result.proven_in_words + faults


def _fault_lines(fault: Fault) -> list[str]:
    lines = ["", f"{fault.rank}. {fault.title}"]
    for text in fault.evidence:
        lines += _wrapped(text, "   ")
    for n, cause in enumerate(fault.causes):
        lines += _wrapped(f"{_letter(n)}) {cause.what}", "   ", "      ")
        lines += _wrapped(f"look at: {cause.look_at}", "      ", "        ")
        lines += _wrapped(f"meter: {cause.meter}", "      ", "        ")
    return lines


def not_tested(result: Result) -> list[str]:
    """What wasn't tested, with switches that have the same reason on one line."""
    names = {one.switch for one in result.positions}
    by_reason: dict[str, list[str]] = {}
    others = []
    for text in result.not_tested:
        name, colon, reason = text.partition(": ")
        if colon and name in names:
            by_reason.setdefault(reason, []).append(name)
        else:
            others.append(text)
    return [*(f"{names_in_short(who)}: {reason}" for reason, who in by_reason.items()), *others]


def _wrapped(text: str, indent: str, further: str | None = None) -> list[str]:
    from textwrap import wrap

    return wrap(
        text,
        _COLUMNS,
        initial_indent=indent,
        subsequent_indent=indent if further is None else further,
        break_on_hyphens=False,
    )
