"""A traced board → the text of a keymap file: `keyboard`, `wiring`, `shape`, and a layer to begin with."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from keyc import __version__
from keyc.keyboard import Diodes
from keyc.language.tidy import tidied_text
from keyc.language.words import RESERVED
from keyc.netlist.cap_lines import CapLine, PlacedCap
from keyc.netlist.ipc_d_356 import fingerprint
from keyc.netlist.places import Layout, layout_of
from keyc.netlist.spots import spots_of
from keyc.netlist.wired_board import Board, DirectKey, Key, Side, natural

# What a file that was written for the user says of the computer, which nobody has asked about.
HOST_LAYOUT = "host-layout linux-us  # what the computer is set to: windows-us, macos-us, windows-de …"

_INDICATORS = ("CapsLock", "NumLock", "ScrollLock", "Compose", "Kana")
_NAME = re.compile(r"[A-Za-z_]\w*(?:-\w+)*")


@dataclass(frozen=True, slots=True)
class BoardText:
    """What a board's text is made of. `names` are the switches' and dials' names by their designators."""

    board: Board
    layout: Layout
    keys: tuple[Key, ...]  # those that are written down
    directs: tuple[DirectKey, ...]
    names: Mapping[str, str]


def written_names(names: Iterable[str]) -> dict[str, str]:
    """Designators as the language takes them for names: odd characters become `_`, each name is used once."""
    taken: set[str] = set()
    written: dict[str, str] = {}
    for name in names:
        word = name
        if not _NAME.fullmatch(word) or word in RESERVED:
            word = re.sub(r"\W+", "_", name).strip("_")
            if not re.match(r"[A-Za-z_]", word) or word in RESERVED:
                word = f"key_{word}"
        base, number = word, 2
        while word in taken:
            word = f"{base}-{number}"
            number += 1
        taken.add(word)
        written[name] = word
    return written


def board_text(board: Board) -> BoardText:
    """What is written down of a board: whatever can be read and has room for a cap."""
    whole = [key for key in board.keys if board.is_whole(key)]
    contacts = [key.contact for key in whole] + [direct.contact for direct in board.directs]
    unread = [key.contact for key in (*board.keys, *board.odd) if not board.is_whole(key) or key in board.odd]
    unread += [*board.loose, *(one.contact for one in board.forked)]
    spots = spots_of(board.circuit, [*contacts, *unread])
    layout = layout_of(spots[: len(contacts)], spots[len(contacts) :])
    placed = {cap.name for cap in layout.caps}
    order = {line.net: index for side in Side for index, line in enumerate(board.lines_of(side))}
    keys = tuple(
        sorted(
            (key for key in whole if key.name in placed),
            key=lambda key: (order[key.row or ""], order[key.column or ""]),
        )
    )
    directs = tuple(direct for direct in board.directs if direct.contact.name in placed)
    switches = [key.name for key in keys] + [direct.contact.name for direct in directs]
    diodes = [key.diode.part.name for key in keys if key.diode]
    dials = [dial.part.name for dial in board.dials if None not in dial.gpios]
    return BoardText(board, layout, keys, directs, written_names([*switches, *dials, *dict.fromkeys(diodes)]))


def keymap_text(text: BoardText, title: str, layers: Sequence[str]) -> str:
    """The whole file, tidy. `layers` are the lines of its layers."""
    board = text.board
    netlist = board.circuit.netlist
    head = [
        f"# From the netlist {_base_name(netlist.source.name)} ({fingerprint(netlist)}); keyc {__version__}.",
        "# It says what was meant to be joined; a cut track or a short in copper isn't in it.",
    ]
    if any(key.diode and set(key.diode.part.nets) == {"1", "2"} for key in text.keys):
        head.append("# Pin 1 of a diode is taken for its cathode.")
    lines = [
        *head,
        "",
        f"keyboard {quoted(title)} {{",
        f"    {HOST_LAYOUT}",
        "}",
        "",
        *wiring_lines(text),
        "",
        *shape_lines(text),
        "",
        *layers,
    ]
    return tidied_text("\n".join(lines) + "\n")


def off_layer(text: BoardText) -> list[str]:
    """A first layer in which no key does anything."""
    rows = [["off"] * len(line.caps) for line in text.layout.lines]
    return [
        "# A netlist doesn't know what the keys do: `keyc new NAME --netlist` proposes a first layer.",
        *layer_lines("base", rows),
    ]


