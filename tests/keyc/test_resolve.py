"""What statements mean: every check works the expected value out by hand from the language's rules."""

from __future__ import annotations

import cmath
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyc.compile import check_text, read_source, source_of
from keyc.diagnostics import Diagnostic, UserError
from keyc.keyboard import (
    Cap,
    Debounce,
    Diodes,
    Down,
    Expect,
    Keyboard,
    LayerHeld,
    Off,
    Press,
    Tap,
    Through,
    Up,
    Usage,
    UsbBoot,
    Wait,
)
from keyc.language.shape import overlaps
from keyc.source import Source, Span

HEAD = 'keyboard "Example" { usb 0x1209:0x5A17 }\n'
WIRING = """wiring {
    diodes cathode-to-row
    columns GPIO6 GP7
    row GPIO2 SW1 SW2
    row GPIO3 SW3 --
    direct GPIO10 SW4
    diode D7 of SW1
}
"""
SHAPE = "shape {\n    SW1 SW2\n    SW3 SW4\n}\n"
LAYER = "layer base {\n    A B\n    C usb-boot\n}\n"


def checked(text: str, name: str = "example.keys") -> tuple[Keyboard | None, list[Diagnostic]]:
    return check_text(Source(name, text))


def board(text: str = "", *, head: str = HEAD, wiring: str = WIRING, shape: str = SHAPE) -> Keyboard:
    keyboard, found = checked(head + wiring + shape + (text or LAYER))
    assert keyboard is not None, found
    return keyboard


def errors(text: str) -> list[str]:
    return [one.code for one in checked(text)[1] if one.severity == "error"]


# ---- the keyboard -----------------------------------------------------------------------------


def test_defaults() -> None:
    """The page's: the open test id, linux-us, debounce 5ms after-quiet, four edges a detent."""
    wiring = "wiring {\n diodes none\n direct GPIO2 SW1\n dial GPIO3 GPIO4 DIAL1\n}\n"
    keyboard = board(
        "layer base { usb-boot }", head='keyboard "X" { }\n', wiring=wiring, shape="shape { SW1 }\n"
    )
    assert (keyboard.usb_vendor, keyboard.usb_product) == (0x1209, 0x0001)
    assert keyboard.bench_usb is keyboard.trial_usb is None
    assert keyboard.host_layout == "linux-us"
    assert keyboard.maker == ""
    assert keyboard.timing.debounce == Debounce(5000, at_once=False)
    assert keyboard.wiring.dials[0].edges_per_detent == 4


def test_each_image_may_have_an_id_of_its_own() -> None:
    ids = 'keyboard "X" { usb 0x1234:0x1  bench-usb 0x1234:0x2  trial-usb 0x1234:0x3 }\n'
    keyboard = board(head=ids)
    assert (keyboard.bench_usb, keyboard.trial_usb) == ((0x1234, 2), (0x1234, 3))
    for name in ("usb", "bench-usb", "trial-usb"):
        twice = ids.replace("}", f"{name} 0x1234:0x4 }}")
        assert errors(twice + WIRING + SHAPE + LAYER) == ["said-twice"], name


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("a/b/My Board.v2.keys", "my_board_v2"),
        ("C:\\boards\\two.keys", "two"),
        ("9.keys", "keyboard_9"),
        (".keys", "keys"),
        ("é.keys", "keyboard"),
        ("-", "keyboard"),
    ],
)
def test_the_stem_is_a_c_word(name: str, stem: str) -> None:
    keyboard, _ = checked(HEAD + WIRING + SHAPE + LAYER, name)
    assert keyboard is not None
    assert keyboard.stem == stem


# ---- wiring -----------------------------------------------------------------------------------


def test_the_matrix_as_it_is_drawn() -> None:
    wiring = board().wiring
    assert wiring.diodes is Diodes.CATHODE_TO_ROW
    assert wiring.columns == (6, 7)
    assert wiring.rows == (2, 3)
    assert [(s.name, s.row, s.column, s.direct, s.diode) for s in wiring.switches] == [
        ("SW1", 2, 6, None, "D7"),
        ("SW2", 2, 7, None, None),
        ("SW3", 3, 6, None, None),
        ("SW4", None, None, 10, None),
    ]
    source = wiring.switches[1].span.source.text
    assert source[wiring.switches[1].span.start : wiring.switches[1].span.end] == "SW2"


