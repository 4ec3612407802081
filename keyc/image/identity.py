"""Who an image is: what it tells USB of itself, its lines and its fingerprints, as a C file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from keyc import __version__
from keyc.keyboard import TEST_USB_ID, TITLE_MOST, Keyboard, Wiring

if TYPE_CHECKING:
    from keyc.fingerprints import Fingerprints

Image = Literal["daily", "bench", "trial"]
IMAGES: tuple[Image, ...] = ("daily", "bench", "trial")
ANY_BOARD_IMAGES: tuple[Image, ...] = ("bench",)  # those that can do without a keyboard

# The first of the device version's four digits.
_FIRST_DIGITS = {"daily": 1, "bench": 2, "trial": 3}
# What follows the keyboard's title in the product string.
_TITLE_ENDINGS = {"daily": "", "bench": " (bench)", "trial": " (trial, with a console)"}
# What the keyboard is to USB: [second_reports].
_DEVICES = ("keyc_usb_keyboard", "keyc_usb_keyboard_and_controls", "keyc_usb_keyboard_and_pointer")
# The header that knows the device, and its class.
_USB_CLASSES: dict[Image, tuple[str, str]] = {
    "daily": ("engine_usb_keys", "KEYC_USB_KEYS_CLASS"),
    "bench": ("engine_usb_console", "KEYC_USB_CONSOLE_CLASS"),
    "trial": ("engine_usb_trial", "KEYC_USB_TRIAL_CLASS"),
}


def image_source(keyboard: Keyboard | None, image: Image) -> str:
    """The C file that says who an image is: USB identity, lines, fingerprints."""
    from keyc.emit import template_text
    from keyc.fingerprints import Fingerprints, engine_fingerprint, fingerprints
    from keyc.tables import tables_of

    header, device_class = _USB_CLASSES[image]
    device = "keyc_usb_console"
    if keyboard is not None and image != "bench":
        device = _DEVICES[tables_of(keyboard).second_reports]
    if keyboard is None:
        vendor, product = TEST_USB_ID
        maker, title = "keyc", "any RP2040 board"
        prints = Fingerprints("0" * 12, "0" * 12, engine_fingerprint())
        cathodes = anodes = directs = dials = lit_high = 0
        made_from = "no keymap"
    else:
        vendor, product = usb_id_of(keyboard, image)
        maker, title = keyboard.maker, keyboard.title
        prints = fingerprints(keyboard)
        cathodes, anodes, directs, dials = _line_masks(keyboard.wiring)
        lit_high = sum(1 << light.pin for light in keyboard.wiring.lights if not light.lit_low)
        made_from = f"keymap {prints.keymap}, wiring {prints.wiring}"
    return template_text(
        "image.c.j2",
        {
            "banner": f"Made by keyc {__version__}: image {image}, {made_from}",
            "device": device,
            "device_class": device_class,
            "device_header": f"{header}.h",
            "maker": _hex_bytes(_string_descriptor(maker)),
            "title": _hex_bytes(_string_descriptor(title, _TITLE_ENDINGS[image])),
            "vendor": f"0x{vendor:04X}",
            "product": f"0x{product:04X}",
            "version": f"0x{device_version(image, prints):04X}",
            "cathode_lines": f"0x{cathodes:08X}u",
            "anode_lines": f"0x{anodes:08X}u",
            "direct_lines": f"0x{directs:08X}u",
            "dial_lines": f"0x{dials:08X}u",
            "lit_high_lines": f"0x{lit_high:08X}u",
            "wiring": _hex_bytes(bytes.fromhex(prints.wiring)),
            "keymap": _hex_bytes(bytes.fromhex(prints.keymap)),
            "engine": _hex_bytes(bytes.fromhex(prints.engine)),
        },
    )


def device_version(image: Image, prints: Fingerprints) -> int:
    """bcdDevice, four decimal digits (USB 2.0, 9.6.1): the first says which image it is, the others are made
    of its three fingerprints.

    So a computer can tell one keymap from another without asking a keyboard that answers nothing: of two
    that differ, one pair in 1000 has the same digits. It sees a changed keyboard as changed, too.
    """
    digits = sum(int(one, 16) for one in (prints.wiring, prints.keymap, prints.engine)) % 1000
    return int(f"{_FIRST_DIGITS[image]}{digits:03}", 16)


def tells_keymap(version: int) -> bool:
    """Whether a bcdDevice is laid out as `device_version` does it; that of most other devices isn't."""
    return f"{version:04x}".isdecimal() and version >> 12 in _FIRST_DIGITS.values()


def usb_id_of(keyboard: Keyboard, image: Image) -> tuple[int, int]:
    """Vendor and product of an image: its own where the keymap file gives it one."""
    own = {"bench": keyboard.bench_usb, "trial": keyboard.trial_usb}.get(image)
    return own or (keyboard.usb_vendor, keyboard.usb_product)


def _line_masks(wiring: Wiring) -> tuple[int, int, int, int]:
    return (
        sum(1 << pin for pin in wiring.driven),
        sum(1 << pin for pin in wiring.sensed),
        sum(1 << pin for pin in wiring.direct_pins),
        sum(1 << pin for dial in wiring.dials for pin in (dial.pin_a, dial.pin_b)),
    )


def _string_descriptor(text: str, ending: str = "") -> bytes:
    """A USB string descriptor (USB 2.0, 9.6.7); a text that is too long for one loses its end."""
    units = text.encode("utf-16-le")
    room = 2 * TITLE_MOST - len(ending.encode("utf-16-le"))
    units = units[:room].decode("utf-16-le", "ignore").encode("utf-16-le") + ending.encode("utf-16-le")
    return bytes([2 + len(units), 3]) + units


def _hex_bytes(data: bytes) -> str:
    return ", ".join(f"0x{byte:02X}" for byte in data)