def layer_lines(name: str, rows: Sequence[Sequence[str]]) -> list[str]:
    return [f"layer {name} {{", *("    " + " ".join(row) for row in rows), "}"]


def _base_name(path: str) -> str:
    return "".join(c if c.isprintable() else "_" for c in re.split(r"[/\\]", path)[-1])


def quoted(title: str) -> str:
    """A title as a keymap file writes it."""
    kept = "".join(c for c in title if c.isprintable())[:40].strip() or "My board"
    return '"' + kept.replace("\\", "\\\\").replace('"', '\\"') + '"'


def title_of(path: str) -> str:
    """A keyboard's title from its netlist's file name: `slipway-12.ipc` is Slipway 12."""
    stem = _base_name(path).rpartition(".")[0] or _base_name(path)
    words = " ".join(re.split(r"[\s_\-]+", stem)).strip()
    return words[:1].upper() + words[1:]


# ---- wiring -----------------------------------------------------------------------------------


def wiring_lines(text: BoardText) -> list[str]:
    """The `wiring` block of a board, a line each; what the netlist leaves open stands in comments."""
    board, names = text.board, text.names
    lines = []
    if text.keys:
        guess = "  # a guess: the netlist doesn't tell" if board.is_pointing_guessed else ""
        lines.append(f"    diodes {board.pointing.value}{guess}")
        lines += _matrix(text)
    lines += [f"    direct GPIO{one.gpio} {names[one.contact.name]}" for one in text.directs]
    for dial in board.dials:
        first, second = dial.gpios
        if first is not None and second is not None:
            lines.append(f"    dial GPIO{first} GPIO{second} {names[dial.part.name]}")
    lines += _lights(board)
    if board.pointing is not Diodes.NONE:
        lines += _diode_names(text)
    return ["wiring {", *lines, *_left_out(text), "}"]


def _matrix(text: BoardText) -> list[str]:
    board = text.board
    used = {net for key in text.keys for net in (key.row, key.column)}
    rows, columns = ([line for line in board.lines_of(side) if line.net in used] for side in Side)
    at = {(key.row, key.column): text.names[key.name] for key in text.keys}
    pins = " ".join(f"GPIO{column.gpio}" for column in columns)
    ends = (board.net_name(columns[0].net), board.net_name(columns[-1].net))
    lines = [f"    columns {pins}{_remark(' to '.join(dict.fromkeys(ends)))}"]
    for row in rows:
        cells = " ".join(at.get((row.net, column.net), "--") for column in columns)
        lines.append(f"    row GPIO{row.gpio} {cells}{_remark(board.net_name(row.net))}")
    return lines


def _remark(words: str) -> str:
    return f"  # {words}" if words.isprintable() else ""


def _lights(board: Board) -> Iterator[str]:
    """Lights by what their net is called after, else by the indicators in turn: that part is a guess."""
    free = list(_INDICATORS)
    guessed = []
    for light in board.lights:
        called = board.net_name(light.net).upper().replace("_", "")
        fitting = [one for one in free if one.removesuffix("Lock").upper() in called]
        guessed.append((light, fitting[0] if fitting else None))
        if fitting:
            free.remove(fitting[0])
    for light, indicator in guessed:
        remark = light.part.name if indicator else f"{light.part.name}; which indicator it is, is a guess"
        if indicator is None:
            indicator = free.pop(0) if free else _INDICATORS[0]
        yield f"    light GPIO{light.gpio} {indicator}{' lit-low' if light.lit_low else ''}  # {remark}"


def _diode_names(text: BoardText) -> list[str]:
    """The diodes' designators; keys on one package share it."""
    named = [(key.diode.part.name, key.name) for key in text.keys if key.diode]
    lines = [f"    diode {text.names[diode]} of {text.names[switch]}" for diode, switch in named]
    shared: dict[int, list[str]] = defaultdict(list)
    for name, count in Counter(name for name, _ in named).items():
        if count > 1:
            shared[count].append(name)
    for count, names in sorted(shared.items()):
        holds = f"hold {count} diodes each" if len(names) > 1 else f"holds {count} diodes"
        lines += _comment(f"{_listed(names)} {holds}")
    for words in _kinds_of_packages(text):
        lines += _comment(words)
    return lines


