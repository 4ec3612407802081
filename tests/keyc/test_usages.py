"""Key names and numbers, against the HID Usage Tables and two libraries that name keys.

* keyc/data/hut-*.tsv: USB HID Usage Tables 1.7, the standard's own names.
* hid-tools (hidtools.hut): an independent transcription of an earlier edition.
* evdev (evdev.ecodes): the Linux kernel's names of input codes.
"""

from __future__ import annotations

import re

import pytest

from keyc import usages
from keyc.files import data_rows
from keyc.keyboard import Usage

# What W3C names differently from the HID Usage Tables, once "Keyboard"/"Keypad" and blanks are gone.
STANDARD = {
    "Sleep": "SystemSleep", "WakeUp": "SystemWakeUp", "DisplayToggleIntExt": "SystemDisplayToggleInt/ExtMode",
    "Enter": "ReturnEnter", "Backspace": "Delete", "Delete": "DeleteForward", "Space": "Spacebar",
    "Minus": "DashandUnderscore", "Equal": "EqualsandPlus", "BracketLeft": "LeftBrace",
    "BracketRight": "RightBrace", "Backslash": "BackslashandPipe", "IntlHash": "Non-USHashandTilde",
    "Semicolon": "SemiColonandColon", "Quote": "LeftAposandDouble", "Backquote": "GraveAccentandTilde",
    "Comma": "CommaandLessThan", "Period": "PeriodandGreaterThan", "Slash": "ForwardSlashandQuestionMark",
    "ArrowRight": "RightArrow", "ArrowLeft": "LeftArrow", "ArrowDown": "DownArrow", "ArrowUp": "UpArrow",
    "NumLock": "NumLockandClear", "NumpadDivide": "ForwardSlash", "NumpadMultiply": "Star",
    "NumpadSubtract": "Dash", "NumpadAdd": "Plus", "NumpadEnter": "ENTER", "NumpadDecimal": "PeriodandDelete",
    "NumpadEqual": "Equals", "NumpadComma": "Comma", "NumpadParenLeft": "LeftBracket",
    "NumpadParenRight": "RightBracket", "NumpadHash": "Hash", "IntlBackslash": "Non-USBackslashandPipe",
    "ContextMenu": "Application", "Open": "Execute", "Props": "CrSelProps", "Abort": "Cancel",
    "IntlRo": "International1", "KanaMode": "International2", "IntlYen": "International3",
    "Convert": "International4", "NonConvert": "International5",
    "ControlLeft": "LeftControl", "ShiftLeft": "LeftShift", "AltLeft": "LeftAlt", "MetaLeft": "LeftGUI",
    "ControlRight": "RightControl", "ShiftRight": "RightShift", "AltRight": "RightAlt",
    "MetaRight": "RightGUI",
    "BrightnessUp": "DisplayBrightnessIncrement", "BrightnessDown": "DisplayBrightnessDecrement",
    "MediaTrackNext": "ScanNextTrack", "MediaTrackPrevious": "ScanPreviousTrack",
    "MediaPlayPause": "Play/Pause", "AudioVolumeMute": "Mute", "AudioVolumeUp": "VolumeIncrement",
    "AudioVolumeDown": "VolumeDecrement", "MediaSelect": "ALConsumerControlConfiguration",
    "LaunchMail": "ALEmailReader", "LaunchApp2": "ALCalculator", "LaunchApp1": "ALLocalMachineBrowser",
    "LaunchControlPanel": "ALControlPanel", "SelectTask": "ALSelectTask/Application",
    "LaunchScreenSaver": "ALScreenSaver", "LaunchAssistant": "ALContext-awareDesktopAssistant",
    "BrowserFavorites": "ACBookmarks", "ZoomToggle": "ACViewToggle", "MailReply": "ACReply",
    "MailForward": "ACForwardMsg", "MailSend": "ACSend",
    "KeyboardLayoutSelect": "ACNextKeyboardLayoutSelect", "ShowAllWindows": "ACDesktopShowAllWindows",
}  # fmt: skip

