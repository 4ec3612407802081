"""What `shape` takes besides rows of caps, and how it tells what can't be: every expectation is worked out by
hand from the rules in the language reference, or by polygons of the tests' own."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyc.compile import check_text
from keyc.diagnostics import Diagnostic
from keyc.keyboard import Cap, Keyboard
from keyc.language.overlap import overlap_drawn
from keyc.sheet.caps import bounds, corners, laid_out
from keyc.source import Source, Span

Point = tuple[float, float]


def checked(shape: str, layer: str | None = None, count: int = 4) -> tuple[Keyboard | None, list[Diagnostic]]:
    wiring = "\n".join(f"direct GPIO{number} SW{number}" for number in range(1, count + 1))
    names = " ".join(f"SW{number} = F{number}" for number in range(1, count))
    text = (
        'keyboard "T" { usb 0x1209:0x5A17 }\n'
        f"wiring {{\ndiodes none\n{wiring}\n}}\nshape {{\n{shape}\n}}\n"
        f"layer base {{\n{layer or f'{names} SW{count} = usb-boot'}\n}}\n"
    )
    return check_text(Source("t.keys", text))


def places(shape: str, count: int = 4) -> dict[str, Point]:
    keyboard, found = checked(shape, count=count)
    assert keyboard is not None, found
    return {cap.switch: (cap.x_u, cap.y_u) for cap in keyboard.caps}


def only(found: Sequence[Diagnostic]) -> Diagnostic:
    assert len(found) == 1, found
    return found[0]


# ---- where caps come


def test_a_gap_with_a_line_to_itself_moves_what_follows() -> None:
    """By one, or by its height; by the highest of several. A line of caps still takes one unit."""
    found = places("SW1\n[1x0.5u]\nSW2\n[1u]\nSW3\n[1x0.25u] [2x0.75u]\nSW4")
    assert [found[f"SW{number}"] for number in range(1, 5)] == [
        (0.5, 0.5),
        (0.5, 2.0),
        (0.5, 4.0),
        (0.5, 5.75),
    ]


def test_a_gap_may_have_no_height_at_all() -> None:
    assert places("SW1\n[1x0u]\nSW2 SW3 SW4")["SW2"] == (0.5, 1.5)


def test_a_full_size_board_has_its_half_unit_under_the_function_keys() -> None:
    """Escape to F1 and the number row of an ISO board: 0.5 u apart; the tall Enter hangs down into its gap
    (common practice: the measures of ISO keyboards)."""
    found = places("SW1 [1u] SW2\n[1x0.5u]\nSW3 1.5u [0.25u] SW4 1.25x2u\nSW5 1.75u", count=5)
    assert found == {
        "SW1": (0.5, 0.5),
        "SW2": (2.5, 0.5),
        "SW3": (0.75, 2.0),
        "SW4": (2.375, 2.5),
        "SW5": (0.875, 3.0),
    }


def test_halves_and_thumbs_have_corners_of_their_own() -> None:
    """The turned cap's centre: half a unit right and down of (3.5, 4.25), turned by 15 degrees about it."""
    found = places("SW1\nat 9u 0u SW2\nat 3.5u 4.25u turned 15deg SW3\nSW4")
    turned = complex(0.5, 0.5) * complex(math.cos(math.radians(15)), math.sin(math.radians(15)))
    assert found["SW2"] == (9.5, 0.5)
    assert found["SW3"] == pytest.approx((3.5 + turned.real, 4.25 + turned.imag), abs=1e-6)
    assert found["SW4"] == (0.5, 1.5)


def test_a_height_beside_caps_is_told_once() -> None:
    one = only(checked("SW1 [1x0.5u] SW2\nSW3 SW4")[1])
    assert (one.code, one.severity) == ("number-form", "error")
    assert one.help is not None
    assert "[1u]" in one.help


def test_a_wrong_gap_on_a_line_of_its_own_is_told_once() -> None:
    assert only(checked("SW1 SW2\n[0.5]\nSW3 SW4")[1]).code == "number-without-unit"


# ---- lengths in another unit


