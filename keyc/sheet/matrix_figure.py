"""The matrix as it is soldered, from the front or from the solder side."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import dist

from keyc.keyboard import Keyboard, Switch
from keyc.sheet.caps import Placed, Side, laid_out
from keyc.sheet.drawn_cap import ASIDE, BLUE, GREEN, INK, PAPER, RULE, VERMILLION, WRITTEN, DrawnCap
from keyc.sheet.figure import Figure, unit_of
from keyc.sheet.paper import Ink, cut
from keyc.show import DIODES_IN_WORDS


def matrix_figure(keyboard: Keyboard, side: Side) -> Figure:
    """Every switch with its pins, and the lines that join them: rows whole, columns dashed."""
    laid = laid_out(keyboard.caps, side)
    unit = unit_of(laid)
    switches = {switch.name: switch for switch in keyboard.wiring.switches}
    outlines, texts = [], []
    for placed in laid.caps:
        outline = DrawnCap(placed, unit)
        outline.outline(PAPER, RULE)
        outlines.append(outline.svg)
        texts.append(_with_pins(DrawnCap(placed, unit), switches[placed.cap.switch]).svg)
    remark = DIODES_IN_WORDS[keyboard.wiring.diodes] if keyboard.wiring.rows else "no matrix"
    if side == "back":
        remark = f"left and right exchanged; {remark}"
    # Letters have an edge of paper, so that a line behind them doesn't spoil them.
    halo = f'<g stroke="{PAPER}" stroke-width="0.7" stroke-linejoin="round" paint-order="stroke">'
    body = [*outlines, *_matrix_lines(laid.caps, switches, unit), halo, *texts, "</g>"]
    return Figure(
        "Matrix, from the front" if side == "front" else "Matrix, from the solder side",
        remark,
        laid.width_u * unit,
        laid.height_u * unit,
        "\n".join(body),
    )


def _matrix_lines(placed: Iterable[Placed], switches: Mapping[str, Switch], unit: float) -> Iterator[str]:
    rows: dict[int, list[tuple[float, float]]] = {}
    columns: dict[int, list[tuple[float, float]]] = {}
    for one in placed:
        switch = switches[one.cap.switch]
        if switch.row is not None and switch.column is not None:
            point = (one.x_u + 0.3) * unit, one.y_u * unit
            rows.setdefault(switch.row, []).append(point)
            columns.setdefault(switch.column, []).append(point)
    for points in rows.values():
        yield _tree(points, BLUE, "")
    for points in columns.values():
        yield _tree(points, VERMILLION, "1.2 0.8")
    for x, y in (point for points in rows.values() for point in points):
        yield f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{0.035 * unit:.2f}" fill="{INK}"/>'


def _tree(points: Sequence[tuple[float, float]], colour: str, dashes: str) -> str:
    """All points joined by as little line as possible: a minimum spanning tree (Prim's algorithm)."""
    nearest = dict.fromkeys(points[1:], points[0])
    path = []
    while nearest:
        new, old = min(nearest.items(), key=lambda pair: (dist(*pair), pair))
        path.append(f"M{old[0]:.2f} {old[1]:.2f}L{new[0]:.2f} {new[1]:.2f}")
        del nearest[new]
        for point, joined in nearest.items():
            if dist(point, new) < dist(point, joined):
                nearest[point] = new
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="{"".join(path)}" fill="none" stroke="{colour}" stroke-width="0.4"{dashed}/>'


def _with_pins(cap: DrawnCap, switch: Switch) -> DrawnCap:
    """A switch's name and its diode's, and below its pins in the colours of the lines."""
    size, small = 0.2 * cap.unit, min(0.15 * cap.unit, 2.4)
    y = cap.top + 0.76 * size
    cap.write(cap.left, y, cut(switch.name, cap.room, size, bold=True), size, Ink(INK, bold=True))
    if switch.diode:
        cap.write(cap.left, y + 1.3 * small, cut(switch.diode, cap.room, small), small, ASIDE)
    if switch.direct is not None:
        lines = ((f"GPIO{switch.direct}", Ink(GREEN, bold=True)), ("to ground", WRITTEN))
    else:
        lines = (
            (f"GPIO{switch.row}", Ink(BLUE, bold=True)),
            (f"GPIO{switch.column}", Ink(VERMILLION, bold=True)),
        )
    floor = cap.floor - 0.08 * cap.unit
    for number, (text, ink) in enumerate(lines):
        cap.write(cap.left, floor - (1 - number) * 1.15 * small, text, small, ink)
    return cap