def test_columns_may_come_after_the_rows() -> None:
    lines = WIRING.splitlines()
    lines.insert(-1, lines.pop(2))
    assert board(wiring="\n".join(lines) + "\n").wiring.columns == (6, 7)


def test_lights_and_dials() -> None:
    lines = (
        " light GPIO25 CapsLock\n light GPIO24 Kana lit-low\n dial GPIO20 GPIO21 DIAL1 edges-per-detent 2\n}"
    )
    wiring = board(wiring=WIRING.replace("}", lines)).wiring
    # HID LED page (0x08): CapsLock 0x02, Kana 0x05.
    assert [(light.pin, light.indicator, light.lit_low) for light in wiring.lights] == [
        (25, 0x02, False),
        (24, 0x05, True),
    ]
    (dial,) = wiring.dials
    assert (dial.name, dial.pin_a, dial.pin_b, dial.edges_per_detent) == ("DIAL1", 20, 21, 2)


# ---- shape ------------------------------------------------------------------------------------


def places(shape: str) -> dict[str, tuple[float, float]]:
    switches = sorted({word for word in shape.replace("\n", " ").split() if word.startswith("SW")})
    lines = "".join(f" direct GPIO{pin} {name}\n" for pin, name in enumerate(switches))
    layer = f"layer base {{ {' '.join(f'{name} = usb-boot' for name in switches)} }}"
    keyboard = board(layer, wiring=f"wiring {{\n diodes none\n{lines}}}\n", shape=f"shape {{\n{shape}\n}}\n")
    return {cap.switch: (cap.x_u, cap.y_u) for cap in keyboard.caps}


def test_sizes_and_gaps_move_caps_and_blanks_do_not() -> None:
    assert places("SW1   2u SW2\n[0.25u] SW3 1.5u      SW4") == {
        "SW1": (1.0, 0.5),
        "SW2": (2.5, 0.5),
        "SW3": (1.0, 1.5),
        "SW4": (2.25, 1.5),
    }


def test_a_tall_cap_hangs_down_from_its_line() -> None:
    assert places("SW1 1x2u SW2\n[1u] SW3")["SW1"] == (0.5, 1.0)


def test_the_tall_enter_of_the_page() -> None:
    """`[0.25u] SW28 1.25x2u`: half a unit wider above than below, drawn as its lower part."""
    assert places("SW1 [0.25u] SW28 1.25x2u\nSW2 1.25u")["SW28"] == (1.875, 1.0)


@given(
    st.floats(0, 20).map(lambda x: round(x, 2)),
    st.floats(0, 20).map(lambda y: round(y, 2)),
    st.integers(0, 359),
)
@settings(max_examples=60, deadline=None)
def test_a_turned_line_starts_at_its_corner(x: float, y: float, turn: int) -> None:
    """Against the same turn done with complex numbers: y points down, so clockwise is a positive angle."""
    caps = places(f"at {x}u {y}u turned {turn}deg SW1 1.5u SW2")
    for name, centre in (("SW1", 0.75 + 0.5j), ("SW2", 2.0 + 0.5j)):
        due = complex(x, y) + centre * cmath.rect(1, math.radians(turn))
        assert caps[name] == pytest.approx((due.real, due.imag), abs=1e-5)


def test_a_line_at_a_corner_takes_no_room_among_the_others() -> None:
    caps = places("SW1\nat 5u 5u SW2\nSW3")
    assert caps == {"SW1": (0.5, 0.5), "SW2": (5.5, 5.5), "SW3": (0.5, 1.5)}


SIDES = st.integers(1, 12).map(lambda n: n / 4)
CAPS = st.tuples(st.integers(0, 24), st.integers(0, 24), SIDES, SIDES)


def cap(name: str, x: float, y: float, width: float, height: float, turn: float = 0.0) -> Cap:
    return Cap(name, x, y, width, height, turn, 0, Span(Source("", ""), 0, 0))