@pytest.mark.parametrize(
    ("shape", "mend"),
    [
        ("SW1 19.05u SW2\nSW3 SW4", "1u"),  # 1 u is 19.05 mm
        ("SW1 28.575u SW2\nSW3 SW4", "1.5u"),
        ("SW1 SW2\n[23.8125u] SW3 SW4", "1.25u"),
        ("SW1 SW2\nat 57.15u 0u SW3 SW4", "3u"),
        ("SW1 SW2\nat 3u 38.1u SW3 SW4", "2u"),
    ],
)
def test_millimetres_are_told_with_what_they_are_in_units(shape: str, mend: str) -> None:
    one = only(checked(shape)[1])
    assert one.code == "pitch-unlikely"
    assert one.help is not None
    assert one.help.endswith(f"is {mend}")


@pytest.mark.parametrize("place", ["19.05u", "23.8u", "22.5u", "14.3u"])
def test_places_of_a_wide_board_are_no_millimetres(place: str) -> None:
    assert checked(f"SW1 SW2\nat {place} 0u SW3 SW4")[1] == []


@pytest.mark.parametrize(("across", "down"), [(0.945, 0.945), (0.945, 0.892), (0.9, 0.9)])
def test_caps_that_are_all_too_near_are_one_mistake(across: float, down: float) -> None:
    """18 mm is 0.945 u, 17 mm 0.892 u: pitches that low switches are made for (common practice)."""
    lines = [
        f"at {across * column:.3f}u {down * row:.3f}u SW{3 * row + column + 1}"
        for row in range(2)
        for column in range(3)
    ]
    one = only(checked("\n".join(lines), count=6)[1])
    assert one.code == "pitch-unlikely"
    assert f"{across:g} u" in one.message
    assert f"{across * 19.05:.1f} mm" in one.message


def test_few_overlaps_or_large_ones_are_overlaps() -> None:
    assert {one.code for one in checked("SW1 SW2\nat 2.9u 0u SW3\nat 0.9u 0u SW4")[1]} == {"caps-overlap"}
    shape = "at 0u 0u SW1\nat 0.5u 0u SW2\nat 1u 0u SW3\nat 1.5u 0u SW4"
    assert {one.code for one in checked(shape)[1]} == {"caps-overlap"}


# ---- overlaps, drawn


def depth(point: Point, polygon: Sequence[Point]) -> float:
    """How far inside a convex polygon a point lies, negative outside; its corners are clockwise in a frame
    whose y points down, so that the inside is to the right of each edge."""
    edges = zip(polygon, [*polygon[1:], *polygon[:1]], strict=True)
    return min(
        ((bx - ax) * (point[1] - ay) - (by - ay) * (point[0] - ax)) / math.dist((ax, ay), (bx, by))
        for (ax, ay), (bx, by) in edges
    )


sizes = st.sampled_from([1.0, 1.25, 1.5, 2.0, 6.25])
turns = st.sampled_from([0.0, 10.0, 15.0, 30.0, 345.0])


@given(sizes, sizes, turns, turns, st.floats(-1.5, 1.5), st.floats(-1.5, 1.5))
@settings(max_examples=150, deadline=None)
def test_the_picture_shows_what_lies_where(
    width: float, height: float, turn: float, other_turn: float, dx: float, dy: float
) -> None:
    """Every character's middle is looked up in the caps' polygons; those on an edge may be either."""
    span = Span(Source("", ""), 0, 0)
    first = Cap("SW1", 5, 5, width, 1.0, turn, 0, span)
    second = Cap("SW2", 5 + dx, 5 + dy, 1.0, height, other_turn, 0, span)
    *rows, caption = overlap_drawn(first, second).split("\n")
    assert caption.strip().startswith("# ")
    assert len(rows) <= 12
    left, top, right, bottom = bounds([first, second])
    per_u = min(10.0, 60 / (right - left), 24 / (bottom - top))
    columns = round((right - left) * per_u)
    assert columns <= 60

    def depths(column: float, row: float) -> list[float]:
        point = (left + column * (right - left) / columns, top + row * (bottom - top) / len(rows))
        return [depth(point, corners(cap)) for cap in (first, second)]

    middles = [depths(column + 0.5, row + 0.5) for row in range(len(rows)) for column in range(columns)]
    is_thin = all(min(inside) < 1e-9 for inside in middles)  # no middle of a character tells of it
    for number, row in enumerate(rows):
        for column, sign in enumerate(row[2:].ljust(columns)):
            inside = depths(column + 0.5, number + 0.5)
            if is_thin and sign == "#":
                parts = [(part + 0.5) / 12 for part in range(12)]
                assert any(min(depths(column + x, number + y)) > -1e-9 for x in parts for y in parts)
                continue
            if min(map(abs, inside)) > 1e-9:
                signs = {(False, False): " ", (True, False): ".SW1", (False, True): ":SW2", (True, True): "#"}
                assert sign in signs[inside[0] > 0, inside[1] > 0]


