"""One cause, one mistake, with the mend in its help: files as they leave the hands of somebody new to this.

What people write instead is common practice: other languages' signs, word processors, other keyboards.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyc.compile import check_text, source_of
from keyc.language.spelling import respelt
from keyc.source import Source

KEYMAP = """keyboard "Slipway 12" {
    usb 0x1234:0x0001  maker "Saltmarsh Bench"
    host-layout linux-us
}
wiring {
    diodes cathode-to-row
    columns       GPIO6   GPIO7   GPIO8   GPIO9
    row GPIO2     SW1     SW2     SW3     SW4
    row GPIO3     SW5     SW6     SW7     SW8
    row GPIO4     SW9     SW10    SW11    --
    direct GPIO10 SW12
}
shape {
    SW1        SW2   SW3   SW4
    SW5        SW6   SW7   SW8   SW12 1x2u
    SW9  2u          SW10  SW11
}
timing { debounce 5ms }
let take-back = Control+Z
layer base {
    Escape      Q     W     E
    Tab/arrows  A     S     D     Enter
    take-back         arrows   numbers
}
layer arrows {
    ..   ..         ArrowUp    "!"
    ..   ArrowLeft  ArrowDown  ArrowRight  usb-boot
    off             next(ShiftLeft)   lock(numbers)
}
layer numbers {
    SW2 = Numpad7     SW3 = Numpad8     SW1 = lock(numbers)
}
scenario "a tapped thumb is Tab, a held one reaches the arrows" {
    tap SW5                  expect Tab
    down SW5  wait 300ms     tap SW3      expect ArrowUp     up SW5
    expect nothing-held
}
"""

# What stands in the file, what somebody writes instead, the mistake, and words of its help.
WRITTEN = [
    # Statements that share a line.
    ("cathode-to-row\n    columns", "cathode-to-row  columns", "misplaced", "begin a new line"),
    ("direct GPIO10 SW12", "direct GPIO10 SW12  light GPIO25 CapsLock", "misplaced", "begin a new line"),
    # Word processors, web pages and other keyboards.
    ('"!"', "“!”", "foreign-sign", '"!"'),
    ("Escape      Q", "Escape\xa0Q", "foreign-sign", "plain blank"),
    ("Escape      Q", "Escape\u200b Q", "foreign-sign", "plain blank"),
    ("layer base", "\ufefflayer base", "foreign-sign", "plain blank"),
    ("layer base {", "layer base ｛", "foreign-sign", "write {"),
    ("    Escape", "    Ｅｓｃａｐｅ", "unknown-name", "write Escape"),
    ("take-back = Control", "take-back ＝ Control", "foreign-sign", "write ="),
    ("let take-back", "let take—back", "foreign-sign", "-"),
    ("SW11    --", "SW11    —", "foreign-sign", "write --"),
    ("SW11    --", "SW11    -", "foreign-sign", "write --"),
    ("SW11    --", "SW11 –", "misplaced", "`--`"),
    ("..   ..  ", "…   …  ", "foreign-sign", "write .."),
    ("..   ..  ", "...  ..  ", "foreign-sign", "write .."),
    ("1x2u", "1×2u", "foreign-sign", "1x2u"),
    # Other languages.
    ("layer base {", "// my layer\nlayer base {", "foreign-sign", "#"),
    ("layer base {", "; my layer\nlayer base {", "foreign-sign", "#"),
    ("layer base {", "/* my\nlayer */\nlayer base {", "foreign-sign", "#"),
    ("Q     W     E", "Q     W     E // first", "foreign-sign", "#"),
    ("Q     W     E", "Q,    W,    E", "foreign-sign", "take it out"),
    ("Control+Z", "Control+Z;", "foreign-sign", "take it out"),
    ("    Escape      Q     W     E", "  | Escape | Q | W | E |", "foreign-sign", "take it out"),
    ("layer base {", "Layer base {", "unknown-statement", "layer base {"),
    ("layer base {", "layer base = {", "misplaced", "layer base {"),
    ("layer base {", "layer base\n{", "brace-on-next-line", "end of the line"),
    ("layer base {", "layer base", "unfinished", "layer base {"),
    ("numbers\n}\n", "numbers\n", "block-not-closed", "}"),
    ("numbers\n}\n", "numbers\n}\n}\n", "brace-without-block", "take it out"),
    ('"Slipway 12"', '"Slipway 12', "text-not-closed", 'with "'),
    ('arrows" {', "arrows {", "text-not-closed", 'with "'),
    ('"!"', '"""', "text-not-closed", '\\"'),
    ("next(ShiftLeft)", "next[ShiftLeft]", "sign-without-quotes", "next(ShiftLeft)"),
    ("next(ShiftLeft)", "next ShiftLeft", "unknown-name", "next(ShiftLeft)"),
    ("next(ShiftLeft)", "next(ShiftLeft", "misplaced", "`)`"),
    ("Escape      Q", "EscapeQ", "unknown-name", "write Escape Q"),
    ("Control+Z", "Control-Z", "unknown-name", "Control+Z"),
    ("Control+Z", "Control + Z", "blanks-around-sign", "Control+Z"),
    ("Control+Z", "Ctrl+Z", "not-a-modifier", "Control"),
    # Rows and lines.
    ("W     E\n", "W     \\\n", "row-too-long", "Backslash"),
    ("D     Enter\n", "D     \\\n", "row-too-long", "Backslash"),
    ("SW4\n    SW5", "SW4 at 3u 4u SW5", "misplaced", "a line of its own"),
    ("SW8   SW12", "SW8   at 5u 1u SW12", "misplaced", "a line of its own"),
    ("D     Enter\n", "D\n", "row-too-short", "`..`"),
    ("    take-back         arrows   numbers\n", "", "rows-missing", "SW9 SW10 SW11"),
    ("SW3     SW4\n", "SW3\n", "row-too-short", "a switch, or `--`"),
    ("SW3     SW4\n", "SW3   SW4   SW13\n", "row-too-long", "take out"),
    ("SW10  SW11\n", "SW10\n", "switch-without-cap", "write SW11 into"),
    ("SW10  SW11\n", "SW10  SW10\n", "cap-placed-twice", "write SW11 for one of the two"),
    ("SW9  2u", "SW9-2u", "cap-without-switch", "write SW9 2u"),
    ("SW9  2u", "row SW9  2u", "cap-without-switch", "names its switches alone"),
    ("SW9  2u", "at 1u SW9  2u", "unfinished", "at 3.5u 4.25u"),
    ("SW9  2u", "at 1u,2u SW9  2u", "unfinished", "at 3.5u 4.25u"),
    ("Escape      Q", "Control Z      Q", "row-too-long", "write Control+Z"),
    # What belongs to `wiring`.
    ("GPIO9\n    row", "GPIO9 row", "misplaced", "begin a new line"),
    ("SW4\n    row", "SW4 row", "misplaced", "begin a new line"),
    ("--\n    direct", "-- direct", "misplaced", "begin a new line"),
    ("row GPIO2     SW1", "row SW1", "unfinished", "row GPIO2 SW1 SW2 SW3 SW4"),
    ("direct GPIO10 SW12", "direct SW12 GPIO10", "misplaced", "direct GPIO10 SW12"),
    ("direct GPIO10 SW12", "direct GPIO10 to SW12", "misplaced", "direct GPIO10 SW12"),
    (
        "direct GPIO10 SW12",
        "direct GPIO10 SW12\n    light CapsLock GPIO25",
        "misplaced",
        "light GPIO25 CapsLock",
    ),
    ("direct GPIO10 SW12", "direct GPIO10 SW12\n    light GPIO25 caps", "unknown-name", "CapsLock"),
    (
        "direct GPIO10 SW12",
        "direct GPIO10 SW12\n    dial D1 GPIO20 GPIO21",
        "misplaced",
        "dial GPIO20 GPIO21 D1",
    ),
    ("diodes cathode", "diode cathode", "misplaced", "diodes cathode-to-row"),
    ("cathode-to-row", "cathode to row", "misplaced", "write cathode-to-row"),
    ("GPIO7   GPIO8", "7   GPIO8", "misplaced", "GPIO7"),
    ("row GPIO2     SW1 ", "row GPIO2     SW 1 ", "misplaced", "write SW1"),
    # Words with blanks in them, and in another order.
    ("Escape      Q", "Page Up  Q", "unknown-name", "write PageUp"),
    ("Escape      Q", "Caps Lock  Q", "unknown-name", "write CapsLock"),
    ("Escape      Q", "F 1  Q", "unknown-name", "write F1"),
    ("usb-boot", "usb boot", "unknown-name", "write usb-boot"),
    ("= Numpad7", "= Numpad 7", "misplaced", "write Numpad7"),
    ("= Numpad7", "= Page Up", "misplaced", "write PageUp"),
    ("= Control+Z", "= Page Up", "misplaced", "write PageUp"),
    ("= Control+Z", "= Z+Control", "not-a-modifier", "write Control+Z"),
    ("= Control+Z", "= Control+Z Control+A", "misplaced", "sequence NAME = A B"),
    ("SW2 = Numpad7", "Numpad7 = SW2", "misplaced", "SW2 = Numpad7"),
    ("Tab/arrows", "arrows/Tab", "hold-is-no-layer", "write Tab/arrows"),
    ("Tab/arrows", "Tab-arrows", "unknown-name", "Tab/arrows"),
    ("Tab/arrows", "hold(Tab, arrows)", "unknown-name", "Tab/arrows"),
    ("E\n    Tab", "layer(arrows)\n    Tab", "unknown-name", "its name alone: arrows"),
    ("lock(numbers)", "lock numbers", "unknown-name", "lock(numbers)"),
    ("off  ", "none ", "unknown-name", "`off`"),
    ("Escape      Q", "Entf      Q", "unknown-name", "write Delete"),
    ("Escape      Q", "Rücktaste      Q", "unknown-name", "write Backspace"),
    ("Control+Z", "Strg+Z", "not-a-modifier", "write Control"),
    ("host-layout linux", "host layout linux", "misplaced", "host-layout linux-us"),
    ("linux-us", "linux us", "misplaced", "write linux-us"),
    ("debounce 5ms", "debounce 5ms after quiet", "misplaced", "write after-quiet"),
    ("debounce 5ms", "hold after 200ms", "misplaced", "hold-after 180ms"),
    ("debounce 5ms", "hold-if another key tapped", "misplaced", "write another-key"),
    # Colons and equals signs.
    ("columns ", "columns:", "foreign-sign", "take it out"),
    ("row GPIO2 ", "row GPIO2:", "foreign-sign", "take it out"),
    ("debounce 5ms", "debounce: 5ms", "foreign-sign", "take it out"),
    ("tap SW5  ", "tap: SW5 ", "foreign-sign", "take it out"),
    ("let take-back =", "let take-back:", "foreign-sign", "write ="),
    ("let take-back =", "take-back =", "unknown-statement", "let take-back ="),
    ("let take-back =", "let take back =", "name-unfit", "take-back"),
    ("SW2 = Numpad7 ", "SW2: Numpad7 ", "foreign-sign", "write ="),
    ("SW2 = Numpad7 ", "SW2 Numpad7 ", "misplaced", "SW1 = Escape"),
    ("SW2 = Numpad7 ", "SW2 == Numpad7 ", "misplaced", "take one of the two out"),
    ("Escape      Q", "SW1: Escape      Q", "misplaced", "write SW1 ="),
    ("Escape      Q", "SW1 = Escape      Q", "misplaced", "write for each"),
    ("layer base {", "base {", "unknown-statement", "layer base {"),
    ("layer numbers {", "layer numbers if arrows {", "misplaced", "when arrows"),
    ("layer numbers {", "layer numbers when arrows + base {", "misplaced", "stands `and`"),
    ("layer numbers {", "layer numbers when arrows, base {", "foreign-sign", "take it out"),
    # One key and what is on while it is held, and cells that are joined otherwise.
    ("Tab/arrows", "Tab(arrows)", "unknown-name", "Tab/arrows"),
    ("Tab/arrows", "Tab|arrows", "sign-without-quotes", "Tab/arrows"),
    ("Tab/arrows", "(Tab/arrows)", "sign-without-quotes", "write Tab/arrows"),
    ("Escape      Q", "Escape,Q", "sign-without-quotes", "Escape Q"),
    ("Escape      Q", "<Escape> Q", "sign-without-quotes", "write Escape"),
    ("..   ..  ", "..,  ..,  ", "foreign-sign", "take it out"),
    ("..   ..  ", ".... ..  ", "sign-without-quotes", "write .."),
    ("ArrowUp    ", "↑    ", "sign-without-quotes", "write ArrowUp"),
    ("usb-boot", "usb_boot", "unknown-name", "write usb-boot"),
    ("SW3 = Numpad8", "SW3 =", "unfinished", "SW1 = Escape"),
    ("SW3 = Numpad8", "SW 3 = Numpad8", "misplaced", "write SW3"),
    # Names, pins and numbers.
    ("GPIO10 SW12", "GPIO10 SW12\n    light GPIO25 Caps Lock", "misplaced", "write CapsLock"),
    ("GPIO10 SW12", "GPIO10 SW12\n    dial GPIO20 GPIO21 D1 edges 4", "misplaced", "edges-per-detent 4"),
    ("SW11    --", "SW11    none", "reserved-name", "write --"),
    ("SW11    --", "SW11    0", "misplaced", "`--`"),
    ("SW10    SW11    --", "SW9     SW11    --", "switch-wired-twice", "its own name"),
    ("row GPIO4 ", "GPIO4 ", "unknown-statement", "row GPIO4"),
    ("diodes cathode", "cathode", "unknown-statement", "diodes cathode-to-row"),
    ("debounce 5ms", "debounce 5ms, hold-after 200ms", "number-form", "write 5ms"),
    ("debounce 5ms", "debounce 5MS", "number-form", "write 5ms"),
    ("SW12 1x2u", "SW12 1 x 2u", "number-form", "1x2u"),
    ("5ms", "5 milliseconds", "number-form", "write 5ms"),
    ("GPIO6 ", "GPIO 6 ", "misplaced", "GPIO6"),
    ("row GPIO2", "row 2", "misplaced", "GPIO2"),
    ("GPIO7 ", "GPIO6 ", "pin-used-twice", "another pin"),
    ("0x1234:0x0001", "0x1234 0x0001", "misplaced", "0x1209:0x0001"),
    ("0x1234:0x0001", "0x0:0x0", "number-out-of-range", "0x1209:0x0001"),
    ("linux-us", "us", "unknown-host-layout", "write linux-us"),
    ("linux-us", "de-DE", "unknown-host-layout", "write linux-de"),
    ("linux-us", "win-de", "unknown-host-layout", "write windows-de"),
    ("5ms", "5", "number-without-unit", "5ms"),
    ("5ms", "5 ms", "number-form", "5ms"),
    ("SW9  2u", "SW9  1,5u", "number-form", "1.5u"),
    ("SW9  2u", "SW9  19.05,0u", "number-form", "one number"),
    # Scenarios.
    ("expect nothing-held", "expect A nothing-held", "misplaced", "a statement of its own"),
    ("expect nothing-held", "expect nothing A", "misplaced", "expect A"),
    ("expect nothing-held", "expect nothing held", "misplaced", "write nothing-held"),
    ("expect nothing-held", "expect Nothing-Held", "unknown-name", "write nothing-held"),
    ("expect ArrowUp ", "expect Arrow Up ", "unknown-name", "write ArrowUp"),
    ("expect ArrowUp ", "expect ArrowUp and Tab ", "unknown-name", "expect A B"),
    ("wait 300ms", "wait 0.3 seconds", "number-form", "write 0.3s"),
    ("wait 300ms", "hold 300ms", "misplaced", "tap, down, up, wait, expect"),
    ("tap SW5 ", "tap SW 5 ", "unknown-name", "write SW5"),
    ("tap SW5 ", "tap ", "unfinished", "tap SW5"),
    ("expect nothing-held", "up SW3 expect nothing-held", "up-without-down", "down SW3"),
    ("up SW5", "down SW5 up SW5", "down-already", "up SW5"),
    ("up SW5", "tap SW5 up SW5", "down-already", "up SW5"),
]

