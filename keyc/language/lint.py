"""What only the whole keyboard shows: lost layers, lost keys, keys that type something else.

Each check is a function of the keyboard that returns what it found. Those that conclude from
something's absence are left out when the file has errors, since a mistake may be what hides it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from keyc.diagnostics import Diagnostic, Label
from keyc.keyboard import (
    TEST_USB_ID,
    Action,
    Cap,
    Cell,
    Keyboard,
    NextOnly,
    Press,
    TapOrHold,
    Through,
    UntilPressedAgain,
    Usage,
    UsbBoot,
)
from keyc.language.statements import Action as Written
from keyc.language.statements import (
    Call,
    DialBlock,
    Dual,
    File,
    KeyboardBlock,
    LayerBlock,
    Let,
    Pause,
    SequenceStatement,
    Word,
)
from keyc.language.statements import Chord as ChordStatement
from keyc.language.ways import (
    cells_on,
    chords_hidden,
    chords_that_ghost,
    layers_ahead,
    nothing_beneath_another_bottom,
    parts_of,
    reached_layers,
    unreached_groups,
    without_way_out,
)
from keyc.layouts import layout
from keyc.source import Span
from keyc.usages import KEYBOARD_PAGE, usage_of

# pid.codes sets more than one product aside for tests (pid.codes, "Test PID"; from memory).
_TEST_PRODUCTS = range(0x0001, 0x0011)

_FULL_BOARD_KEYS = 40  # from here on a board is expected to have every letter
_LABELS_MOST = 4
_PASSWORD_LEAST = 8  # characters

# The signs that punctuation keys are named after (W3C UI Events KeyboardEvent code values, 3.1.1).
PUNCTUATION = {
    "Comma": ",",
    "Period": ".",
    "Slash": "/",
    "Semicolon": ";",
    "Quote": "'",
    "BracketLeft": "[",
    "BracketRight": "]",
    "Minus": "-",
    "Equal": "=",
    "Backslash": "\\",
    "Backquote": "`",
}

_MODIFIERS = {"Control": (0xE0, 0xE4), "Shift": (0xE1, 0xE5), "Alt": (0xE2, 0xE6), "Meta": (0xE3, 0xE7)}


def findings(keyboard: Keyboard, file: File, *, sound: bool) -> list[Diagnostic]:
    """What is wrong with the keyboard as a whole. `sound`: the file has no errors so far."""
    found = [
        *_nothing_beneath(keyboard, file),
        *_digits_on_number_pad(keyboard),
        *_signs_that_type_another(keyboard),
        *_test_usb_id(keyboard, file),
        *_texts_readable(file),
    ]
    if sound:
        ahead = layers_ahead(keyboard)
        reached = reached_layers(keyboard, ahead)
        found += [
            *_layers_never_reached(keyboard, ahead, reached),
            *without_way_out(keyboard, reached),
            *nothing_beneath_another_bottom(keyboard, reached),
            *chords_hidden(keyboard),
            *chords_that_ghost(keyboard),
            *_keys_missing(keyboard, reached),
            *_no_way_to_usb_boot(keyboard, reached),
        ]
    return found


def _nothing_beneath(keyboard: Keyboard, file: File) -> Iterator[Diagnostic]:
    """`..` on the first layer, beneath which there is none."""
    first = keyboard.layers[0]
    line = first.span.source.place(first.span.start)[0]
    if "layer" in file.damage.blocks and any(lost < line for lost in file.damage.lines):
        return  # another one may have been the first
    open_cells = [(name, cell) for name, cell in first.cells.items() if isinstance(cell.action, Through)]
    if not open_cells:
        return
    written = [cell for _, cell in open_cells if cell.span != first.span]
    if written:
        written.sort(key=lambda cell: cell.span.start)
        yield Diagnostic(
            "nothing-beneath",
            "error",
            f"`{first.name}` is the first layer: nothing lies beneath it for `..` to let through to",
            written[0].span,
            "write what the key does, or `off` for nothing",
            tuple(Label("and here", cell.span) for cell in written[1:_LABELS_MOST]),
        )
        return
    names = [name for name, _ in open_cells]
    listed = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    yield Diagnostic(
        "nothing-beneath",
        "error",
        f"`{first.name}` is the first layer and says nothing for {listed}",
        first.span,
        f"add what they do, such as {names[0]} = Escape, or {names[0]} = off",
    )


def _layers_never_reached(
    keyboard: Keyboard, ahead: Mapping[str, frozenset[str]], reached: Collection[str]
) -> Iterator[Diagnostic]:
    """Layers that no chain of keys leads to from the first one: one warning for each place to mend."""
    for ring, behind in unreached_groups(keyboard, ahead, reached):
        first, *others = ring
        message = f"no key leads to the layer `{first.name}`"
        if others:
            *middle, last = (f"`{layer.name}`" for layer in ring)
            message = f"no key leads to the layers {', '.join(middle)} and {last} but their own"
        elif first.name in ahead[first.name]:
            message += " but its own"
        labels = [Label("one of these layers", layer.span) for layer in others]
        labels += [Label(f"only reached by way of `{first.name}`", layer.span) for layer in behind]
        yield Diagnostic(
            "layer-never-reached",
            "warning",
            message,
            first.span,
            f"write {first.name} into a cell of a layer that is reached: it is on while that key is held",
            tuple(labels[:_LABELS_MOST]),
        )


def _usages_in(action: Action) -> Iterator[Usage]:
    """The usages that an action puts down, modifiers that it holds included."""
    for part in parts_of(action):
        match part:
            case Press(usage):
                yield usage
            case NextOnly(target) | UntilPressedAgain(target) | TapOrHold(_, target):
                if not isinstance(target, str):
                    yield from (Usage(KEYBOARD_PAGE, number) for number in target)


def _no_way_to_usb_boot(keyboard: Keyboard, reached: Collection[str]) -> Iterator[Diagnostic]:
    for layer in keyboard.layers:
        actions = (part for cell in cells_on(keyboard, layer) for part in parts_of(cell.action))
        if layer.name in reached and any(isinstance(action, UsbBoot) for action in actions):
            return
    yield Diagnostic(
        "no-way-to-usb-boot",
        "warning",
        "no key leads to `usb-boot`: new firmware will need the button on the board",
        keyboard.span,
        "put `usb-boot` on a layer, where it isn't pressed by accident",
    )


def _cells(keyboard: Keyboard) -> Iterator[Cell]:
    for layer in keyboard.layers:
        yield from layer.cells.values()


def _keys_missing(keyboard: Keyboard, reached: Collection[str]) -> Iterator[Diagnostic]:
    """On a board with room for them: letters, Escape, Enter and modifiers that no cell has."""
    if len(keyboard.wiring.switches) < _FULL_BOARD_KEYS:
        return
    cells = [cell for layer in keyboard.layers if layer.name in reached for cell in layer.cells.values()]
    usages = {usage for cell in cells for usage in _usages_in(cell.action)}
    typed = {cell.types.lower() for cell in cells if cell.types}
    missing = [letter.upper() for letter in "abcdefghijklmnopqrstuvwxyz" if letter not in typed]
    missing += [name for name in ("Escape", "Enter") if usage_of(name) not in usages]
    missing += [
        name
        for name, sides in _MODIFIERS.items()
        if not any(Usage(KEYBOARD_PAGE, side) in usages for side in sides)
    ]
    if missing:
        yield Diagnostic(
            "key-missing",
            "warning",
            f"{len(keyboard.wiring.switches)} keys, but none is {', '.join(missing)}",
            keyboard.span,
            "put what you need of these on a layer",
        )


def _signs_that_type_another(keyboard: Keyboard) -> Iterator[Diagnostic]:
    """Punctuation named for a sign that the host's layout has elsewhere, while no cell types that sign."""
    host = layout(keyboard.host_layout)
    first: dict[str, Cell] = {}
    typed = set()
    for cell in _cells(keyboard):
        typed.add(cell.types)
        # A character in quotes types what it says, on whichever key that is: only names can mislead.
        if isinstance(cell.action, Press) and not cell.action.modifiers and cell.text in PUNCTUATION:
            first.setdefault(cell.text, cell)
    for name, cell in first.items():
        sign = PUNCTUATION[name]
        if cell.types == sign or sign in typed:
            continue
        usage = usage_of(name)
        accent = host.dead(Press(usage)) if usage and cell.types is None else None
        does = (
            f"types {cell.types}" if cell.types else f"is the accent {accent}" if accent else "types nothing"
        )
        yield Diagnostic(
            "sign-types-another",
            "warning",
            f"with {host.name}, `{name}` {does}, and no key types {sign}",
            cell.span,
            _sign_help(host.strokes(sign), sign),
        )


