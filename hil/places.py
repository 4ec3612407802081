"""Where switches lie, and several of them, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.stages.positions import rows_of_caps

if TYPE_CHECKING:
    from collections.abc import Sequence

    from keyc.keyboard import Cap, Keyboard
    from keyc.sheet.caps import Side

_NAMED_SINGLY = 3  # of neighbours in a row


def places_of(keyboard: Keyboard, side: Side = "front") -> dict[str, str]:
    """Per switch where it lies and which pins it sits on: "row 2, 3rd from the left (GPIO3, GPIO8)"."""
    switches = {switch.name: switch for switch in keyboard.wiring.switches}
    found: dict[str, str] = {}
    for name, place in places_of_caps(keyboard.caps, side).items():
        switch = switches[name]
        gpios = [gpio for gpio in (switch.row, switch.column, switch.direct) if gpio is not None]
        found[name] = f"{place} ({', '.join(f'GPIO{gpio}' for gpio in gpios)})"
    return found


def places_of_caps(caps: Sequence[Cap], side: Side = "front") -> dict[str, str]:
    """Per cap where it lies: "row 2, 3rd from the left"; from the solder side what was left is right."""
    edge = "left" if side == "front" else "right"
    return {
        name: f"row {row}, {_ordinal(n)} from the {edge}"
        for row, names in enumerate(rows_of_caps(caps), 1)
        for n, name in enumerate(names, 1)
    }


def in_one_breath(names: Sequence[str]) -> str:
    """ "SW3, SW4 and SW5"."""
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else "".join(names)


def names_in_short(names: Sequence[str]) -> str:
    """Names with a comma between them; those that count up are told by their ends: SW2, SW5 to SW9."""
    parts: list[str] = []
    run: list[str] = []
    for name in [*names, ""]:
        if run and name and name == _following(run[-1]):
            run.append(name)
            continue
        parts += [f"{run[0]} to {run[-1]}"] if len(run) > 2 else run
        run = [name]
    return ", ".join(parts)


def _following(name: str) -> str | None:
    """SW10 after SW9; None after a name without a number at its end, or with one that begins with 0."""
    stem = name.rstrip("0123456789")
    digits = name[len(stem) :]
    return f"{stem}{int(digits) + 1}" if digits and digits[0] != "0" else None


def place_of_several(caps: Sequence[Cap], names: Sequence[str], side: Side = "front") -> str:
    """Where these caps lie, each row named once: "row 1, 2nd and 4th from the left; row 2, 1st to 9th …";
    "rows 1 to 3, 2nd from the left" where they lie below one another."""
    edge = "left" if side == "front" else "right"
    told: list[tuple[list[int], str]] = []
    for number, row in enumerate(rows_of_caps(caps), 1):
        runs: list[list[int]] = []
        for n in (n for n, name in enumerate(row, 1) if name in names):
            if runs and runs[-1][-1] == n - 1:
                runs[-1].append(n)
            else:
                runs.append([n])
        nths = [
            each
            for run in runs
            for each in (
                [f"{_ordinal(run[0])} to {_ordinal(run[-1])}"]
                if len(run) > _NAMED_SINGLY
                else [_ordinal(n) for n in run]
            )
        ]
        if nths and told and told[-1][0][-1] == number - 1 and told[-1][1] == in_one_breath(nths):
            told[-1][0].append(number)
        elif nths:
            told.append(([number], in_one_breath(nths)))
    return "; ".join(f"{_rows(numbers)}, {nths} from the {edge}" for numbers, nths in told)


def _rows(numbers: Sequence[int]) -> str:
    """Rows that follow one another: "row 1", "rows 1 and 2", "rows 1 to 3"."""
    if len(numbers) == 1:
        return f"row {numbers[0]}"
    return f"rows {numbers[0]} {'and' if len(numbers) == 2 else 'to'} {numbers[-1]}"


def _ordinal(n: int) -> str:
    if n % 100 in (11, 12, 13):
        return f"{n}th"
    return f"{n}{ {1: 'st', 2: 'nd', 3: 'rd'}.get(n % 10, 'th') }"