# The same done to all of a file.
CHANGED: list[tuple[Callable[[str], str], str, str]] = [
    (lambda text: text.replace("\n", "\r\r\n"), "foreign-sign", "LF or CRLF"),
    (lambda text: text.replace("\n", "\r"), "foreign-sign", "LF or CRLF"),
    (lambda text: text.replace("  ", "\xa0\xa0"), "foreign-sign", "plain blank"),
    (lambda text: re.sub(r'"(.*?)"', r"„\1“", text), "foreign-sign", '"Slipway 12"'),
    (lambda text: re.sub(r'"(.*?)"', "«\xa0\\1\xa0»", text), "foreign-sign", '"Slipway 12"'),
    (lambda text: re.sub(r'"(.*?)"', r"'\1'", text), "foreign-sign", '"Slipway 12"'),
    (lambda text: text.replace("{\n", "(\n").replace("\n}", "\n)"), "foreign-sign", "write {"),
    (lambda text: text.replace("shape {", "shape [").replace("}\ntiming", "]\ntiming"), "foreign-sign", "{"),
    (lambda text: text.replace("GPIO", "gpio"), "unknown-name", "GPIO6"),
    (lambda text: text.replace("numbers", "öl"), "name-unfit", "my-öl"),
    (lambda text: text.replace("numbers", "1st"), "name-unfit", "my-1st"),
    (lambda text: text.replace("numbers", "latch"), "reserved-name", "my-latch"),
    (lambda text: text.replace("numbers", "down"), "reserved-name", "my-down"),
    (lambda text: text.replace("numbers", "home"), "name-taken", "my-home"),
    (lambda text: text.replace("layer numbers", "layer my numbers"), "name-unfit", "my-numbers"),
    (lambda text: text.replace("layer numbers", 'layer "numbers"'), "name-unfit", "write numbers"),
    (lambda text: text.replace("layer numbers", "layer numbrs"), "unknown-name", "numbrs"),
    (lambda text: text.replace("layer numbers", "layer"), "misplaced", "layer base {"),
    (lambda text: text + "chord Q W on base = CapsLock\n", "unknown-name", "called in `wiring`"),
    (lambda text: text + "chord SW2 and SW3 on base = CapsLock\n", "unknown-name", "side by side"),
    (lambda text: text + "chord SW2 SW3 base = CapsLock\n", "misplaced", "SW2 SW3 on base"),
    (lambda text: text + "sequence hi = Hello Enter\n", "unknown-name", '"Hello"'),
    (lambda text: text + "layer extra SW1 = A\n", "misplaced", "layer base {"),
    (lambda text: text + 'sequence hi = "Kind regards\n', "text-not-closed", 'end it with "'),
    (lambda text: text + 'sequence hi = "Kind\n" Enter\n', "text-not-closed", 'end it with "'),
    (lambda text: text + "sequence hi = Kind regards Enter\n", "unknown-name", '"Kind regards"'),
    (lambda text: text + "sequence hi = A pause 50ms B\n", "unknown-name", "write wait 50ms"),
    (lambda text: text + 'scenario "x" { tap SW2 expect Q release SW2 }\n', "unknown-statement", "up SW5"),
    (
        lambda text: text + 'scenario "x" { tap SW2 expect Q expects nothing }\n',
        "unknown-statement",
        "expect Tab",
    ),
    (lambda text: text + text, "said-twice", "one of the two"),
    (lambda text: "", "part-missing", "add wiring"),
    (lambda text: "hello\n", "unknown-statement", "wiring"),
]


