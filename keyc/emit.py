"""Tables → C: {file name: text}. Touches no disk but to read what ships with the package.

The text is the same for the same input on every machine: it holds no date and no path. Python
hands the templates data (numbers, and what comments say); the C lies in `templates/`.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from itertools import accumulate, count, groupby
from pathlib import Path
from typing import TYPE_CHECKING

from keyc import __version__
from keyc.files import shipped
from keyc.keyboard import Action, AnotherKey, Cell, Diodes, Keyboard, Rules, Switch
from keyc.layouts import written_press
from keyc.record import Record
from keyc.source import Span
from keyc.table_rows import NO_SWITCH, TABLES_VERSION, Further, Tables, modifier_bits

if TYPE_CHECKING:
    from jinja2 import Environment

ENGINE_FILES = (
    "keyc_engine.h",
    "engine_internal.h",
    "engine_scan.c",
    "engine_settle.c",
    "engine_layers.c",
    "engine_further.c",
    "engine_decide.c",
    "engine_chords.c",
    "engine_taps.c",
    "engine_modes.c",
    "engine_typing.c",
    "engine_pointer.c",
    "engine_dials.c",
    "engine_lights.c",
    "engine_reports.c",
    "engine_usb.h",
    "engine_usb.c",
    "engine_usb_keys.h",
    "engine_usb_keys.c",
)
_TEMPLATES = {"tables.c.j2": "{}_tables.c", "tables.h.j2": "{}_tables.h", "keyc.cmake.j2": "keyc.cmake"}


class _Row(Record):
    """One line of C: numbers, each with its comma, and what they are."""

    numbers: str
    text: str


class _Layer(Record):
    name: str
    place: str
    rows: list[_Row]


def files_of(keyboard: Keyboard, tables: Tables) -> dict[str, str]:
    """Every file of `keyc build`, by name: the tables, the engine, a CMake function."""
    environment = _environment()
    data = _data(keyboard, tables)
    files = {
        name.format(keyboard.stem): environment.get_template(template).render(data)
        for template, name in _TEMPLATES.items()
    }
    for name in ENGINE_FILES:
        files[name] = shipped("templates", "engine", name).read_text(encoding="utf-8")
    return files


def template_text(template: str, data: Mapping[str, object]) -> str:
    """One template of `templates/`, filled in."""
    return _environment().get_template(template).render(data)


def depfile_text(file: str, folder: str, files: Iterable[str], more: Iterable[Path] = ()) -> str:
    """A make rule: the built files depend on the keymap and on what ships with this version, `more` too.

    UserError for a name that no rule can hold.
    """
    made = " ".join(_make_word(str(Path(folder, name)), "%") for name in sorted(files))
    used = [shipped("templates", name) for name in _TEMPLATES]
    used += [shipped("templates", "engine", name) for name in ENGINE_FILES]
    used += more
    # The keymap comes last: a name with `=` in the first place is read as a variable.
    return f"{made}: {' '.join(map(_make_word, [*map(str, used), file]))}\n"


def _make_word(path: str, neither: str = "") -> str:
    """As GNU make and ninja read it. On Windows a `:` follows the drive and is none of theirs.

    What ends a rule's list of names, and what only one of them could be told, is refused: `;` begins a
    command. `neither`: more signs that can't stand there.
    """
    bad = next((sign for sign in path if ord(sign) < 0x20 or sign in f";|{neither}"), None)
    if bad is not None:
        from keyc.diagnostics import UserError

        named = f"`{bad}`" if bad.isprintable() else "a line end" if bad in "\r\n" else "a control character"
        raise UserError(
            f"{path!r}: a name with {named} can't stand in a rule for make or ninja",
            "rename it, or leave out --depfile",
            exit_status=2,
        )
    word = path.replace("$", "$$").replace("#", "\\#").replace(" ", "\\ ")
    return word if os.name == "nt" else word.replace(":", "\\:")


def comment(text: str) -> str:
    """Text as it may stand in a C comment: no end of comment, no trigraph, no line end, ASCII.

    Whatever else can't stand there is written as its code point.
    """
    if text.isascii() and text.isprintable() and not _NOT_IN_COMMENT.search(text):
        return text
    return _NOT_IN_COMMENT.sub(lambda found: "".join(f"<U+{ord(c):04X}>" for c in found[0]), text)


_NOT_IN_COMMENT = re.compile(r"[^ -~]|\\|(?<=\*)/|(?<=/)\*|(?<=\?)\?")


def _environment() -> Environment:
    """Compiled templates are kept in the cache folder: compiling them takes longer than all else."""
    from jinja2 import Environment, FileSystemBytecodeCache, FileSystemLoader, StrictUndefined
    from jinja2.bccache import Bucket

    from keyc.cache import cache_folder

    class Kept(FileSystemBytecodeCache):
        def dump_bytecode(self, bucket: Bucket) -> None:
            with suppress(OSError):  # a full disk costs time, not the result
                super().dump_bytecode(bucket)

    folder = cache_folder()
    environment = Environment(
        loader=FileSystemLoader(shipped("templates")),
        bytecode_cache=Kept(str(folder), "template-%s.cache") if folder else None,
        undefined=StrictUndefined,
        autoescape=False,  # this is C: what comes from the file goes through `comment`
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["comment"] = comment
    return environment


def _data(keyboard: Keyboard, tables: Tables) -> Mapping[str, object]:
    wiring = keyboard.wiring
    driven_side, sensed_side = ("rows", "columns")
    if wiring.diodes is Diodes.CATHODE_TO_COLUMN:
        driven_side, sensed_side = sensed_side, driven_side
    file_name, digest = _file_name(keyboard.span), _digest(keyboard.span)
    return {
        "banner": f"Made by keyc {__version__} from {file_name}, SHA-256 {digest}",
        "stem": keyboard.stem,
        "title": keyboard.title,
        "title_place": _place(keyboard.span),
        "version": TABLES_VERSION,
        "no_switch": NO_SWITCH,
        "tables": tables,
        "driven_side": driven_side,
        "sensed_side": sensed_side,
        "driven": _lines(tables.driven, wiring.switches),
        "sensed": _lines(tables.sensed, wiring.switches),
        "direct": _lines(tables.direct, wiring.switches),
        "switch_at": list(_crossings(tables, wiring.switches)),
        "layers": list(_layers(keyboard, tables)),
        "actions": _actions(keyboard, tables),
        "timing_place": _place(keyboard.span),
        "timing_of": _numbers_of_switches(tables.timing_of, keyboard, tables),
        "further": tables.further,
        **(_further_data(keyboard, tables, tables.further) if tables.further else {}),
    }


def _file_name(span: Span) -> str:
    return re.split(r"[/\\]", span.source.name)[-1]


def _place(span: Span) -> str:
    return f"{_file_name(span)}:{span.source.place(span.start)[0]}"


def _digest(span: Span) -> str:
    from hashlib import sha256

    return sha256(span.source.text.encode()).hexdigest()


def _lines(pins: Sequence[int], switches: Sequence[Switch]) -> list[_Row]:
    first: dict[int, Switch] = {}
    for switch in switches:
        for pin in (switch.row, switch.column, switch.direct):
            if pin is not None:
                first.setdefault(pin, switch)
    return [
        _Row(f"{pin}u,", f"GPIO{pin}, with {first[pin].name} at {_place(first[pin].span)}") for pin in pins
    ]


def _crossings(tables: Tables, switches: Sequence[Switch]) -> Iterator[_Row]:
    for pin, numbers in zip(
        [*(f"GPIO{pin}" for pin in tables.driven), "direct"], tables.switch_at, strict=True
    ):
        names = " ".join("--" if number == NO_SWITCH else switches[number].name for number in numbers)
        if numbers:
            yield _Row(" ".join(f"{number}u," for number in numbers), f"{pin}: {names}")


def _row_slices(switches: Sequence[Switch], tables: Tables) -> list[slice]:
    """The switches of each row of the wiring, as they are numbered; then the two of each dial."""
    counts = [sum(1 for _ in members) for _, members in groupby(switches, key=lambda switch: switch.row)]
    ends = list(accumulate(counts + [2] * len(tables.dials)))
    return [slice(start, end) for start, end in zip([0, *ends], ends, strict=False)]


def _layers(keyboard: Keyboard, tables: Tables) -> Iterator[_Layer]:
    names = [switch.name for switch in keyboard.wiring.switches]
    turns = {(turn.dial, turn.layer): turn for turn in keyboard.dials}
    slices = _row_slices(keyboard.wiring.switches, tables)
    for layer, numbers in zip(keyboard.layers, tables.cells, strict=True):
        texts = [f"{name} {layer.cells[name].text}" for name in names]
        for dial in tables.dials:
            turn = turns.get((dial.name, layer.name))
            texts += [f"{dial.name} {turn.clockwise.text}" if turn else dial.name]
            texts += [turn.counter_clockwise.text if turn else ".."]
        words = [f"0x{number:04X}u," for number in numbers]
        rows = [_Row(" ".join(words[part]), "  ".join(texts[part])) for part in slices]
        yield _Layer(layer.name, _place(layer.span), rows)


def _actions(keyboard: Keyboard, tables: Tables) -> list[_Row]:
    """Each with the text of the first cell that does it, where it is all of a cell."""
    if not tables.actions:
        return []
    texts = _texts(keyboard)
    rows = []
    for action in tables.actions:
        usage, bits = action.usage, modifier_bits(action.modifiers)
        text = texts.get(action) or written_press(action)
        rows.append(_Row(f"KEYC_ACTION(0x{usage.page:02X}u, 0x{usage.id:04X}u, 0x{bits:02X}u),", text))
    return rows


def _texts(keyboard: Keyboard) -> dict[Action, str]:
    """What each action is called where it first stands."""
    return {cell.action: cell.text for cell in reversed(list(_all_cells(keyboard)))}


def _all_cells(keyboard: Keyboard) -> Iterator[Cell]:
    for layer in keyboard.layers:
        yield from layer.cells.values()
    for chord in keyboard.chords:
        yield chord.cell
    for dial in keyboard.dials:
        yield from (dial.clockwise, dial.counter_clockwise)


def _numbers_of_switches(numbers: Sequence[int] | None, keyboard: Keyboard, tables: Tables) -> list[_Row]:
    """A number for each switch, a row for each row of the wiring."""
    if numbers is None:
        return []
    switches = keyboard.wiring.switches
    names = [switch.name for switch in switches]
    for dial in tables.dials:
        names += [dial.name, "the other way"]
    return [
        _Row(" ".join(f"{n}u," for n in numbers[part]), " ".join(names[part]))
        for part in _row_slices(switches, tables)
    ]


# ---- further tables


def _further_data(keyboard: Keyboard, tables: Tables, further: Further) -> Mapping[str, object]:
    names = [switch.name for switch in keyboard.wiring.switches]
    layers = [layer.name for layer in keyboard.layers]
    texts, sets = further.texts, further.chord_sets
    return {
        "rules": [_rules_row(rules) for rules in further.rules],
        "rules_of": _numbers_of_switches(further.rules_of, keyboard, tables),
        "duals": [
            _Row(f"{{ {_cell(row.tap)}, {_cell(row.hold)} }},", text)
            for row, text in zip(further.duals, texts["duals"], strict=True)
        ],
        "tap_cells": _cell_rows(further.taps, texts["taps"]),
        "taps": [
            _Row(f"{{ {first}u, {len(cells)}u }},", text)
            for first, cells, text in zip(_firsts(further.taps), further.taps, texts["taps"], strict=True)
        ],
        "chords": [
            _Row(
                f"{{ {_cell(row.cell)}, {len(row.members)}u, {row.layer}u }},",
                f"{chord.cell.text} on {chord.layer}, {_place(chord.span)}",
            )
            for row, chord in zip(further.chords, keyboard.chords, strict=True)
        ],
        "chord_sets": [
            _Row(" ".join(f"0x{word:08X}u," for word in words), " ".join(names[n] for n in row.members))
            for words, row in zip(sets.words, further.chords, strict=True)
        ],
        "chord_switches": [_Row(f"{n}u,", names[n]) for n in sets.switches],
        "chord_place_of": _numbers_of_switches(sets.place_of, keyboard, tables),
        "chords_of": [
            _Row(" ".join(f"{n}u," for n in [*_firsts(sets.chords_at), sum(map(len, sets.chords_at))]), "")
        ],
        "chord_list": [
            _Row(" ".join(f"{n}u," for n in numbers), names[switch])
            for switch, numbers in zip(sets.switches, sets.chords_at, strict=True)
        ],
        "when_layers": [
            _Row(" ".join(f"{n}u," for n in row.others), " ".join(layers[n] for n in row.others))
            for row in further.whens
        ],
        "whens": [
            _Row(f"{{ {first}u, {len(row.others)}u, {row.layer}u }},", layers[row.layer])
            for first, row in zip(_firsts([row.others for row in further.whens]), further.whens, strict=True)
        ],
        "dials": [
            _Row(f"{{ {dial.pin_a}u, {dial.pin_b}u, {dial.edges_per_detent}u, {number}u }},", dial.name)
            for number, dial in zip(count(further.first_turn, 2), further.dials, strict=False)
        ],
        "lights": [
            _Row(
                f"{{ {row.pin}u, {'true' if row.lit_low else 'false'}, {row.indicator}u, {row.layer}u }},",
                f"{light.name}, {_place(light.span)}",
            )
            for row, light in zip(further.lights, keyboard.wiring.lights, strict=True)
        ],
        "strokes": _cell_rows(further.sequences, texts["sequences"]),
        "sequences": [
            _Row(f"{first}u,", text)
            for first, text in zip(_firsts(further.sequences), texts["sequences"], strict=True)
        ],
    }


def _rules_row(rules: Rules) -> _Row:
    times = (
        rules.hold_after_us,
        rules.chord_within_us,
        rules.taps_within_us,
        rules.tap_if_typing_within_us,
        rules.repeat_if_tapped_within_us,
    )
    said = {
        "KEYC_HOLD_IF_ANOTHER_TAPPED": rules.hold_if_another_key is AnotherKey.TAPPED,
        "KEYC_HOLD_IF_ANOTHER_PRESSED": rules.hold_if_another_key is AnotherKey.PRESSED,
        "KEYC_NEXT_TWICE_LOCKS": rules.next_twice_locks,
    }
    flags = " | ".join(flag for flag, holds in said.items() if holds) or "0"
    numbers = " ".join(f"{time_us}u," for time_us in times)
    return _Row(f"{{ {numbers} {flags} }},", "")


def _cell(number: int) -> str:
    return f"0x{number:04X}u"


def _cell_rows(rows: Iterable[Sequence[int]], texts: Iterable[str]) -> list[_Row]:
    return [
        _Row(" ".join(f"{_cell(n)}," for n in cells), text) for cells, text in zip(rows, texts, strict=True)
    ]


def _firsts(rows: Iterable[Sequence[int]]) -> list[int]:
    """Where each row begins when they lie one after the other."""
    return list(accumulate(map(len, rows), initial=0))[:-1]
