"""Host layouts, against libxkbcommon with the system's keyboard data, and the standard's own legends.

* libxkbcommon and xkeyboard-config (Debian: libxkbcommon0, xkb-data): what Linux makes of a key. Other
  editions of xkeyboard-config than 2.35.1 may differ in rare characters; the printable ASCII may not.
* hid-tools (hidtools.hut): names some usages by the characters of a US keyboard ("1 and !").
* W3C UI Events KeyboardEvent code Values: says for some places what is on the cap in some countries.
* Windows and macOS: xkeyboard-config has those countries' keyboards too, and some as on a Macintosh; what one
  system has otherwise than the other stands below by hand. For the accents Unicode's canonical composition,
  and its mapping tables of the systems' old code pages (Python's codecs).
"""

from __future__ import annotations

import ctypes
import ctypes.util
import re
import unicodedata
from collections.abc import Iterator
from pathlib import Path

import pytest

from keyc import layout_help, layouts, usages
from keyc.files import data_rows, shipped
from keyc.keyboard import Press, Usage

ASCII = [chr(code) for code in range(0x20, 0x7F)]
SHIFT = (0xE1,)
ALT_RIGHT = (0xE6,)
BOTH = (0xE1, 0xE6)
LEVELS = ((), SHIFT, ALT_RIGHT, BOTH)
LINUX = [name for name in layouts.LAYOUT_NAMES if name.startswith("linux-")]
WINDOWS = [name for name in layouts.LAYOUT_NAMES if name.startswith("windows-")]
MACOS = [name for name in layouts.LAYOUT_NAMES if name.startswith("macos-")]
# The alphanumeric section, whose keys differ from country to country.
WRITING = [
    *(f"Key{letter}" for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"),
    *(f"Digit{digit}" for digit in "1234567890"),
    "Minus", "Equal", "BracketLeft", "BracketRight", "Backslash", "Semicolon", "Quote", "Backquote", "Comma",
    "Period", "Slash", "IntlBackslash", "Space",
]  # fmt: skip


def key(name: str, modifiers: tuple[int, ...] = ()) -> Press:
    usage = usages.usage_of(name)
    assert usage is not None
    return Press(usage, modifiers)


class Xkb:
    """As much of libxkbcommon as is needed: a layout's keymap, strokes in, characters out."""

    PRESSED, RELEASED = 1, 0
    COMPOSED = 2  # enum xkb_compose_status: XKB_COMPOSE_COMPOSED

    def __init__(self, layout: str, variant: str = "") -> None:
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
        names = (ctypes.c_char_p * 5)(b"evdev", b"pc105", layout.encode(), variant.encode(), b"")
        self.context = library.xkb_context_new(0)
        self.keymap = library.xkb_keymap_new_from_names(self.context, ctypes.byref(names), 0)
        assert self.keymap, f"libxkbcommon has no layout {layout} {variant}"
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
    country = name.removeprefix("linux-")
    return Xkb(*{"ch-de": ("ch", ""), "us-intl": ("us", "intl")}.get(country, (country, "")))


@pytest.mark.parametrize("name", LINUX)
def test_every_stroke_types_its_character(name: str) -> None:
    host = xkb(name)
    wrong = []
    for character, presses in typable(layouts.layout(name)):
        typed = host.typed(presses).replace("\r", "\n")  # Enter
        if typed != character:
            wrong.append((character, typed))
    assert wrong == []


@pytest.mark.parametrize("name", LINUX)
def test_what_each_key_types_on_every_level(name: str) -> None:
    host, layout = xkb(name), layouts.layout(name)
    for code in host.codes:
        usage = usages.usage_of(code)
        assert usage is not None
        if usage.page != 7 or host.codes[code] >= 248:  # X has no key codes above 255
            continue
        for modifiers in LEVELS:
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


def typable(layout: layouts.Layout) -> Iterator[tuple[str, tuple[Press, ...]]]:
    """Every character of the Basic Multilingual Plane that a layout can type, and how."""
    for code in (*range(0xD800), *range(0xE000, 0x10000)):
        presses = layout.strokes(chr(code))
        if presses is not None:
            yield chr(code), presses


@pytest.mark.parametrize("name", layouts.LAYOUT_NAMES)
def test_strokes_and_what_they_type_are_inverse(name: str) -> None:
    layout = layouts.layout(name)
    for character, presses in typable(layout):
        if len(presses) == 1:
            # Tab and Enter do something rather than type something.
            assert layout.types(presses[0]) == (None if character in "\t\n" else character)
        else:
            assert layout.composes(*presses) == character


@pytest.mark.parametrize("name", layouts.LAYOUT_NAMES)
def test_every_character_that_a_key_types_can_be_typed(name: str) -> None:
    layout = layouts.layout(name)
    for code in WRITING:
        for modifiers in LEVELS:
            character = layout.types(key(code, modifiers))
            assert character is None or layout.strokes(character)


@pytest.mark.parametrize("name", layouts.LAYOUT_NAMES)
def test_all_of_ascii_can_be_typed(name: str) -> None:
    layout = layouts.layout(name)
    # Windows, Italian: neither on a key; people type Alt and 96 or 126 on the number pad. Common practice.
    missing = ["`", "~"] if name == "windows-it" else []
    assert [character for character in ASCII if layout.strokes(character) is None] == missing


def test_there_is_a_file_for_every_layout() -> None:
    files = {path.stem for path in shipped("data", "host-layouts").iterdir()}
    assert files == {name.removesuffix("-iso") for name in layouts.LAYOUT_NAMES}


@pytest.mark.parametrize("system", layouts.SYSTEMS)
@pytest.mark.parametrize(
    ("country", "code", "signs"),
    [
        # W3C UI Events KeyboardEvent code Values, 3.1.1 Writing System Keys: "Labelled …".
        ("us", "Backquote", "`~"),
        ("us", "Backslash", "\\|"),
        ("gb", "Backslash", "#~"),
        ("us", "BracketLeft", "[{"),
        ("us", "BracketRight", "]}"),
        ("us", "Comma", ",<"),
        ("us", "Digit0", "0)"),
        ("us", "Digit2", "2@"),
        ("us", "Digit8", "8*"),
        ("us", "Equal", "=+"),
        ("gb", "IntlBackslash", "\\|"),
        ("fr", "KeyA", "qQ"),
        ("fr", "KeyQ", "aA"),
        ("fr", "KeyW", "zZ"),
        ("de", "KeyY", "zZ"),
        ("fr", "KeyZ", "wW"),
        ("de", "KeyZ", "yY"),
        ("us", "Minus", "-_"),
        ("us", "Period", ".>"),
        ("us", "Quote", "'\""),
        ("us", "Semicolon", ";:"),
        ("us", "Slash", "/?"),
    ],
)
def test_what_the_web_standard_says_is_on_the_caps(system: str, country: str, code: str, signs: str) -> None:
    if (system, country) == ("macos", "gb"):
        return  # the standard's is the PC's: Apple's British board is the US one but for £ (common practice)
    layout = layouts.layout(f"{system}-{country}")
    assert [layout.types(key(code, modifiers)) for modifiers in ((), SHIFT)] == list(signs)


# What Windows has otherwise than Linux, alone and with Shift, and why.
OTHERWISE_ON_WINDOWS = {
    # The extra key of an ISO board: xkb gives it < and > where a country's boards have no such key.
    "windows-us": {"IntlBackslash", "Shift+IntlBackslash"},
    # xkb follows the boards that have ~ on the key of ².
    "windows-fr": {"Shift+Backquote"},
    # ~ is an accent on Windows alone (common practice: it takes a Space after it); IntlBackslash as above.
    "windows-pl": {"Shift+Backquote", "IntlBackslash", "Shift+IntlBackslash"},
}


def moved(here: layouts.Layout, there: layouts.Layout, levels: tuple[tuple[int, ...], ...]) -> set[str]:
    """The presses that type or compose otherwise on one layout than on another."""
    presses = [key(code, modifiers) for code in WRITING for modifiers in levels]
    return {
        layouts.written_press(press)
        for press in presses
        if (here.types(press), here.dead(press)) != (there.types(press), there.dead(press))
    }


@pytest.mark.parametrize("name", WINDOWS)
def test_windows_and_linux_agree_but_for_what_is_known(name: str) -> None:
    """Two tables that don't come from one another; dead keys count too."""
    there = layouts.layout(name.replace("windows", "linux"))
    assert moved(layouts.layout(name), there, ((), SHIFT)) == OTHERWISE_ON_WINDOWS.get(name, set())


@pytest.mark.parametrize("name", WINDOWS)
def test_dead_keys_with_alt_gr_are_those_of_linux(name: str) -> None:
    here, there = layouts.layout(name), layouts.layout(name.replace("windows", "linux"))
    found = {
        layouts.written_press(press)
        for press in (key(code, modifiers) for code in WRITING for modifiers in (ALT_RIGHT, BOTH))
        if here.dead(press) is not None and here.dead(press) != there.dead(press)
    }
    # On these xkb types ~ and ` at once. From memory: on Windows they wait for a letter.
    from_memory = {
        "windows-fr": {"AltRight+Digit2", "AltRight+Digit7"},
        "windows-es": {"AltRight+Digit4"},
    }
    assert found == from_memory.get(name, set())


@pytest.mark.parametrize("name", ["macos-us", "macos-gb-iso", "macos-de-iso", "macos-fr-iso", "macos-es-iso"])
def test_macos_and_xkbs_macintosh_agree(name: str) -> None:
    """Alone and with Shift, dead keys too, wholly; with Option xkb fills up with signs that macOS hasn't. Its
    Italian one is another board (QZERTY), and it has no Polish one."""
    host, layout = Xkb(name.split("-")[1], "mac"), layouts.layout(name)
    for code in WRITING:
        for modifiers in ((), SHIFT):
            press = key(code, modifiers)
            keysym = host.keysym(press)
            dead = host.keysym_name(keysym)
            if dead.startswith("dead_"):
                assert layout.dead(press) == dead.removeprefix("dead_")
            else:
                assert layout.types(press) == host.character(keysym)


def test_macos_with_option_as_xkb_has_it_on_a_us_macintosh() -> None:
    """That one xkb has filled in itself. With Shift and Option it has accents where macOS has signs (˝ on G),
    and other signs where macOS has capitals with an accent."""
    host, layout = Xkb("us", "mac"), layouts.layout("macos-us")
    other = {"KeyH", "KeyK"}  # ˙ and ˚: dead in xkb
    for code in WRITING:
        keysym = host.keysym(key(code, ALT_RIGHT))
        if code not in other | {"Space"}:
            dead = host.keysym_name(keysym)
            expected = dead.removeprefix("dead_") if dead.startswith("dead_") else host.character(keysym)
            assert expected in (layout.dead(key(code, ALT_RIGHT)), layout.types(key(code, ALT_RIGHT)))


def test_macos_swaps_two_keys_of_an_iso_board() -> None:
    for name in MACOS:
        if name.endswith("-iso"):
            ansi, iso = layouts.layout(name.removesuffix("-iso")), layouts.layout(name)
            for modifiers in LEVELS:
                for one, other in (("Backquote", "IntlBackslash"), ("IntlBackslash", "Backquote")):
                    press, swapped = key(one, modifiers), key(other, modifiers)
                    assert (iso.types(press), iso.dead(press)) == (ansi.types(swapped), ansi.dead(swapped))
    # Common practice: on a German Mac keyboard ^ is left of 1, and < beside the left Shift.
    assert layouts.layout("macos-de-iso").dead(key("Backquote")) == "circumflex"
    assert layouts.layout("macos-de-iso").strokes("<") == (key("IntlBackslash"),)


@pytest.mark.parametrize("name", [*WINDOWS, *MACOS])
def test_accents_compose_as_unicode_does(name: str) -> None:
    layout = layouts.layout(name)
    composed = 0
    for character, presses in typable(layout):
        if len(presses) == 2:
            accent, letter = layout.dead(presses[0]), layout.types(presses[1])
            assert accent is not None
            assert letter is not None
            mark = unicodedata.lookup(f"COMBINING {LONG.get(accent, accent)}")
            if letter != " ":
                assert unicodedata.normalize("NFC", letter + mark) == character
                composed += 1
            else:  # the accent by itself: ´ is a blank with an acute to Unicode, ^ is just like one
                assert unicodedata.normalize("NFKD", character) == f" {mark}" or character in SPACING[accent]
    has_accents = any(layout.dead(key(code, m)) for code in WRITING for m in LEVELS)
    assert bool(composed) == (has_accents and "-pl" not in name)


LONG = {"grave": "grave accent", "circumflex": "circumflex accent", "acute": "acute accent"}
# ASCII's, and Unicode's modifier letters, which macOS has; ' and " are US International's (common practice).
SPACING = {"grave": "`", "circumflex": "^ˆ", "tilde": "~˜", "acute": "'", "diaeresis": '"'}


@pytest.mark.parametrize("name", [*WINDOWS, *MACOS])
def test_characters_are_in_the_old_code_page_of_the_country(name: str) -> None:
    """Python's codecs, from Unicode's mapping tables. The layouts are older than Unicode, and show it."""
    east = "-pl" in name
    code_page = ("cp1250" if east else "cp1252") if name in WINDOWS else "mac_latin2" if east else "mac_roman"
    younger = {"windows-de": "ẞ", "windows-br": "₢"}.get(name, "€" if name.startswith("macos-pl") else "")
    assert [c for c, _ in typable(layouts.layout(name)) if c not in younger and not c.encode(code_page)] == []


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
        ("linux-ch-de", "è", key("BracketLeft", SHIFT)),
        ("linux-be", "@", key("Digit2", ALT_RIGHT)),
        ("linux-hu", "ű", key("Backslash")),
        ("windows-us", "\\", key("Backslash")),
        ("windows-gb", "€", key("Digit4", ALT_RIGHT)),
        ("windows-de", "@", key("KeyQ", ALT_RIGHT)),
        ("windows-de", "{", key("Digit7", ALT_RIGHT)),
        ("windows-fr", "@", key("Digit0", ALT_RIGHT)),
        ("windows-fr", "^", key("Digit9", ALT_RIGHT)),
        ("windows-es", "@", key("Digit2", ALT_RIGHT)),
        ("windows-se", "@", key("Digit2", ALT_RIGHT)),
        ("windows-se", "|", key("IntlBackslash", ALT_RIGHT)),
        ("windows-it", "@", key("Semicolon", ALT_RIGHT)),
        ("windows-dk", "ø", key("Quote")),
        ("windows-no", "ø", key("Semicolon")),
        ("windows-pl", "ż", key("KeyZ", ALT_RIGHT)),
        ("windows-br", "ç", key("Semicolon")),
        ("macos-us", "€", key("Digit2", BOTH)),
        ("macos-gb", "£", key("Digit3", SHIFT)),
        ("macos-gb", "#", key("Digit3", ALT_RIGHT)),
        ("macos-de", "@", key("KeyL", ALT_RIGHT)),
        ("macos-de", "|", key("Digit7", ALT_RIGHT)),
        ("macos-fr", "!", key("Digit8")),
        ("macos-es", "@", key("Digit2", ALT_RIGHT)),
    ):
        assert layouts.layout(name).strokes(character) == (press,), (name, character)
    assert layouts.layout("linux-de").strokes("é") == (key("Equal"), key("KeyE"))
    assert layouts.layout("linux-us").strokes("é") is None
    # Accents, from memory.
    for name, character, presses in (
        ("windows-de", "é", (key("Equal"), key("KeyE"))),
        ("windows-de", "^", (key("Backquote"), key("Space"))),
        ("windows-fr", "ê", (key("BracketLeft"), key("KeyE"))),
        ("windows-fr", "ñ", (key("Digit2", ALT_RIGHT), key("KeyN"))),
        ("windows-es", "à", (key("BracketLeft"), key("KeyA"))),
        ("windows-se", "~", (key("BracketRight", ALT_RIGHT), key("Space"))),
        ("windows-us-intl", "'", (key("Quote"), key("Space"))),
        ("windows-us-intl", "Ö", (key("KeyP", BOTH),)),
        ("macos-us", "é", (key("KeyE", ALT_RIGHT), key("KeyE"))),
        ("macos-us", "ñ", (key("KeyN", ALT_RIGHT), key("KeyN"))),
        ("macos-de", "~", (key("KeyN", ALT_RIGHT), key("Space"))),
    ):
        assert layouts.layout(name).strokes(character) == presses, (name, character)
    # Better none than a wrong one: ~ and A make another letter on a Polish Windows.
    assert layouts.layout("windows-pl").strokes("ã") is None
    assert layouts.layout("windows-us").strokes("é") is None


