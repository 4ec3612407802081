"""Host layouts, against libxkbcommon with the system's keyboard data, and the standard's own legends.

* libxkbcommon and xkeyboard-config (Debian: libxkbcommon0, xkb-data): what Linux makes of a key. Other
  editions of xkeyboard-config than 2.35.1 may differ in rare characters; the printable ASCII may not.
* hid-tools (hidtools.hut): names some usages by the characters of a US keyboard ("1 and !").
"""

from __future__ import annotations

import ctypes
import ctypes.util
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from keyc import layouts, usages
from keyc.files import data_rows
from keyc.keyboard import Press, Usage

ASCII = [chr(code) for code in range(0x20, 0x7F)]
SHIFT = (0xE1,)
ALT_RIGHT = (0xE6,)
BOTH = (0xE1, 0xE6)


def key(name: str, modifiers: tuple[int, ...] = ()) -> Press:
    usage = usages.usage_of(name)
    assert usage is not None
    return Press(usage, modifiers)


class Xkb:
    """As much of libxkbcommon as is needed: a layout's keymap, strokes in, characters out."""

    PRESSED, RELEASED = 1, 0
    COMPOSED = 2  # enum xkb_compose_status: XKB_COMPOSE_COMPOSED

    def __init__(self, layout: str) -> None:
        path = ctypes.util.find_library("xkbcommon")
        if path is None or not Path("/usr/share/X11/xkb/rules/evdev").exists():
            pytest.skip("libxkbcommon or xkb-data is not installed")
        library = ctypes.CDLL(path)
        pointer = ctypes.c_void_p
        self.library = library
        for function, result, arguments in (
            ("xkb_context_new", pointer, [ctypes.c_int]),
            ("xkb_keymap_new_from_names", pointer, [pointer, pointer, ctypes.c_int]),
            ("xkb_state_new", pointer, [pointer]),
            ("xkb_state_unref", None, [pointer]),
            ("xkb_state_update_key", ctypes.c_int, [pointer, ctypes.c_uint32, ctypes.c_int]),
            ("xkb_state_key_get_one_sym", ctypes.c_uint32, [pointer, ctypes.c_uint32]),
            ("xkb_keysym_to_utf8", ctypes.c_int, [ctypes.c_uint32, ctypes.c_char_p, ctypes.c_size_t]),
            ("xkb_keysym_get_name", ctypes.c_int, [ctypes.c_uint32, ctypes.c_char_p, ctypes.c_size_t]),
            ("xkb_compose_table_new_from_locale", pointer, [pointer, ctypes.c_char_p, ctypes.c_int]),
            ("xkb_compose_state_new", pointer, [pointer, ctypes.c_int]),
            ("xkb_compose_state_reset", None, [pointer]),
            ("xkb_compose_state_feed", ctypes.c_int, [pointer, ctypes.c_uint32]),
            ("xkb_compose_state_get_status", ctypes.c_int, [pointer]),
            ("xkb_compose_state_get_utf8", ctypes.c_int, [pointer, ctypes.c_char_p, ctypes.c_size_t]),
        ):
            entry = getattr(library, function)
            entry.restype, entry.argtypes = result, arguments
        names = (ctypes.c_char_p * 5)(b"evdev", b"pc105", layout.encode(), b"", b"")
        self.context = library.xkb_context_new(0)
        self.keymap = library.xkb_keymap_new_from_names(self.context, ctypes.byref(names), 0)
        assert self.keymap, f"libxkbcommon has no layout {layout}"
        self.codes = {name: int(code) for _, _, name, code, _ in data_rows("w3c-code-hid.tsv") if code}
        self.codes["IntlHash"] = self.codes["Backslash"]  # the kernel gives 07:31 and 07:32 one input code

    def keysym(self, press: Press, *, num_lock: bool = False) -> int:
        """The keysym of a press. X key codes are input codes plus 8."""
        state = self.library.xkb_state_new(self.keymap)
        if num_lock:
            self.library.xkb_state_update_key(state, self.codes["NumLock"] + 8, self.PRESSED)
            self.library.xkb_state_update_key(state, self.codes["NumLock"] + 8, self.RELEASED)
        for number in press.modifiers:
            self.library.xkb_state_update_key(
                state, self.codes[usages.modifier_name(number)] + 8, self.PRESSED
            )
        name = usages.name_of(press.usage)
        assert name is not None
        keysym: int = self.library.xkb_state_key_get_one_sym(state, self.codes[name] + 8)
        self.library.xkb_state_unref(state)
        return keysym

    def character(self, keysym: int) -> str:
        buffer = ctypes.create_string_buffer(16)
        self.library.xkb_keysym_to_utf8(keysym, buffer, 16)
        return buffer.value.decode()

    def keysym_name(self, keysym: int) -> str:
        buffer = ctypes.create_string_buffer(64)
        self.library.xkb_keysym_get_name(keysym, buffer, 64)
        return buffer.value.decode()

    def typed(self, presses: tuple[Press, ...]) -> str:
        """What a program gets from these presses, dead keys composed as in a UTF-8 locale."""
        keysyms = [self.keysym(press) for press in presses]
        if len(keysyms) == 1:
            return self.character(keysyms[0])
        table = self.compose_table()
        state = self.library.xkb_compose_state_new(table, 0)
        for keysym in keysyms:
            self.library.xkb_compose_state_feed(state, keysym)
        buffer = ctypes.create_string_buffer(64)
        if self.library.xkb_compose_state_get_status(state) == self.COMPOSED:
            self.library.xkb_compose_state_get_utf8(state, buffer, 64)
        return buffer.value.decode()

    def compose_table(self) -> int:
        if not hasattr(self, "_table"):
            self._table = self.library.xkb_compose_table_new_from_locale(self.context, b"en_US.UTF-8", 0)
            if not self._table:
                pytest.skip("the compose tables of libX11 (Debian: libx11-data) are not installed")
        table: int = self._table
        return table