def _sign_help(strokes: tuple[Press, ...] | None, sign: str) -> str:
    quoted = sign.replace("\\", "\\\\")
    if strokes is not None and len(strokes) == 1:
        return f'to type {sign} write "{quoted}"; if you mean the place, give another key "{quoted}"'
    return f"this layout has no single stroke for {sign}; if you mean the place, all is well"


def _digits_on_number_pad(keyboard: Keyboard) -> Iterator[Diagnostic]:
    """Bare digits that lie as on a number pad: 7 8 9 over (or under) 4 5 6, those over 1 2 3."""
    caps = {cap.switch: cap for cap in keyboard.caps}
    for layer in keyboard.layers:
        digits: dict[str, Cell] = {}
        places: dict[str, Cap] = {}
        for name, cell in layer.cells.items():
            if len(cell.text) == 1 and cell.text in "123456789" and name in caps:
                digits[cell.text] = cell
                places[cell.text] = caps[name]
        if len(digits) == 9 and _is_number_pad(places):
            yield Diagnostic(
                "digit-on-number-pad",
                "warning",
                "these digits lie as on a number pad, but are the keys of the top row",
                digits["7"].span,
                "for a number pad's keys write Numpad7, Numpad8 and so on; they follow NumLock",
                tuple(Label("and here", digits[digit].span) for digit in "41"),
            )