@given(st.lists(CAPS, min_size=2, max_size=8))
@settings(max_examples=200, deadline=None)
def test_upright_caps_overlap_where_their_intervals_do(boxes: list[tuple[int, int, float, float]]) -> None:
    caps = [cap(str(n), x / 4, y / 4, w, h) for n, (x, y, w, h) in enumerate(boxes)]
    due = {
        (a.switch, b.switch)
        for n, b in enumerate(caps)
        for a in caps[:n]
        if abs(a.x_u - b.x_u) < (a.width_u + b.width_u) / 2
        and abs(a.y_u - b.y_u) < (a.height_u + b.height_u) / 2
    }
    assert {(a.switch, b.switch) for a, b in overlaps(caps)} == due


@given(CAPS, CAPS, st.integers(0, 359), st.integers(0, 359))
@settings(max_examples=200, deadline=None)
def test_turned_caps_overlap_where_they_have_a_point_in_common(
    one: tuple[int, int, float, float], other: tuple[int, int, float, float], turn: int, other_turn: int
) -> None:
    """Against points strewn over the first cap and looked for inside the second, in its own frame."""
    a = cap("a", one[0] / 8, one[1] / 8, one[2], one[3], turn)
    b = cap("b", other[0] / 8, other[1] / 8, other[2], other[3], other_turn)

    def depth(u: float, v: float) -> float:
        """How deep a point of `a`, given as parts of its sides from its centre, lies within `b`."""
        at = complex(a.x_u, a.y_u) + complex(u * a.width_u, v * a.height_u) * cmath.rect(
            1, math.radians(turn)
        )
        inside = (at - complex(b.x_u, b.y_u)) * cmath.rect(1, -math.radians(other_turn))
        return min(b.width_u / 2 - abs(inside.real), b.height_u / 2 - abs(inside.imag))

    strewn = [n / 24 - 0.5 for n in range(25)]
    deepest = max(depth(u, v) for u in strewn for v in strewn)
    found = bool(overlaps([a, b]))
    if deepest > 0.01:
        assert found
    elif deepest < -0.15:  # farther apart than the points are from each other
        assert not found


# ---- cells ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "action"),
    [
        # HID Usage Tables 1.7, page 0x07: A 0x04, Z 0x1D, 1 0x1E, left modifiers 0xE0 to 0xE3.
        ("A", Press(Usage(0x07, 0x04))),
        ("a", Press(Usage(0x07, 0x04))),
        ("KeyA", Press(Usage(0x07, 0x04))),
        ("1", Press(Usage(0x07, 0x1E))),
        ("Shift", Press(Usage(0x07, 0xE1))),
        ("AltRight", Press(Usage(0x07, 0xE6))),
        ("Control+Z", Press(Usage(0x07, 0x1D), (0xE0,))),
        ("AltRight+Control+Z", Press(Usage(0x07, 0x1D), (0xE0, 0xE6))),
        ("Control+Alt", Press(Usage(0x07, 0xE2), (0xE0,))),
        ("Shift+1", Press(Usage(0x07, 0x1E), (0xE1,))),
        ("usage(0x0C, 0x00E9)", Press(Usage(0x0C, 0xE9))),
        ("Shift+usage(0x07, 0x04)", Press(Usage(0x07, 0x04), (0xE1,))),
        ("AudioVolumeUp", Press(Usage(0x0C, 0xE9))),
        # On a US layout ! is Shift and 1, z the key Z.
        ('"!"', Press(Usage(0x07, 0x1E), (0xE1,))),
        ('Control+"z"', Press(Usage(0x07, 0x1D), (0xE0,))),
        ('Control+"!"', Press(Usage(0x07, 0x1E), (0xE0, 0xE1))),
        ('"\\\\"', Press(Usage(0x07, 0x31))),
        ('"\\""', Press(Usage(0x07, 0x34), (0xE1,))),
        ("off", Off()),
        ("usb-boot", UsbBoot()),
        ("arrows", LayerHeld("arrows")),
        ("undo-it", Press(Usage(0x07, 0x1D), (0xE0,))),
        ("once-more", Press(Usage(0x07, 0x1D), (0xE0,))),
        ("to-arrows", LayerHeld("arrows")),
    ],
)
def test_actions(text: str, action: object) -> None:
    keyboard = board(
        f"layer base {{\n {text} B\n arrows usb-boot\n}}\nlayer arrows {{ SW1 = .. }}\n"
        "let once-more = undo-it\nlet undo-it = Control+Z\nlet to-arrows = arrows\n"
    )
    cell = keyboard.layers[0].cells["SW1"]
    assert cell.action == action
    assert cell.text == text