def xkb(name: str) -> Xkb:
    return Xkb(name.removeprefix("linux-"))


@pytest.mark.parametrize("name", layouts.LAYOUT_NAMES)
def test_every_stroke_types_its_character(name: str) -> None:
    host, layout = xkb(name), layouts.layout(name)
    wrong = []
    for row in data_rows(f"layout-{name.removeprefix('linux-')}.tsv"):
        character = chr(int(row[1].removeprefix("U+"), 16))
        presses = layout.strokes(character)
        assert presses is not None
        typed = host.typed(presses).replace("\r", "\n")  # Enter
        if typed != character:
            wrong.append((character, row[2], typed))
    assert wrong == []


@pytest.mark.parametrize("name", layouts.LAYOUT_NAMES)
def test_what_each_key_types_on_every_level(name: str) -> None:
    host, layout = xkb(name), layouts.layout(name)
    for code in host.codes:
        usage = usages.usage_of(code)
        assert usage is not None
        if usage.page != 7 or host.codes[code] >= 248:  # X has no key codes above 255
            continue
        for modifiers in ((), SHIFT, ALT_RIGHT, BOTH):
            if name == "linux-us" and 0xE6 in modifiers:
                continue  # there AltRight is a second Alt: Alt with a key is a command, not text
            press = Press(usage, modifiers)
            keysym = host.keysym(press)
            character = host.character(keysym)
            dead = host.keysym_name(keysym).removeprefix("dead_")
            if dead != host.keysym_name(keysym):
                assert layout.dead(press) == dead, (code, modifiers)
                assert layout.types(press) is None
            elif len(character) == 1 and (character.isprintable() or character in "\xa0\u202f"):
                assert layout.types(press) == character, (code, modifiers)
                assert layout.dead(press) is None
            else:
                assert layout.types(press) is None, (code, modifiers, character)
        with_num_lock = host.character(host.keysym(Press(usage), num_lock=True))
        assert layout.types_with_num_lock(Press(usage)) in (None, with_num_lock)
        if re.fullmatch(r"Numpad(\d|Decimal)", code):
            assert layout.types_with_num_lock(Press(usage)) == with_num_lock


def test_us_legends_are_the_standards() -> None:
    # HID Usage Tables, page 0x07: "1 and !", "[ and {", "Grave Accent and Tilde" …
    hut = pytest.importorskip("hidtools.hut").HUT
    layout = layouts.layout("linux-us")
    compared = 0
    for number, legend in hut[7].items():
        legend = str(legend).replace("Grave Accent", "`").replace("Tilde", "~").replace("(underscore)", "_")
        match = re.fullmatch(r"(?:Keyboard)?(\S),? and (\S)", legend)
        if match is None or number == 0x64:
            continue
        plain, shifted = Press(Usage(7, number)), Press(Usage(7, number), SHIFT)
        if str(legend).startswith("Keyboard,"):  # "Keyboard, and <": the comma key
            assert (layout.types(plain), layout.types(shifted)) == (",", "<")
        elif number != 0x32:
            assert (layout.types(plain), layout.types(shifted)) == match.groups()
        compared += 1
    assert compared == 26 + 10 + 11