def test_commands_type_nothing() -> None:
    layout = layouts.layout("linux-de")
    for modifiers in ((0xE0,), (0xE2,), (0xE3,), (0xE0, 0xE1), (0xE4,)):
        assert layout.types(key("KeyQ", modifiers)) is None
    assert layout.types(key("KeyQ", (0xE5,))) == "Q"  # either Shift
    assert layout.types(key("Escape")) is None
    assert layout.types(key("AudioVolumeUp")) is None
    assert layout.types(Press(Usage(0x07, 0x03))) is None


def test_option_is_either_alt() -> None:
    layout = layouts.layout("macos-de")
    for option in (0xE2, 0xE6):
        assert layout.types(key("KeyL", (option,))) == "@"
        assert layout.types(key("KeyL", (0xE0, option))) is None  # with Control a command
    assert layout.composes(key("KeyN", (0xE2,)), key("KeyA", SHIFT)) == "Ã"
    assert layouts.layout("windows-de").types(key("KeyQ", (0xE2,))) is None


def test_number_pad() -> None:
    layout = layouts.layout("linux-de")
    assert layout.types(key("NumpadAdd")) == "+"
    assert layout.types(key("Numpad7")) is None
    assert layout.types_with_num_lock(key("Numpad7")) == "7"
    assert layout.types_with_num_lock(key("NumpadDecimal")) == ","
    assert layouts.layout("linux-us").types_with_num_lock(key("NumpadDecimal")) == "."
    assert layout.types_with_num_lock(key("KeyA")) is None
    assert layouts.layout("windows-de").types_with_num_lock(key("NumpadDecimal")) == ","
    assert layouts.layout("macos-de").types(key("Numpad7")) == "7"  # macOS knows no NumLock