def test_what_a_cell_types_depends_on_the_host() -> None:
    head = 'keyboard "X" { usb 0x1209:0x5A17 host-layout linux-de }\n'
    keyboard = board('layer base {\n KeyZ "z"\n "@" usb-boot\n}', head=head)
    cells = keyboard.layers[0].cells
    assert [cells[name].types for name in ("SW1", "SW2", "SW3", "SW4")] == ["y", "z", "@", None]
    # On a German keyboard @ is AltGr and Q (0x14).
    assert cells["SW3"].action == Press(Usage(0x07, 0x14), (0xE6,))


def test_a_combining_accent_makes_one_character() -> None:
    head = 'keyboard "X" { usb 0x1209:0x5A17 host-layout linux-fr }\n'
    keyboard = board('layer base {\n "e\u0301" B\n C usb-boot\n}', head=head)
    assert keyboard.layers[0].cells["SW1"].types == "é"


def test_a_grid_follows_the_shape_and_a_sparse_layer_lets_through() -> None:
    shape = "shape {\n [1u] SW4 [1u] SW1\n at 0u 3u SW3\n SW2\n}\n"
    keyboard = board("layer base {\n A B\n C\n more\n}\nlayer more { SW3 = usb-boot }", shape=shape)
    cells = keyboard.layers[0].cells
    assert {name: cell.text for name, cell in cells.items()} == {
        "SW1": "B",
        "SW2": "more",
        "SW3": "C",
        "SW4": "A",
    }
    assert list(cells) == ["SW1", "SW2", "SW3", "SW4"]
    more = keyboard.layers[1].cells
    assert more["SW3"].action == UsbBoot()
    assert [more[name].action for name in ("SW1", "SW2", "SW4")] == [Through()] * 3


# ---- timing and scenarios ---------------------------------------------------------------------


def test_debounce_for_all_and_for_one() -> None:
    timing = board(
        f"{LAYER}timing {{ debounce 0.5ms at-once }}\ntiming SW2 SW3 {{ debounce 12ms }}\n"
        "timing SW1 { debounce 800us after-quiet }\n"
    ).timing
    assert timing.debounce == Debounce(500, at_once=True)
    assert dict(timing.for_switch) == {
        "SW2": Debounce(12_000),
        "SW3": Debounce(12_000),
        "SW1": Debounce(800),
    }


def test_steps_of_a_scenario() -> None:
    (scenario,) = board(
        f'{LAYER}scenario "all steps" {{\n tap SW1 tap SW2 12ms\n down SW3 wait 1.5s up SW3\n'
        ' expect A Shift+B "!"\n expect nothing expect nothing-held\n}'
    ).scenarios
    assert scenario.name == "all steps"
    kinds = [type(step) for step in scenario.steps]
    assert kinds == [Tap, Tap, Down, Wait, Up, Expect, Expect, Expect]
    first, second, _, pause, _, keys, nothing, held = scenario.steps
    assert isinstance(first, Tap)
    assert first.time_us == 20_000  # the page: `tap` is down, 20 ms, up
    assert isinstance(second, Tap)
    assert second.time_us == 12_000
    assert isinstance(pause, Wait)
    assert pause.time_us == 1_500_000
    assert isinstance(keys, Expect)
    assert keys.presses == (
        Press(Usage(7, 4)),
        Press(Usage(7, 5), (0xE1,)),
        Press(Usage(7, 0x1E), (0xE1,)),
    )
    assert keys.texts == ("A", "Shift+B", '"!"')
    assert isinstance(nothing, Expect)
    assert (nothing.presses, nothing.nothing_held) == ((), False)
    assert isinstance(held, Expect)
    assert (held.presses, held.nothing_held) == ((), True)