def characters(layout: layouts.Layout) -> Iterator[str]:
    for row in data_rows(f"layout-{layout.name.removeprefix('linux-')}.tsv"):
        yield chr(int(row[1].removeprefix("U+"), 16))


@pytest.mark.parametrize("name", layouts.LAYOUT_NAMES)
def test_strokes_and_what_they_type_are_inverse(name: str) -> None:
    layout = layouts.layout(name)
    for character in characters(layout):
        presses = layout.strokes(character)
        assert presses is not None
        if len(presses) == 1:
            # Tab and Enter do something rather than type something.
            assert layout.types(presses[0]) == (None if character in "\t\n" else character)
        else:
            assert layout.dead(presses[0]) is not None, character


@pytest.mark.parametrize("name", layouts.LAYOUT_NAMES)
def test_all_of_ascii_can_be_typed(name: str) -> None:
    layout = layouts.layout(name)
    assert [character for character in ASCII if layout.strokes(character) is None] == []


def test_some_well_known_places() -> None:
    # Common knowledge of the national keyboards.
    for name, character, press in (
        ("linux-de", "z", key("KeyY")),
        ("linux-de", "ü", key("BracketLeft")),
        ("linux-de", "@", key("KeyQ", ALT_RIGHT)),
        ("linux-de", "#", key("Backslash")),
        ("linux-fr", "a", key("KeyQ")),
        ("linux-fr", "1", key("Digit1", SHIFT)),
        ("linux-gb", "£", key("Digit3", SHIFT)),
        ("linux-gb", '"', key("Digit2", SHIFT)),
        ("linux-es", "ñ", key("Semicolon")),
        ("linux-se", "å", key("BracketLeft")),
        ("linux-us", "<", key("Comma", SHIFT)),
    ):
        assert layouts.layout(name).strokes(character) == (press,), (name, character)
    assert layouts.layout("linux-de").strokes("é") == (key("Equal"), key("KeyE"))
    assert layouts.layout("linux-us").strokes("é") is None


def test_commands_type_nothing() -> None:
    layout = layouts.layout("linux-de")
    for modifiers in ((0xE0,), (0xE2,), (0xE3,), (0xE0, 0xE1), (0xE4,)):
        assert layout.types(key("KeyQ", modifiers)) is None
    assert layout.types(key("KeyQ", (0xE5,))) == "Q"  # either Shift
    assert layout.types(key("Escape")) is None
    assert layout.types(key("AudioVolumeUp")) is None
    assert layout.types(Press(Usage(0x07, 0x03))) is None


def test_number_pad() -> None:
    layout = layouts.layout("linux-de")
    assert layout.types(key("NumpadAdd")) == "+"
    assert layout.types(key("Numpad7")) is None
    assert layout.types_with_num_lock(key("Numpad7")) == "7"
    assert layout.types_with_num_lock(key("NumpadDecimal")) == ","
    assert layouts.layout("linux-us").types_with_num_lock(key("NumpadDecimal")) == "."
    assert layout.types_with_num_lock(key("KeyA")) is None


def test_differences_name_what_moved() -> None:
    assert layouts.differences("linux-us") == ""
    assert "y on KeyZ, z on KeyY" in layouts.differences("linux-de")
    assert "q on KeyA" in layouts.differences("linux-fr")
    assert '" on Shift+Digit2' in layouts.differences("linux-gb")


def test_an_unknown_layout_is_answered_with_those_there_are() -> None:
    text = layouts.unknown_layout_help("windows-de")
    for name in layouts.LAYOUT_NAMES:
        assert name in text
    assert "Windows" in text
    assert "Windows" not in layouts.unknown_layout_help("linux-pl")
    with pytest.raises(KeyError):
        layouts.layout("linux-pl")


def test_presses_are_written_as_in_a_keymap() -> None:
    assert layouts.written_press(key("KeyQ", ALT_RIGHT)) == "AltRight+KeyQ"
    assert layouts.written_press(key("Digit2", (0xE0, 0xE1))) == "Control+Shift+Digit2"
    assert layouts.written_press(Press(Usage(0x0C, 0x30))) == "usage(0x0C, 0x0030)"