def test_an_overlap_thinner_than_a_character_is_shown() -> None:
    span = Span(Source("", ""), 0, 0)
    first, second = (Cap(f"SW{x}", 0.97 * x, 0.5, 1.0, 1.0, 0.0, 0, span) for x in (1, 2))
    assert overlap_drawn(first, second).count("#") > 1  # the legend's, and the place


def test_an_overlap_is_told_with_its_picture() -> None:
    one = only(checked("SW1 1x2u SW2\nSW3 SW4", count=4)[1])
    assert one.code == "caps-overlap"
    assert one.help is not None
    assert "SW1 hangs down" in one.help
    assert "...SW1...." in one.help
    assert one.help.count("##########") == 5  # the lower half of ten lines: all of SW3


# ---- rows and lines

SHAPE = "SW1 SW2 SW3\nSW4 SW5\nSW6 SW7 SW8 SW9\nSW10"
ROWS = ["A B C", "D E", "F G H I", "usb-boot"]
CAPS = SHAPE.split("\n")


@pytest.mark.parametrize("missing", range(4))
def test_a_row_that_is_missing_is_the_only_mistake(missing: int) -> None:
    rows = [row for number, row in enumerate(ROWS) if number != missing]
    found = [one for one in checked(SHAPE, "\n".join(rows), 10)[1] if one.severity == "error"]
    one = only(found)
    assert one.code == "rows-missing"
    assert one.help is not None
    assert f"for {CAPS[missing]};" in one.help


@pytest.mark.parametrize("extra", range(5))
def test_a_row_too_many_is_the_only_mistake(extra: int) -> None:
    rows = [*ROWS[:extra], "A B C D E F", *ROWS[extra:]]
    one = only([one for one in checked(SHAPE, "\n".join(rows), 10)[1] if one.severity == "error"])
    assert one.code == "rows-too-many"
    assert one.span.source.text[one.span.start : one.span.end] == "A B C D E F"


def test_rows_that_nothing_makes_match_are_told_one_by_one() -> None:
    found = checked(SHAPE, "A B\nD E\nF G", 10)[1]
    assert [one.code for one in found if one.severity == "error"] == [
        "row-too-short",
        "row-too-short",
        "rows-missing",
    ]


# ---- from either side


@given(st.lists(st.tuples(st.floats(0, 20), st.floats(0, 5), sizes, turns), min_size=1, max_size=6))
@settings(max_examples=60, deadline=None)
def test_the_solder_side_is_the_mirror_image(items: list[tuple[float, float, float, float]]) -> None:
    span = Span(Source("", ""), 0, 0)
    caps = [Cap(f"SW{n}", x, y, w, 1.0, turn, 0, span) for n, (x, y, w, turn) in enumerate(items)]
    front, back = laid_out(caps), laid_out(caps, "back")
    assert (front.width_u, front.height_u) == (back.width_u, back.height_u)
    for one, other in zip(front.caps, back.caps, strict=True):
        assert one.x_u + other.x_u == pytest.approx(front.width_u)
        assert one.y_u == other.y_u
        assert (one.turn_deg + other.turn_deg) % 360 == 0
    for placed in front.caps:
        assert -1e-9 <= placed.x_u <= front.width_u + 1e-9
