"""Numbers as a keymap file writes them: lengths, times, angles, usages, ids.

Each reader takes the word as written and returns its value, or raises `Misread` with what is
wrong and how to write it. The grammar takes anything that begins like a number.
"""

from __future__ import annotations

import re

# Patterns are compiled when they are first needed: few files need all.
_TIME = r"([0-9]+(?:\.[0-9]+)?)(us|ms|s)"
_SIZE = r"([0-9]+(?:\.[0-9]+)?)(?:x([0-9]+(?:\.[0-9]+)?))?u"
_LENGTH = r"([0-9]+(?:\.[0-9]+)?)u"
_ANGLE = r"([0-9]+(?:\.[0-9]+)?)deg"
_BARE = r"[0-9]+(?:\.[0-9]+)?(?:x[0-9]+(?:\.[0-9]+)?)?"
_HEX = r"0x([0-9A-Fa-f]{1,8})"
_USB_ID = r"0x([0-9A-Fa-f]{1,4}):0x([0-9A-Fa-f]{1,4})"
_UNIT_IN_FULL = r"([0-9.,]+)((?:milli)?seconds?|m?secs?|degrees?|units?)"
_UNITS_IN_FULL = {"millisecond": "ms", "msec": "ms", "second": "s", "sec": "s", "degree": "deg", "unit": "u"}
_US = {"us": 1, "ms": 1000, "s": 1_000_000}

# Limits that keep pictures and searches small; no keyboard comes near them.
LARGEST_CAP_U = 20.0
LARGEST_PLACE_U = 60.0

MM_PER_U = 19.05  # three quarters of an inch from cap to cap (common practice)
_EXACT_MM = 0.003
# No keyboard is that wide, so that a place beyond can be one in millimetres.
_WIDEST_U = 25.0


