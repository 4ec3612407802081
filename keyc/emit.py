"""Tables → C: {file name: text}. Touches no disk but to read what ships with the package.

The text is the same for the same input on every machine: it holds no date and no path. Python
hands the templates data (numbers, and what comments say); the C lies in `templates/`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from keyc import __version__
from keyc.files import shipped
from keyc.keyboard import Diodes, Keyboard, Switch
from keyc.source import Span
from keyc.tables import FIRST_MODIFIER, NO_SWITCH, TABLES_VERSION, Tables

if TYPE_CHECKING:
    from jinja2 import Environment

ENGINE_FILES = (
    "keyc_engine.h",
    "engine_internal.h",
    "engine_scan.c",
    "engine_settle.c",
    "engine_layers.c",
    "engine_reports.c",
    "engine_usb.h",
    "engine_usb.c",
    "engine_usb_keys.h",
    "engine_usb_keys.c",
)
_TEMPLATES = {"tables.c.j2": "{}_tables.c", "tables.h.j2": "{}_tables.h", "keyc.cmake.j2": "keyc.cmake"}


@dataclass(frozen=True, slots=True)
class _Row:
    """One line of C: numbers, each with its comma, and what they are."""

    numbers: str
    text: str


@dataclass(frozen=True, slots=True)
class _Layer:
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


def depfile_text(file: str, folder: str, files: Iterable[str]) -> str:
    """A make rule: the built files depend on the keymap and on what ships with this version."""
    made = " ".join(_make_word(str(Path(folder, name))) for name in sorted(files))
    used = [shipped("templates", name) for name in _TEMPLATES]
    used += [shipped("templates", "engine", name) for name in ENGINE_FILES]
    return f"{made}: {' '.join(map(_make_word, [file, *map(str, used)]))}\n"


def _make_word(path: str) -> str:
    return path.replace("$", "$$").replace("#", "\\#").replace(" ", "\\ ")


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
        "timing_of": _timing_rows(keyboard, tables),
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


def _row_slices(switches: Sequence[Switch]) -> list[slice]:
    """The switches of each row of the wiring, as they are numbered."""
    slices = []
    start = 0
    for _, members in groupby(switches, key=lambda switch: switch.row):
        end = start + sum(1 for _ in members)
        slices.append(slice(start, end))
        start = end
    return slices


def _layers(keyboard: Keyboard, tables: Tables) -> Iterator[_Layer]:
    names = [switch.name for switch in keyboard.wiring.switches]
    slices = _row_slices(keyboard.wiring.switches)
    for layer, numbers in zip(keyboard.layers, tables.cells, strict=True):
        texts = [f"{name} {layer.cells[name].text}" for name in names]
        words = [f"0x{number:04X}u," for number in numbers]
        rows = [_Row(" ".join(words[part]), "  ".join(texts[part])) for part in slices]
        yield _Layer(layer.name, _place(layer.span), rows)


def _actions(keyboard: Keyboard, tables: Tables) -> list[_Row]:
    """Each with the text of the first cell that does it."""
    if not tables.actions:
        return []
    cells = [cell for layer in keyboard.layers for cell in layer.cells.values()]
    texts = {cell.action: cell.text for cell in reversed(cells)}
    rows = []
    for action in tables.actions:
        bits = sum(1 << (modifier - FIRST_MODIFIER) for modifier in action.modifiers)
        usage = action.usage
        rows.append(_Row(f"{{ 0x{usage.page:02X}u, 0x{usage.id:04X}u, 0x{bits:02X}u, 0 }},", texts[action]))
    return rows


def _timing_rows(keyboard: Keyboard, tables: Tables) -> list[_Row]:
    timing_of = tables.timing_of
    if timing_of is None:
        return []
    switches = keyboard.wiring.switches
    return [
        _Row(" ".join(f"{n}u," for n in timing_of[part]), " ".join(switch.name for switch in switches[part]))
        for part in _row_slices(switches)
    ]