# What the kernel names differently from W3C, in lower case.
KERNEL = {
    "Escape": "esc", "Quote": "apostrophe", "Backquote": "grave", "Period": "dot", "PrintScreen": "sysrq",
    "BracketLeft": "leftbrace", "BracketRight": "rightbrace", "IntlBackslash": "102nd",
    "ContextMenu": "compose", "Select": "front", "NumpadDivide": "kpslash", "NumpadMultiply": "kpasterisk",
    "NumpadSubtract": "kpminus", "NumpadAdd": "kpplus", "NumpadDecimal": "kpdot",
    "NumpadParenLeft": "kpleftparen", "NumpadParenRight": "kprightparen", "IntlRo": "ro", "IntlYen": "yen",
    "KanaMode": "katakanahiragana", "Convert": "henkan", "NonConvert": "muhenkan", "Lang1": "hangeul",
    "Lang2": "hanja", "Lang3": "katakana", "Lang4": "hiragana", "Lang5": "zenkakuhankaku",
    "ControlLeft": "leftctrl", "ShiftLeft": "leftshift", "AltLeft": "leftalt", "MetaLeft": "leftmeta",
    "ControlRight": "rightctrl", "ShiftRight": "rightshift", "AltRight": "rightalt",
    "MetaRight": "rightmeta", "MediaPause": "pausecd", "MediaTrackNext": "nextsong",
    "MediaTrackPrevious": "previoussong", "MediaStop": "stopcd", "Eject": "ejectcd",
    "AudioVolumeMute": "mute", "AudioVolumeUp": "volumeup", "AudioVolumeDown": "volumedown",
    "MediaSelect": "config", "LaunchMail": "mail", "LaunchApp1": "file", "LaunchApp2": "calc",
    "LaunchControlPanel": "controlpanel", "SelectTask": "appselect", "LaunchScreenSaver": "screensaver",
    "LaunchAssistant": "assistant", "BrowserHome": "homepage", "BrowserFavorites": "bookmarks",
    "ZoomToggle": "full_screen", "MailReply": "reply", "MailForward": "forwardmail", "MailSend": "send",
    "KeyboardLayoutSelect": "kbd_layout_next", "ShowAllWindows": "scale",
    "DisplayToggleIntExt": "switchvideomode",
}  # fmt: skip


def test_every_name_has_the_number_that_the_standard_gives_that_key() -> None:
    for name in usages.key_names():
        usage = usages.usage_of(name)
        assert usage is not None
        standard = usages.standard_name(usage)
        assert standard is not None, name
        plain = re.sub(r"^(Keyboard|Keypad) ", "", standard).replace(" ", "")
        if name in STANDARD:
            assert plain == STANDARD[name], name
        elif name.startswith("Numpad"):
            # "Keypad 7 and Home" is Numpad7
            assert standard.startswith("Keypad ")
            assert plain.split("and")[0] == name.removeprefix("Numpad"), name
        elif name.startswith("Digit"):
            assert plain.split("and")[0] == name.removeprefix("Digit"), name
        elif name.startswith("Browser"):
            assert plain == "AC" + name.removeprefix("Browser"), name
        else:
            assert plain == name.removeprefix("Key").removeprefix("Media") or plain.upper() == name.upper(), (
                name
            )


# Where hid-tools words a usage that has a name here unlike the standard's edition 1.7. Keys that it
# writes as characters ("1 and !") are compared in test_layouts.
OTHER_WORDS = {
    "DisplayToggleIntExt": "System Display Toggle Internal External",
    "Backspace": "DELETE (Backspace)",
    "IntlRo": "Kanji1",
    "KanaMode": "Kanji2",
    "IntlYen": "Kanji3",
    "Convert": "Kanji4",
    "NonConvert": "Kanji5",
    "AudioVolumeUp": "Volume Up",
    "AudioVolumeDown": "Volume Down",
    "MediaSelect": "AL Consumer Control Config",
}