class Misread(Exception):
    """A word that isn't the number it should be."""

    def __init__(self, code: str, message: str, help: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.help = help


def _form(text: str, what: str, unit: str, example: str) -> Misread:
    """Why this is no number with such a unit."""
    joined = "".join(text.split())
    in_full = re.fullmatch(_UNIT_IN_FULL, joined)
    if in_full and "," not in joined:
        short = _UNITS_IN_FULL[in_full[2].rstrip("s")]
        return Misread("number-form", f"`{text}` has its unit in full", f"write {in_full[1]}{short}")
    if joined != text:
        count = "two" if len(text.split()) == 2 else "three"
        return Misread("number-form", f"`{text}` is {count} words", f"write it as one: {joined}")
    if text.endswith(","):
        return Misread("number-form", f"`{text}` ends in a comma", f"take it out: write {text.rstrip(',')}")
    if re.fullmatch(rf"{_TIME}|{_SIZE}|{_ANGLE}", text.lower()):
        return Misread("number-form", f"`{text}` has capitals", f"write {text.lower()}")
    if "," in text:
        one = text.replace(",", ".")
        is_two = one.count(".") > 1  # two numbers, most likely
        help = f"{what} is one number, with a point: {example}" if is_two else f"write a point: {one}"
        return Misread("number-form", f"`{text}` has a comma", help)
    if text.startswith("."):
        return Misread("number-form", f"`{text}` begins with a point", f"write 0{text}")
    if re.fullmatch(_BARE, text):
        return Misread("number-without-unit", f"`{text}` has no unit", f"write {text}{unit}")
    return Misread("number-form", f"`{text}` is not {what}", f"{what} is written like this: {example}")


def _number(digits: str) -> float:
    return float(digits) if len(digits) <= 12 else 1e12


def time_us(text: str, *, least_us: int, most_us: int) -> int:
    """A time in microseconds: `5ms`, `0.5s`, `500us`."""
    match = re.fullmatch(_TIME, text)
    if match is None:
        raise _form(text, "a time", "ms", "5ms")
    value = round(_number(match[1]) * _US[match[2]])
    if not least_us <= value <= most_us:
        limits = f"from {written_time(least_us)} to {written_time(most_us)}"
        raise Misread("number-out-of-range", f"`{text}` is out of range here", f"write a time {limits}")
    return value


def written_time(us: int) -> str:
    """`5ms`, `60s`, `500us`: a time as a keymap file writes it."""
    if us and us % 1_000_000 == 0:
        return f"{us // 1_000_000}s"
    if us % 1000 == 0:
        return f"{us // 1000}ms"
    return f"{us}us"


def _length(digits: str, text: str, least: float, most: float, fewest_mm: float = 19.0) -> float:
    """A number of key units. From `fewest_mm` on, one that is a whole number of quarter units in millimetres
    is taken for millimetres."""
    value = _number(digits)
    quarters = round(value / MM_PER_U * 4)
    if value >= fewest_mm and abs(value - quarters * MM_PER_U / 4) < _EXACT_MM:
        raise Misread(
            "pitch-unlikely",
            f"`{text}` looks like millimetres",
            f"lengths are in key units, 1 u is {MM_PER_U:g} mm: {digits} mm is {quarters / 4:g}u",
        )
    if not least <= value <= most:
        raise Misread(
            "number-out-of-range",
            f"`{text}` is out of range here",
            f"write a length from {least:g}u to {most:g}u",
        )
    return value


def size_u(text: str) -> tuple[float, float]:
    """A cap's width and height in key units: `1.5u` (height 1) or `1x2u`."""
    match = re.fullmatch(_SIZE, text)
    if match is None:
        raise _form(text, "a cap's size", "u", "1.5u, or 1x2u for width and height")
    return (
        _length(match[1], text, 0.25, LARGEST_CAP_U),
        _length(match[2], text, 0.25, LARGEST_CAP_U) if match[2] else 1.0,
    )


def gap_u(text: str) -> tuple[float, float | None]:
    """A gap's width in key units and, if it's written, its height: `[0.25u]`, `[1x0.5u]`."""
    inside = text[1:-1]
    match = re.fullmatch(_SIZE, inside)
    if match is not None:
        height = _length(match[2], text, 0.0, LARGEST_PLACE_U) if match[2] else None
        return _length(match[1], text, 0.0, LARGEST_PLACE_U), height
    width = inside.strip()
    if not width:
        raise Misread("number-form", "this gap has no width", "write its width in the brackets: [0.25u]")
    if width != inside and re.fullmatch(_SIZE, width):
        raise Misread("number-form", f"`{text}` has blanks in it", f"write [{width}]")
    wrong = _form(width, "a gap", "u", "[0.25u]")
    raise Misread(wrong.code, wrong.message, f"{wrong.help}, in brackets")


def offset_u(text: str) -> float:
    """A place in key units from the left or the top: `3.5u`."""
    match = re.fullmatch(_LENGTH, text)
    if match is None:
        raise _form(text, "a place", "u", "3.5u")
    return _length(match[1], text, 0.0, LARGEST_PLACE_U, _WIDEST_U)


def angle_deg(text: str) -> float:
    """An angle in degrees, clockwise, under 360: `15deg`."""
    match = re.fullmatch(_ANGLE, text)
    if match is None:
        raise _form(text, "an angle", "deg", "15deg")
    value = _number(match[1])
    if value >= 360:
        raise Misread(
            "number-out-of-range",
            f"`{text}` is out of range here",
            "write an angle under 360deg; clockwise, so 345deg is 15 degrees the other way",
        )
    return value


def usb_id(text: str) -> tuple[int, int]:
    """Vendor and product: `0x1209:0x0001`."""
    match = re.fullmatch(_USB_ID, text)
    if match is None:
        raise Misread(
            "number-form",
            f"`{text}` is not a USB id",
            "write vendor and product as hexadecimal numbers of up to four digits: 0x1209:0x0001",
        )
    vendor, product = int(match[1], 16), int(match[2], 16)
    if vendor == 0:  # the USB-IF gives vendor ids from 1 on; from memory
        raise Misread(
            "number-out-of-range",
            f"`{text}` has the vendor id 0, which nobody has",
            "write the id that you have; to try things out 0x1209:0x0001 is free",
        )
    return vendor, product


def usage_number(text: str, most: int) -> int:
    """A page or an id of `usage(page, id)`: `0x0C`."""
    match = re.fullmatch(_HEX, text)
    if match is None:
        hint = (
            f"write 0x{int(text):02X}"
            if text.isascii() and text.isdigit() and len(text) < 6
            else "write it like 0x0C"
        )
        raise Misread("number-form", f"`{text}` is not written in hexadecimal", hint)
    value = int(match[1], 16)
    if value > most:
        raise Misread("number-out-of-range", f"`{text}` is out of range here", f"it goes up to 0x{most:X}")
    return value


def whole_number(text: str) -> int:
    """A number without unit, written in digits alone."""
    if not (text.isascii() and text.isdigit()) or len(text) > 9:
        raise Misread("number-form", f"`{text}` is not a whole number", "write it in digits alone, such as 4")
    return int(text)