# The dial of a keymap that has one.
TURNED = [
    ("dial DIAL1 on base", "dial on base", "misplaced", "dial DIAL1 on base"),
    ("dial DIAL1 on base", "dial DIAL1", "misplaced", "dial DIAL1 on base"),
    ("{ clockwise =", "{ clockwise:", "foreign-sign", "write ="),
    ("{ clockwise =", "{ right =", "unknown-statement", "clockwise = "),
    ("counter-clockwise", "counter clockwise", "misplaced", "counter-clockwise"),
    ("counter-clockwise", "anti-clockwise", "unknown-statement", "counter-clockwise"),
    ("DIAL1\n", "DIAL1 edges per detent 4\n", "misplaced", "write edges-per-detent"),
    ("wiring {", "Wiring {", "unknown-statement", "write: wiring {"),
]


def only_mistake(text: str) -> tuple[str, str]:
    found = check_text(source_of("new.keys", text.encode()))[1]
    assert [one.code for one in found] == [found[0].code], [(one.code, one.message) for one in found]
    return found[0].code, found[0].help or ""


def test_the_keymap_itself_is_sound() -> None:
    assert check_text(source_of("new.keys", KEYMAP.encode()))[1] == []
    assert check_text(source_of("new.keys", KEYMAP.replace("\n", "\r\n").encode()))[1] == []


