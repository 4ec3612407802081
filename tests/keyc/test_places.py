"""Guessed widths of caps against layouts whose widths are known: only the centres are given.

The full-size board follows the W3C's figure of the 102-key keyboard; the widths of the others are common
practice (from memory). What can't be told from centres stands beside each layout, with the reason.
"""

from __future__ import annotations

import pytest

from keyc.netlist.places import layout_of
from keyc.netlist.spots import Spot
from tests.keyc.test_sheet import bundled, full_size

Size = tuple[float, float]
Caps = dict[str, tuple[float, float, Size]]  # centre in key units, width and height


def lines_of(*lines: str) -> Caps:
    """Caps from lines of widths; `[1]` is a gap, `1x2` hangs down. Called after line and place: `2.1`."""
    caps: Caps = {}
    for row, line in enumerate(lines):
        x = 0.0
        for place, word in enumerate(line.split()):
            if word.startswith("["):
                x += float(word[1:-1])
                continue
            width, _, height = word.partition("x")
            size = float(width), float(height or 1)
            caps[f"{row}.{place}"] = (x + size[0] / 2, row + size[1] / 2, size)
            x += size[0]
    return caps


def caps_of(name: str) -> Caps:
    keyboard = {"full size": full_size, "demo": bundled}[name]()
    return {cap.switch: (cap.x_u, cap.y_u, (cap.width_u, cap.height_u)) for cap in keyboard.caps}


ONES = " ".join(["1"] * 10)
SIXTY = (
    f"{ONES} 1 1 1 2",
    f"1.5 {ONES} 1 1 1.5",
    f"1.75 {ONES} 1 2.25",
    f"2.25 {ONES} 2.75",
)
LAYOUTS: dict[str, tuple[Caps, set[str]]] = {
    # The Enter key of two rows is wider above than below; 0 of the number pad has only gaps beside it.
    "full size": (caps_of("full size"), {"SW51", "SW104"}),
    # SW26 stands alone behind a gap, and could as well be wider.
    "demo": (caps_of("demo"), {"SW26"}),
    "sixty": (lines_of(*SIXTY, "1.25 1.25 1.25 6.25 1.25 1.25 1.25 1.25"), set()),
    "sixty, a long bar": (lines_of(*SIXTY, "1.5 1 1.5 7 1.5 1 1.5"), set()),
    "an Enter of two rows": (
        lines_of(
            f"{ONES} 1 1 1 2 1",
            f"1.5 {ONES} 1 1 [0.25] 1.25x2 1",
            f"1.75 {ONES} 1 1 [1.25] 1",
            f"1.25 {ONES} 1 1.75 1 1",
            "1.25 1.25 1.25 6.25 1 1 1 1 1 1",
        ),
        set(),
    ),
    "number pad": (lines_of("1 1 1 1", "1 1 1 1x2", "1 1 1", "1 1 1 1x2", "2 1"), set()),
    "grid": (lines_of(*[f"{ONES} 1 1"] * 4), set()),
    "two halves": (lines_of(*["1 1 1 1 1 1 [3] 1 1 1 1 1 1"] * 4), set()),
    "staggered": (lines_of(f"{ONES} 1.75", "1.25 1 1 1 1 1 1 1 1 1 1.5", f"1.75 {ONES}"), set()),
}


@pytest.mark.parametrize("name", LAYOUTS)
@pytest.mark.parametrize("pitch_mm", [19.05, 17.0])
def test_widths_guessed_from_centres(name: str, pitch_mm: float) -> None:
    caps, not_told = LAYOUTS[name]
    spots = [Spot(key, x * pitch_mm, y * pitch_mm, 0.0) for key, (x, y, _) in caps.items()]
    guessed = {cap.name: (cap.width_u, cap.height_u) for cap in layout_of(spots).caps}
    wrong = {key for key, (_, _, size) in caps.items() if guessed[key] != size}
    assert wrong == not_told