# ---- one cause, one error ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        ("SW1 SW2\n    SW3 SW4\n}", "SW1 SW2\n    SW3 SW4 SW4\n}", "cap-placed-twice"),
        ("diodes cathode-to-row", "diodes cathode-too-row", "unknown-name"),
        ("diodes cathode-to-row", "diode cathode-to-row", "misplaced"),
        ("columns GPIO6 GP7", "columns GPIO6 GP6", "pin-used-twice"),
        ("columns GPIO6 GP7", "colums GPIO6 GP7", "unknown-statement"),
        ("direct GPIO10 SW4", "direct GPIO30 SW4", "pin-not-on-chip"),
        ("direct GPIO10 SW4", "direkt GPIO10 SW4", "unknown-statement"),
        ("row GPIO3 SW3 --", "row GPIO3 SW3 SW3", "switch-wired-twice"),
        ("row GPIO3 SW3 --", "row GPIO3 SW3 -", "misplaced"),
        ("    A B", "    A B ;", "sign-without-quotes"),
        ("    A B", "    A Escpe", "unknown-name"),
        ("    A B", "    A latch(Shift)", "unknown-name"),
        ("layer base {", "layer base", "unfinished"),
        ("layer base {", "layer {", "misplaced"),
        ("shape {", "shap {", "unknown-statement"),
        ("shape {", "shape", "unfinished"),
        ("wiring {", "wiring {{", "misplaced"),
        ("keyboard", "keybord", "unknown-statement"),
        ('"Example"', '"Example', "text-not-closed"),
        ('"Example"', "Example", "misplaced"),
    ],
)
def test_one_cause_is_told_once(old: str, new: str, code: str) -> None:
    text = HEAD + WIRING + SHAPE + LAYER
    assert text.count(old) >= 1
    found = errors(text.replace(old, new, 1))
    assert found == [code]


def test_mistakes_come_in_file_order() -> None:
    text = (
        (HEAD + WIRING + SHAPE + LAYER)
        .replace("A B", "Ax B ;")
        .replace("GPIO3", "GPIO33")
        .replace("0x5A17", "5")
    )
    starts = [one.span.start for one in checked(text)[1]]
    assert len(starts) == 4
    assert starts == sorted(starts)


# ---- reading a file ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\xff\xfek\0", "UTF-16"),
        (b"ok\n\x80", "byte 0x80 in line 2"),
        (b"ok\n\nno\0", "NUL byte in line 3"),
    ],
)
def test_bytes_that_are_no_text(data: bytes, words: str) -> None:
    with pytest.raises(UserError) as raised:
        source_of("a.keys", data)
    assert words in raised.value.message
    assert raised.value.help


def test_a_missing_file_names_those_beside_it(tmp_path: object) -> None:
    from pathlib import Path

    folder = Path(str(tmp_path))
    (folder / "mine.keys").write_text("")
    with pytest.raises(UserError) as raised:
        read_source(folder / "mein.keys")
    assert raised.value.exit_status == 2
    assert raised.value.help == "there is mine.keys"
    with pytest.raises(UserError, match="is a folder"):
        read_source(folder)


def test_two_digits_in_one_cell_are_told_once() -> None:
    """`12` for `1 2` makes its row short as well: one cause, one mistake. A row short by more is told."""
    found = checked(HEAD + WIRING + SHAPE + LAYER.replace("A B", "12"))[1]
    assert [one.code for one in found if one.severity == "error"] == ["digits-in-cell"]
    shape = "shape {\n    SW1 SW2 SW3\n    SW4\n}\n"
    layer = "layer base {\n    12\n    usb-boot\n}\n"
    found = checked(HEAD + WIRING + shape + layer)[1]
    assert [one.code for one in found if one.severity == "error"] == ["digits-in-cell", "row-too-short"]


def test_a_package_holds_eight_diodes_at_most() -> None:
    """Common practice: arrays of diodes have up to sixteen pins."""
    switches = [f"SW{n}" for n in range(1, 10)]
    rows = f"{' '.join(switches)}\n"
    text = (
        HEAD
        + "wiring {\n    diodes cathode-to-row\n    columns "
        + " ".join(f"GPIO{n}" for n in range(9))
        + f"\n    row GPIO20 {rows}"
        + "".join(f"    diode D1 of {name}\n" for name in switches)
        + f"}}\nshape {{\n    {rows}}}\nlayer base {{\n    A B C D E F G H usb-boot\n}}\n"
    )
    found = [one for one in checked(text)[1] if one.severity == "error"]
    assert [one.code for one in found] == ["name-taken"]
    assert "8 other switches" in found[0].message
    assert checked(text.replace("diode D1 of SW9", "diode D2 of SW9"))[0] is not None