@pytest.mark.parametrize(("there", "written", "code", "help"), WRITTEN)
def test_one_slip_is_one_mistake(there: str, written: str, code: str, help: str) -> None:
    assert KEYMAP.count(there) >= 1
    told, mend = only_mistake(KEYMAP.replace(there, written, 1))
    assert told == code
    assert help in mend


@pytest.mark.parametrize(("change", "code", "help"), CHANGED)
def test_one_habit_is_one_mistake(change: Callable[[str], str], code: str, help: str) -> None:
    told, mend = only_mistake(change(KEYMAP))
    assert told == code
    assert help in mend


@pytest.mark.parametrize(("there", "written", "code", "help"), TURNED)
def test_one_slip_with_a_dial_is_one_mistake(there: str, written: str, code: str, help: str) -> None:
    text = KEYMAP.replace("SW12\n}", "SW12\n    dial GPIO20 GPIO21 DIAL1\n}")
    text += "dial DIAL1 on base { clockwise = AudioVolumeUp  counter-clockwise = AudioVolumeDown }\n"
    assert check_text(source_of("new.keys", text.encode()))[1] == []
    told, mend = only_mistake(text.replace(there, written, 1))
    assert told == code
    assert help in mend


def test_for_an_unknown_layout_nothing_is_said_of_what_keys_type() -> None:
    """`é`, `ß` and `Grüße` can't be typed on the default layout; on the one that was meant they may."""
    text = KEYMAP.replace("linux-us", "linux-gr").replace('"!"', '"é"').replace("Escape", '"Grüße"', 1)
    told, _ = only_mistake(text + 'sequence greet = "ß" Enter\nscenario "x" { tap SW1 expect "ß" }\n')
    assert told == "unknown-host-layout"