def test_differences_name_what_moved() -> None:
    assert layout_help.differences("linux-us") == layout_help.differences("linux-gb") == ""
    for name in ("linux-de", "windows-ch-de", "macos-de"):
        assert layout_help.differences(name) == "y on KeyZ, z on KeyY"
    assert "q on KeyA" in layout_help.differences("linux-fr")


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("win-fr", "write windows-fr"),
        ("Windows_German", "write windows-de"),
        ("mac-de", "write macos-de"),
        ("mac-de-iso", "write macos-de-iso"),
        ("osx-uk", "write macos-gb"),
        ("linux-it-it", "write linux-it"),
        ("lunix-de", "write linux-de"),
        ("windws-us", "write windows-us"),
        ("windows-pt-br", "write windows-br"),
        ("linux-de-ch", "write linux-ch-de"),
        ("windows-en-intl", "write windows-us-intl"),
        ("german", "write linux-de, windows-de or macos-de, by the computer's system"),
        ("dk", "write linux-dk or windows-dk, by the computer's system; there is none for macOS here"),
        ("cz", "write linux-cz, by the computer's system; there is none for Windows and macOS here"),
    ],
)
def test_the_layout_that_is_meant(name: str, meant: str) -> None:
    assert layout_help.unknown_layout_help(name) == meant