def test_the_standards_table_agrees_with_another_transcription() -> None:
    hut = pytest.importorskip("hidtools.hut").HUT

    def letters(text: str) -> str:
        return re.sub(r"[^a-z0-9]", "", text.lower().removeprefix("keyboard").removeprefix("keypad"))

    compared = 0
    for name in usages.key_names():
        usage = usages.usage_of(name)
        assert usage is not None
        theirs = str(hut[usage.page].get(usage.id, ""))
        if not theirs or re.fullmatch(r"(Keyboard,|Non-US \W|Keypad \W|\S)( and .*)?", theirs):
            continue  # unknown to that edition, or written as characters
        assert letters(OTHER_WORDS.get(name, "")) == letters(theirs) or letters(theirs) == letters(
            usages.standard_name(usage) or ""
        ), (name, theirs)
        compared += 1
    assert compared > 100


def kernel_name(name: str) -> str:
    """What the kernel calls a key, from its W3C name: KeyA a, ArrowUp up, Numpad7 kp7, MediaPlay play."""
    if name in KERNEL:
        return KERNEL[name]
    return re.sub(r"^numpad", "kp", re.sub(r"^(key|digit|arrow|media|browser)", "", name.lower()))


def test_input_codes_are_the_kernels() -> None:
    ecodes = pytest.importorskip("evdev.ecodes")
    checked = 0
    for _, _, name, code, _ in data_rows("w3c-code-hid.tsv"):
        if not code:
            continue
        theirs = ecodes.KEY[int(code)]  # one name, or a tuple of names
        theirs = (theirs,) if isinstance(theirs, str) else theirs
        assert "KEY_" + kernel_name(name).upper() in theirs, (name, code)
        checked += 1
    assert checked > 170


def test_where_a_key_has_two_usages() -> None:
    # Common practice: volume is a consumer control. HID Usage Tables 1.7, page 0x0C.
    assert usages.usage_of("AudioVolumeUp") == Usage(0x0C, 0xE9)
    assert usages.usage_of("AudioVolumeDown") == Usage(0x0C, 0xEA)
    assert usages.usage_of("AudioVolumeMute") == Usage(0x0C, 0xE2)
    assert usages.name_of(Usage(0x07, 0x80)) is None
    # W3C UI Events: Backslash is both 0x31 and 0x32.
    assert usages.usage_of("Backslash") == Usage(0x07, 0x31)
    assert usages.usage_of("IntlHash") == Usage(0x07, 0x32)


def test_names_and_numbers_are_one_to_one() -> None:
    seen = {usages.usage_of(name) for name in usages.key_names()}
    assert len(seen) == len(usages.key_names())
    for name in usages.key_names():
        usage = usages.usage_of(name)
        assert usage is not None
        assert usages.name_of(usage) == name
        assert usages.written(usage) == name


# W3C UI Events KeyboardEvent code Values, section 3: the keys that are not marked optional; from memory.
REQUIRED = """
    Backquote Backslash BracketLeft BracketRight Comma Digit0 Digit1 Digit2 Digit3 Digit4 Digit5 Digit6
    Digit7 Digit8 Digit9 Equal IntlBackslash IntlRo IntlYen KeyA KeyB KeyC KeyD KeyE KeyF KeyG KeyH KeyI
    KeyJ KeyK KeyL KeyM KeyN KeyO KeyP KeyQ KeyR KeyS KeyT KeyU KeyV KeyW KeyX KeyY KeyZ Minus Period
    Quote Semicolon Slash AltLeft AltRight Backspace CapsLock ContextMenu ControlLeft ControlRight Enter
    MetaLeft MetaRight ShiftLeft ShiftRight Space Tab Convert KanaMode NonConvert Delete End Help Home
    Insert PageDown PageUp ArrowDown ArrowLeft ArrowRight ArrowUp NumLock Numpad0 Numpad1 Numpad2 Numpad3
    Numpad4 Numpad5 Numpad6 Numpad7 Numpad8 Numpad9 NumpadAdd NumpadDecimal NumpadDivide NumpadEnter
    NumpadMultiply NumpadSubtract Escape F1 F2 F3 F4 F5 F6 F7 F8 F9 F10 F11 F12 PrintScreen ScrollLock
    Pause
"""


