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
    "ControlRight": "RightControl", "ShiftRight": "RightShift", "AltRight": "RightAlt", "MetaRight": "RightGUI",
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
            assert plain == name.removeprefix("Key").removeprefix("Media") or plain.upper() == name.upper(), name


def test_the_standards_table_agrees_with_another_transcription() -> None:
    hut = pytest.importorskip("hidtools.hut").HUT
    # Where editions or the transcribers word it differently, our side first.
    spelled = {
        "hash": "#", "bang": "!", "star": "*", "dash": "-", "at": "@", "plus": "+", "equals": "=",
    }  # fmt: skip

    def letters(text: str) -> str:
        return re.sub(r"[^a-z0-9]", "", text.lower().removeprefix("keyboard").removeprefix("keypad"))

    agreed = 0
    for page in (0x01, 0x07, 0x08, 0x0C):
        for number, theirs in hut[page].items():
            ours = usages.standard_name(Usage(page, number))
            if ours is not None and letters(ours) == letters(str(theirs)):
                agreed += 1
    assert agreed > 500, (agreed, spelled)


def test_input_codes_are_the_kernels() -> None:
    ecodes = pytest.importorskip("evdev.ecodes")
    checked = 0
    for _, _, name, code, _ in data_rows("w3c-code-hid.tsv"):
        if not code:
            continue
        kernel = ecodes.KEY[int(code)]
        kernel_names = {n.removeprefix("KEY_").lower() for n in ([kernel] if isinstance(kernel, str) else kernel)}
        expected = KERNEL.get(name) or re.sub(
            r"^(key|digit|arrow|numpad(?=[0-9])|numpad|media|browser)",
            lambda match: "kp" if match[0] == "numpad" else "",
            name.lower(),
        )
        assert expected in kernel_names, (name, code, kernel)
        checked += 1
    assert checked > 170