def _comment(words: str) -> list[str]:
    """A remark in a block, folded where it is long."""
    from textwrap import wrap

    head = "    # "
    return [head + line for line in wrap(words, 96, break_long_words=False, break_on_hyphens=False)]


def _kinds_of_packages(text: BoardText) -> Iterator[str]:
    """What packages must be, of which the file doesn't tell what they hold: that follows from the others."""
    towards = Side.ROW if text.board.pointing is Diodes.CATHODE_TO_ROW else Side.COLUMN
    packages: dict[tuple[str, str], dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for key in text.keys:
        if key.cathode_if_known is None or key.diode is None or key.diode.unknown_pin is None:
            continue
        is_cathode = key.cathode_if_known is towards
        kind = "a cathode" if is_cathode else "an anode"
        if key.diode.is_common:
            kind = "a common cathode, as a BAV70 has" if is_cathode else "a common anode, as a BAW56 has"
        at = "the switch"
        if key.diode.unknown_pin == key.diode.line_pin:
            at = "the row" if key.diode.line == key.row else "the column"
        packages[at, kind][key.diode.part.name].add(key.diode.unknown_pin)
    for (at, kind), pins in packages.items():
        alike: dict[tuple[str, ...], list[str]] = defaultdict(list)
        for part, own in pins.items():
            alike[tuple(sorted(own, key=natural))].append(part)
        parts = "; ".join(
            f"pin{'s' if len(own) > 1 else ''} {' and '.join(own)} of {_listed(names)}"
            for own, names in sorted(alike.items())
        )
        yield f"{parts}: at {at}, must be {kind}"


def _left_out(text: BoardText) -> Iterator[str]:
    """What the board has and the text hasn't, as comments."""
    board = text.board
    written = {key.name for key in text.keys}
    twins = {twin.name: key.name for key in board.keys for twin in key.twins}
    for name, other in twins.items():
        yield f"    # {name} is left out: it closes the same lines as {other}"
    for name, other in text.layout.crowded:
        yield f"    # {name} is left out: it lies on {other}"
    crowded = {name for name, _ in text.layout.crowded}
    unread = [key.name for key in (*board.keys, *board.odd) if key.name not in written | crowded]
    unread += [contact.name for contact in board.loose]
    unread += [one.contact.name for one in board.forked]
    if unread:
        yield from _comment(f"not wired so that they could be read: {_listed(unread)}")
    if board.foreign:
        yield from _comment(f"on another controller: {_listed(contact.name for contact in board.foreign)}")
    if board.others:
        yield from _comment(f"no keys: {_listed(contact.name for contact in board.others)}")


def _listed(names: Iterable[str]) -> str:
    ordered = sorted(names, key=natural)
    return ", ".join("".join(c if c.isprintable() else "_" for c in name) for name in ordered)


# ---- shape ------------------------------------------------------------------------------------


def shape_lines(text: BoardText) -> list[str]:
    """The caps as they lie."""
    layout = text.layout
    across, down = layout.pitch_mm
    pitch = f"{across:g} mm" if abs(across - down) < 0.02 else f"{across:g} mm across and {down:g} mm down"
    return [
        f"# One unit is {pitch} here. How wide and tall the caps are is guessed from the gaps between them.",
        *_about(text),
        "shape {",
        *(_shape_line(line, text.names) for line in layout.lines),
        "}",
    ]


def _about(text: BoardText) -> Iterator[str]:
    if text.layout.about:
        yield "# The file has no holes between these switches' pads, so that they lie only about here:"
        yield f"# {_listed(text.layout.about)}."


def _shape_line(line: CapLine, names: Mapping[str, str]) -> str:
    words = []
    if line.corner is not None:
        x, y, turn = line.corner
        words.append(f"at {x:g}u {y:g}u" + (f" turned {turn:g}deg" if turn else ""))
    for gap, cap in line.caps:
        if gap:
            words.append(f"[{gap:g}u]")
        words.append(names[cap.name] + _size(cap))
    return "    " + " ".join(words)


def _size(cap: PlacedCap) -> str:
    if cap.height_u != 1:
        return f" {cap.width_u:g}x{cap.height_u:g}u"
    return f" {cap.width_u:g}u" if cap.width_u != 1 else ""