def test_every_code_that_w3c_requires_is_there() -> None:
    assert [name for name in REQUIRED.split() if usages.usage_of(name) is None] == []


def test_short_names() -> None:
    assert usages.usage_of("q") == usages.usage_of("Q") == usages.usage_of("KeyQ") == Usage(7, 0x14)
    assert usages.usage_of("0") == usages.usage_of("Digit0") == Usage(7, 0x27)
    for short in ("Shift", "Control", "Alt", "Meta"):
        assert usages.usage_of(short) == usages.usage_of(short + "Left")
        assert usages.modifier_of(short) == usages.modifier_of(short + "Left")
    for word in ("escape", "shift", "keyq", "12", "é", "", "ß", "²", "GPIO1"):
        assert usages.usage_of(word) is None, word


def test_modifiers_are_numbered_as_the_report_has_them() -> None:
    # HID 1.11, section 8.3: LCtrl LShift LAlt LGUI RCtrl RShift RAlt RGUI, bits 0 to 7.
    for bit, name in enumerate(usages.MODIFIER_NAMES):
        assert usages.modifier_of(name) == 0xE0 + bit
        assert usages.usage_of(name) == Usage(7, 0xE0 + bit)
        assert usages.modifier_name(0xE0 + bit) == name
    assert usages.modifier_of("AltGr") is None


def test_indicators_have_the_standards_numbers() -> None:
    for name, number in usages.indicators().items():
        assert (usages.standard_name(Usage(usages.LED_PAGE, number)) or "").replace(" ", "") == name
    assert usages.led_usage("CapsLock") == 2
    assert usages.led_usage("capslock") is None


def test_no_layer_may_be_called_like_a_key() -> None:
    for word in ("home", "END", "undo", "q", "7", "shift", "intlhash"):
        assert usages.is_key_name_in_any_case(word), word
    for word in ("arrows", "numbers", "base", "ctrl"):
        assert not usages.is_key_name_in_any_case(word), word


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ("Ctrl", "Control"),
        ("Win", "Meta"),
        ("Cmd", "Meta"),
        ("Del", "Delete"),
        ("PgUp", "PageUp"),
        ("PAGE_DN", "PageDown"),
        ("AltGr", "AltRight"),
        ("VolUp", "AudioVolumeUp"),
        ("vol-down", "AudioVolumeDown"),
        ("Esc", "Escape"),
        ("Return", "Enter"),
    ],
)
def test_what_people_say_leads_to_the_name(said: str, name: str) -> None:
    assert usages.name_for_spoken(said) == name


def test_spoken_names_lead_to_keys_and_are_none_themselves() -> None:
    for said, name in usages.spoken_names().items():
        assert usages.usage_of(name) is not None, (said, name)
        assert usages.usage_of(said) is None, said


def test_words_that_are_no_key_say_what_to_write() -> None:
    assert "layer" in (usages.instead_of("Fn") or "")
    assert "usb-boot" in (usages.instead_of("Bootloader") or "")
    assert usages.instead_of("KeyA") is None


def test_a_usage_without_a_name_is_written_with_its_numbers() -> None:
    assert usages.written(Usage(0x0C, 0x0192)) == "LaunchApp2"
    assert usages.written(Usage(0x0C, 0x0030)) == "usage(0x0C, 0x0030)"
    assert usages.standard_name(Usage(0x0C, 0x0030)) == "Power"
    assert usages.standard_name(Usage(0xFF00, 1)) is None