def _is_number_pad(places: Mapping[str, Cap]) -> bool:
    """Whether the digits stand in three rows of neighbours, one row over the other."""
    for left, middle, right in ("789", "456", "123"):
        a, b, c = places[left], places[middle], places[right]
        if not (0 < b.x_u - a.x_u < 1.6 and 0 < c.x_u - b.x_u < 1.6 and abs(a.y_u - c.y_u) < 0.6):
            return False
    down = [places[digit].y_u for digit in "741"]
    steps = (down[1] - down[0], down[2] - down[1])
    straight = max(places[d].x_u for d in "741") - min(places[d].x_u for d in "741") < 0.9
    return straight and (all(0 < step < 1.6 for step in steps) or all(-1.6 < step < 0 for step in steps))


def _test_usb_id(keyboard: Keyboard, file: File) -> Iterator[Diagnostic]:
    ids = {
        "usb": (keyboard.usb_vendor, keyboard.usb_product),
        "bench-usb": keyboard.bench_usb,
        "trial-usb": keyboard.trial_usb,
    }
    open_ids = {
        name: one
        for name, one in ids.items()
        if one and one[0] == TEST_USB_ID[0] and one[1] in _TEST_PRODUCTS
    }
    if not open_ids:
        return
    name, (vendor, product) = next(iter(open_ids.items()))
    yield Diagnostic(
        "test-usb-id",
        "warning",
        f"0x{vendor:04X}:0x{product:04X} is an open id, for tests only",
        _usb_span(file, name) or keyboard.span,
        "fine on your own desk; before you share or sell the keyboard get an id of its own, such as a "
        f"free one from pid.codes, and write it after `{name}`",
    )


def _texts_readable(file: File) -> Iterator[Diagnostic]:
    """Quoted texts that look like a password: long, without a blank, letters mixed with digits or signs."""
    for word in _quoted_words(file):
        text = word.text[1:-1]
        letters = sum(map(str.isalpha, text))
        if len(text) < _PASSWORD_LEAST or any(map(str.isspace, text)) or letters in (0, len(text)):
            continue
        yield Diagnostic(
            "text-readable",
            "warning",
            "this looks like a password, and whoever has the board or its image can read it",
            Span(file.source, word.start, word.end),
            "keep passwords in a password manager; if this is none, all is well",
        )


def _quoted_words(file: File) -> Iterator[Word]:
    """The texts that keys type, as they are written, in file order."""
    for statement in file.statements:
        match statement:
            case Let(_, _, action) | ChordStatement(_, _, _, action):
                yield from _quoted_in(action)
            case LayerBlock(rows=rows, assignments=assignments):
                for row in rows:
                    for action in row:
                        yield from _quoted_in(action)
                for assignment in assignments:
                    yield from _quoted_in(assignment.action)
            case DialBlock(turns=turns):
                for turn in turns:
                    yield from _quoted_in(turn.action)
            case SequenceStatement(strokes=strokes):
                for stroke in strokes:
                    if not isinstance(stroke, Pause):
                        yield from _quoted_in(stroke)


def _quoted_in(action: Written) -> Iterator[Word]:
    if isinstance(action, Word):
        if action.text.startswith('"'):
            yield action
    elif isinstance(action, Dual):
        for part in action.parts:
            yield from _quoted_in(part)
    elif isinstance(action, Call):
        for argument in action.arguments:
            yield from _quoted_in(argument)


def _usb_span(file: File, name: str) -> Span | None:
    for statement in file.statements:
        if isinstance(statement, KeyboardBlock):
            for setting in statement.settings:
                if setting.keyword.text == name:
                    return Span(file.source, setting.value.start, setting.value.end)
    return None
