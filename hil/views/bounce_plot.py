"""The plot under "Bounce": every press and release, by how long its contact bounced."""

from __future__ import annotations

from html import escape
from math import log10
from typing import TYPE_CHECKING

from hil.stages.bounce import LONGEST_GOOD_US
from hil.views.markup import xml_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.result import Debounce, SwitchBounce

_INK, _RULE, _PALE = "#222222", "#d8d8d4", "#5c5c58"
_PRESS, _RELEASE, _LIMIT, _ADVICE = "#0072B2", "#E69F00", "#D55E00", "#009E73"
_LEFT, _TOP, _HEIGHT, _NAMES, _LEGEND = 62.0, 14.0, 230.0, 62.0, 26.0
_EACH, _LEAST_WIDTH, _RIGHT = 15.0, 420.0, 108.0
_TICKS_MS = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50)
_SHORTEST_US = 50.0
_NONE = 18.0  # room below the axis for strokes without any bounce


def bounce_svg(found: Sequence[SwitchBounce], debounce: Debounce | None) -> str:
    """A dot a stroke, a column a switch; time upwards, by its logarithm."""
    longest_us = max(
        LONGEST_GOOD_US,
        *(one.longest_us for one in found),
        0 if debounce is None else debounce.recommended_ms * 1000,
    )
    top_us = next((ms * 1000 for ms in _TICKS_MS if ms * 1000 >= longest_us * 1.1), longest_us * 1.2)
    bottom = _TOP + _HEIGHT
    width = max(_LEAST_WIDTH, _EACH * len(found))
    each = width / max(1, len(found))

    def height(us: float) -> float:
        if us < _SHORTEST_US:
            return bottom + _NONE / 2
        return bottom - _HEIGHT * log10(us / _SHORTEST_US) / log10(top_us / _SHORTEST_US)

    drawn = []
    for ms in _TICKS_MS:
        if _SHORTEST_US < ms * 1000 <= top_us:
            y = height(ms * 1000)
            drawn.append(_rule(y, width, _RULE) + _label(_LEFT - 6, y, f"{ms:g} ms", "end"))
    drawn.append(_label(_LEFT - 6, bottom + _NONE / 2, "less", "end"))
    drawn.append(_rule(height(LONGEST_GOOD_US), width, _LIMIT, "6 3"))
    drawn.append(_label(_LEFT + width + 5, height(LONGEST_GOOD_US), "good: up to 5 ms", "start", _LIMIT))
    if debounce is not None:
        y = height(debounce.recommended_ms * 1000)
        # Beside the other one it would be written over.
        lower = y + 12 if abs(y - height(LONGEST_GOOD_US)) < 12 else y
        drawn.append(_rule(y, width, _ADVICE, "2 2"))
        drawn.append(
            _label(_LEFT + width + 5, lower, f"debounce {debounce.recommended_ms} ms", "start", _ADVICE)
        )
    for n, one in enumerate(found):
        x = _LEFT + each * (n + 0.5)
        drawn.append(_name(x, bottom + _NONE + 4, one.switch, bad=one.verdict is not None))
        drawn += [_press(x - 2.6, height(us)) for us in one.press.took_us]
        drawn += [_release(x + 2.6, height(us)) for us in one.release.took_us]
    foot = bottom + _NONE + _NAMES
    drawn += [
        _press(_LEFT + 4, foot + 8),
        _label(_LEFT + 12, foot + 8, "press", "start"),
        _release(_LEFT + 64, foot + 8),
        _label(_LEFT + 72, foot + 8, "release", "start"),
    ]
    size = f"{_LEFT + width + _RIGHT:.0f} {foot + _LEGEND:.0f}"
    title = "How long each press and each release bounced"
    return (
        f'<svg class="bounce" viewBox="0 0 {size}" role="img" aria-label="{title}"><title>{title}</title>\n'
        + "\n".join(drawn)
        + "\n</svg>"
    )


def _rule(y: float, width: float, colour: str, dashes: str = "") -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="M{_LEFT} {y:.1f} h{width:.1f}" stroke="{colour}" stroke-width="1"{dashed}/>'


def _label(x: float, y: float, text: str, anchor: str, colour: str = _PALE) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="11" dominant-baseline="central" text-anchor="{anchor}" '
        f'fill="{colour}">{escape(text)}</text>'
    )


def _name(x: float, y: float, name: str, *, bad: bool) -> str:
    weight = f' font-weight="700" fill="{_LIMIT}"' if bad else f' fill="{_INK}"'
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="10" dominant-baseline="central" text-anchor="end" '
        f'transform="rotate(-90 {x:.1f} {y:.1f})"{weight}>{escape(xml_text(name))}</text>'
    )


def _press(x: float, y: float) -> str:
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.4" fill="{_PRESS}"/>'


def _release(x: float, y: float) -> str:
    return (
        f'<rect x="{x - 2.1:.1f}" y="{y - 2.1:.1f}" width="4.2" height="4.2" fill="#ffffff" '
        f'stroke="{_RELEASE}" stroke-width="1.3"/>'
    )