def test_what_stands_in_texts_and_comments_is_left_alone() -> None:
    text = KEYMAP.replace("Slipway 12", "“Slip” — {way}, // 12 …").replace(
        "timing {", "timing { # ;a, (b) “c” |\n"
    )
    found = check_text(source_of("new.keys", text.replace("Escape", "Escpe").encode()))[1]
    assert [one.code for one in found] == ["unknown-name"]
    damaged = text.replace("host-layout linux-us", "host-layout")
    found = check_text(source_of("new.keys", damaged.encode()))[1]
    assert [one.code for one in found] == ["unfinished"]


@given(
    st.text(
        st.sampled_from("“”„«»'`\"\\ \t\n\r\u00a0\u200b\ufeff｛Ａ—–-…..×1u,;|/*#(){}[]a\u2028é\x85"),
        max_size=60,
    )
)
@settings(max_examples=300, deadline=None)
def test_what_is_read_instead_keeps_every_place(text: str) -> None:
    """Mistakes after a mended sign are told at places of the text as it is."""
    source = Source("x.keys", text)
    mended, found = respelt(source)
    assert len(mended) == len(text) + 1
    assert [one.code for one in found] == ["foreign-sign"] * len(found)
    assert all(0 <= one.span.start <= one.span.end <= len(text) for one in found)