def test_an_unknown_layout_is_answered_with_those_there_are() -> None:
    text = layout_help.unknown_layout_help("klingon")
    listed = text.split("Their letters")[0]
    assert set(re.findall(r"\b(?:linux|windows|macos)-[\w-]+", listed)) == {
        name for name in layouts.LAYOUT_NAMES if not name.endswith("-iso") or name == "macos-us-iso"
    }
    assert "linux-de, linux-cz, linux-hu, linux-ch-de, windows-de, windows-ch-de, macos-de: y on KeyZ" in text
    for name in ("windows", "windows-klingon"):
        text = layout_help.unknown_layout_help(name)
        assert "windows-se" in text
        assert "linux" not in text
    text = layout_help.unknown_layout_help("mac-swedish")
    assert text.startswith("No Swedish layout of macOS is known here, only linux-se and windows-se.\n")
    assert layout_help.unknown_layout_help("fr-ch").startswith("Linux: ")  # Swiss French is none of these
    with pytest.raises(KeyError):
        layouts.layout("klingon")


def test_what_a_layout_rests_on() -> None:
    assert "xkeyboard-config" in layouts.basis("linux-de")
    assert "From memory: which keys are dead" in layouts.basis("windows-de")
    assert "macos-de-iso" in layouts.basis("macos-de")
    assert "else it's macos-de." in layouts.basis("macos-de-iso")


def test_presses_are_written_as_in_a_keymap() -> None:
    assert layouts.written_press(key("KeyQ", ALT_RIGHT)) == "AltRight+KeyQ"
    assert layouts.written_press(key("Digit2", (0xE0, 0xE1))) == "Control+Shift+Digit2"
    assert layouts.written_press(Press(Usage(0x0C, 0x30))) == "usage(0x0C, 0x0030)"
