"""`keyc sheet`: what stands on a cap and where, and that a browser draws it so that it can be read.

Where characters stand on a cap is compared with the pictures of layouts in xkeyboard-config (that they follow
ISO/IEC 9995-1 is from memory, as is one capital for both cases of a letter). What keys type is read from
xkeyboard-config's data, as in the tests of layouts. The pictures are drawn by Chromium, which also measures
them.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import struct
import subprocess
import zlib
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest

from keyc.cli import main
from keyc.files import data_rows, shipped
from keyc.keyboard import Keyboard
from keyc.sheet.caps import laid_out
from keyc.sheet.chord_marks import left_of_another
from keyc.sheet.documents import html_of, svg_of
from keyc.sheet.figure import PAPER_HEIGHT, PAPER_WIDTH
from keyc.sheet.legends import Kind, Legend, Step, Way, legends, ways
from keyc.sheet.paper import folded, width_of, wrapped
from keyc.sheet.sheet import sheet_of
from tests.keymaps import keyboard_in

SVG = "{http://www.w3.org/2000/svg}"


def small(layers: str, *, count: int = 6, host: str = "linux-us", more: str = "") -> Keyboard:
    wiring = "\n".join(f"direct GPIO{number} SW{number}" for number in range(1, count + 1))
    names = " ".join(f"SW{number}" for number in range(1, count + 1))
    return keyboard_in(
        f'keyboard "Tern & <Co>" {{ usb 0x1209:0x5A17 host-layout {host} }}\n'
        f"wiring {{\ndiodes none\n{wiring}\n{more}}}\nshape {{ {names} }}\n{layers}\n"
    )


def bundled() -> Keyboard:
    return keyboard_in(shipped("data", "demo", "otterbridge.keys").read_text(encoding="utf-8"))


def full_size(host: str = "linux-de", more: str = "") -> Keyboard:
    """An ISO board of 105 keys, whose layer has the names of all its keys (W3C UI Events, figure of the
    102-key keyboard with a number pad)."""
    lines = [
        ["1", "[1u]", *"1111", "[0.5u]", *"1111", "[0.5u]", *"1111", "[0.25u]", *"111"],
        ["[1x0.5u]"],
        [*"1" * 13, "2", "[0.25u]", *"111", "[0.25u]", *"1111"],
        ["1.5", *"1" * 12, "[0.25u]", "1.25x2", "[0.25u]", *"111", "[0.25u]", *"111", "1x2"],
        ["1.75", *"1" * 12, "[4.75u]", *"111"],
        ["1.25", "1", *"1" * 10, "2.75", "[1.25u]", "1", "[1.25u]", *"111", "1x2"],
        [*["1.25"] * 3, "6.25", *["1.25"] * 4, "[0.25u]", *"111", "[0.25u]", "2", "1"],
    ]
    cells = (
        "Escape F1 F2 F3 F4 F5 F6 F7 F8 F9 F10 F11 F12 PrintScreen ScrollLock Pause\n"
        "Backquote 1 2 3 4 5 6 7 8 9 0 Minus Equal Backspace Insert Home PageUp "
        "NumLock NumpadDivide NumpadMultiply NumpadSubtract\n"
        "Tab Q W E R T KeyY U I O P BracketLeft BracketRight Enter Delete End PageDown "
        "Numpad7 Numpad8 Numpad9 NumpadAdd\n"
        "CapsLock A S D F G H J K L Semicolon Quote IntlHash Numpad4 Numpad5 Numpad6\n"
        "Shift IntlBackslash KeyZ X C V B N M Comma Period Slash ShiftRight ArrowUp "
        "Numpad1 Numpad2 Numpad3 NumpadEnter\n"
        "Control Meta Alt Space AltRight MetaRight more ControlRight ArrowLeft ArrowDown ArrowRight "
        "Numpad0 NumpadDecimal"
    )
    number, shape = 0, []
    for line in lines:
        items = []
        for item in line:
            number += item[0] != "["
            items.append(item if item[0] == "[" else f"SW{number} {item}u")
        shape.append(" ".join(items))
    rows = [[f"SW{18 * row + column + 1}" for column in range(18)] for row in range(6)]
    matrix = "\n".join(
        f"row GPIO{18 + index} " + " ".join(name if int(name[2:]) <= number else "--" for name in row)
        for index, row in enumerate(rows)
    )
    columns = " ".join(f"GPIO{pin}" for pin in range(18))
    return keyboard_in(
        f'keyboard "Full size" {{ usb 0x1209:0x5A17  maker "Millpond Works"  host-layout {host} }}\n'
        f"wiring {{\ndiodes cathode-to-row\ncolumns {columns}\n{matrix}\nlight GPIO28 CapsLock\n}}\n"
        "shape {\n" + "\n".join(shape) + f"\n}}\nlayer base {{\n{cells}\n}}\n"
        "layer more { SW1 = usb-boot  SW2 = AudioVolumeMute  SW3 = MediaTrackPrevious\n"
        "SW4 = BrowserFavorites\n"
        'SW5 = Control+Shift+"a"  SW6 = usage(0x0C, 0x00E9)  SW7 = off }\n' + more
    )


# ---- what stands on a cap


def texts(legend: Legend) -> list[str | None]:
    return [character.text if character else None for character in legend.levels]


def first_cap(cell: str, host: str = "linux-us") -> Legend:
    layers = f"layer base {{\n{cell} B C D E usb-boot\n}}\n"
    return legends(small(f'let mine = Control+Z\nlet hash = "#"\n{layers}', host=host), "base")["SW1"]


@pytest.mark.parametrize(
    ("cell", "host", "levels"),
    [
        ("A", "linux-us", [None, "A", None, None]),  # a letter is told by its capital
        ("1", "linux-us", ["1", "!", None, None]),
        ("KeyQ", "linux-de", [None, "Q", "@", "Ω"]),
        ("KeyZ", "linux-de", [None, "Y", "»", "›"]),
        ("KeyE", "linux-de", [None, "E", "€", None]),  # AltGr and Shift+AltGr type the same
        ("Minus", "linux-de", ["ß", "?", "\\", "¿"]),
        ("1", "linux-fr", ["&", "1", "¹", "¡"]),
        ("KeyQ", "windows-de", [None, "Q", "@", None]),
        ("2", "windows-fr", ["é", "2", "~", None]),
        ("KeyL", "macos-de", [None, "L", "@", "ﬂ"]),
        ("Numpad7", "macos-us", ["7", None, None, None]),
        ('"!"', "linux-us", ["!", None, None, None]),
        ('"@"', "linux-de", ["@", None, None, None]),
        ("NumpadDivide", "linux-us", ["/", None, None, None]),
        ("Numpad7", "linux-us", ["7", None, None, None]),
        ("Control+Z", "linux-us", [None] * 4),
        ("Escape", "linux-us", [None] * 4),
        ("Space", "linux-us", [None] * 4),
        ("usage(0x0C, 0x00E9)", "linux-us", [None] * 4),
    ],
)
def test_levels(cell: str, host: str, levels: list[str | None]) -> None:
    assert texts(first_cap(cell, host)) == levels


def test_every_accent_of_the_layouts_has_a_sign() -> None:
    names = {
        level
        for file in shipped("data", "host-layouts").iterdir()
        for row in data_rows(f"host-layouts/{file.name}")
        for level in row[1:]
        if level.startswith("dead_")
    }
    from keyc.sheet.legends import _ACCENTS

    assert {name.removeprefix("dead_") for name in names} == set(_ACCENTS)
    accent = first_cap("Equal", "linux-de").levels
    assert [character and character.is_accent for character in accent[:2]] == [True, True]
    assert texts(first_cap("Equal", "linux-de"))[:2] == ["´", "`"]


def test_notes() -> None:
    assert first_cap("mine").note == "Control+Z"
    assert first_cap("hash").note == "Shift+3"
    assert first_cap("Numpad7").note == first_cap("NumpadDivide").note == "Numpad"
    for plain in ("A", "Escape", "Control", "Control+Z", '"!"', "usage(0x0C, 0x00E9)", "NumpadEnter"):
        assert first_cap(plain).note == "", plain


def test_kinds() -> None:
    found = legends(small("layer base { A more off B C usb-boot }\nlayer more { SW1 = Z }"), "base")
    assert [found[f"SW{n}"].kind for n in (1, 2, 3, 6)] == [Kind.PLAIN, Kind.LAYER, Kind.OFF, Kind.USB_BOOT]


def test_what_falls_through_is_what_lies_beneath_on_the_shortest_way() -> None:
    """On the bundled keyboard `sound` is reached by holding SW25 (`figures`), then SW21 on that."""
    keyboard = bundled()
    assert set(ways(keyboard)["sound"].held) == {"SW25", "SW21"}
    assert ways(keyboard)["sound"].layers == ("base", "figures", "sound")
    found = legends(keyboard, "sound")
    assert (found["SW2"].words, found["SW2"].is_through) == ("1", True)  # of figures
    assert (found["SW24"].words, found["SW24"].is_through) == ("Space", True)  # of base
    assert (found["SW17"].words, found["SW17"].is_through) == ("AudioVolumeUp", False)
    assert {name for name, legend in found.items() if legend.is_held} == {"SW25", "SW21"}
    far = legends(keyboard, "far")
    assert (far["SW8"].words, far["SW8"].is_through) == ("Tab", True)


def test_a_layer_that_no_key_leads_to_lies_on_the_first() -> None:
    keyboard = small("layer base { A B C D E usb-boot }\nlayer lost { SW1 = Z }")
    assert not ways(keyboard)["lost"].is_reached
    assert legends(keyboard, "lost")["SW2"].words == "B"


DUAL = """\
let thumb = Space/Shift
layer base {
    A/Control+Alt  "/"/arrows  thumb  lock(arrows)  taps(Escape, Tab)  sign-off
}
layer arrows { SW1 = lock(numbers)  SW2 = ArrowLeft  SW6 = usb-boot }
layer numbers { SW1 = Numpad7 }
layer both when arrows and numbers { SW1 = wheel(up) }
layer ground { }
chord SW1 SW2 on base = bottom(ground)
dial DIAL1 on base { clockwise = AudioVolumeUp  counter-clockwise = AudioVolumeDown }
sequence sign-off = "Ciao, ô" Enter wait 50ms Tab Control+Z
"""


def dual() -> Keyboard:
    return small(DUAL, host="linux-de", more="dial GPIO20 GPIO21 DIAL1\n")


def test_a_key_for_two_things_has_one_on_its_face_and_one_on_its_strip() -> None:
    found = legends(dual(), "base")
    assert (texts(found["SW1"])[1], found["SW1"].hold, found["SW1"].holds_layer) == (
        "A",
        "Control+Alt",
        False,
    )
    assert (texts(found["SW2"])[0], found["SW2"].hold, found["SW2"].holds_layer) == ("/", "arrows", True)
    assert (found["SW3"].words, found["SW3"].hold, found["SW3"].kind) == ("Space", "Shift", Kind.PLAIN)
    assert (found["SW4"].words, found["SW4"].kind) == ("lock(arrows)", Kind.LAYER)
    assert (found["SW5"].words, found["SW6"].words) == ("taps(Escape, Tab)", "sign-off")


def test_ways_through_locks_chords_and_layers_that_are_on_while_others_are() -> None:
    found = ways(dual())
    assert found["arrows"] == Way(("base", "arrows"), (Step(("SW2",), True),))
    assert found["numbers"].layers == ("base", "arrows", "numbers")
    assert found["numbers"].steps == (Step(("SW2",), True), Step(("SW1",), False))
    assert found["both"].layers == ("base", "arrows", "numbers", "both")
    assert found["both"].held == {"SW2"}
    assert found["ground"] == Way(("ground",), (Step(("SW1", "SW2"), False),))
    remarks = {figure.heading: figure.remark for figure in sheet_of(dual()).layers}
    assert remarks["Layer both"] == "while SW2 is held, after SW1"
    assert remarks["Layer ground"] == "after SW1 with SW2"


def test_tables_of_what_has_no_cap() -> None:
    tables = {table.heading: table.rows for table in sheet_of(dual()).tables}
    assert tables["Chords"] == (("1", "SW1 with SW2", "base", "bottom(ground)"),)
    assert tables["Dials"] == (("DIAL1", "GPIO20, GPIO21", "4", "base", "AudioVolumeUp", "AudioVolumeDown"),)
    # ô is two strokes on the German layout: the dead circumflex, then o.
    assert tables["Sequences"] == (("sign-off", '"Ciao, ô" Enter wait 50ms Tab Control+Z'),)


# ---- chords


CHORDS = """\
chord SW39 SW40 on base = F13
chord SW62 SW63 SW64 on base = F14
chord SW39 SW62 on base = F15
chord SW85 SW92 on base = F16
chord SW95 SW96 on base = F17
chord SW2 SW3 on more = F18
chord SW2 SW99 on base = F19
"""


def plates(body: str) -> dict[str, tuple[str, str]]:
    """By switch, the numbers on its upper edge and the colour behind them."""
    found = re.findall(
        r'data-switch="(\w+)"[^>]*><rect [^>]*fill="(#\w+)"/>'
        r'<text [^>]*fill="#ffffff"[^>]*>([\d,]+)</text></g>',
        body,
    )
    return {switch: (numbers, colour) for switch, colour, numbers in found}


def test_caps_bear_the_numbers_of_their_chords() -> None:
    """By the language: a chord counts where its members' topmost cells are its layer's, so that `more` lets
    those of `base` through, but not one whose member it has a cell of its own for, or that holds it."""
    base, more = sheet_of(full_size(more=CHORDS)).layers
    ink, quiet = "#1a1a1a", "#666666"
    through = {
        "SW39": "1,3",
        "SW40": "1",
        "SW62": "2,3",
        "SW63": "2",
        "SW64": "2",
        "SW85": "4",
        "SW92": "4",
        "SW95": "5",
        "SW96": "5",
    }
    assert plates(base.body) == {switch: (n, ink) for switch, n in through.items()} | {
        "SW2": ("7", ink),
        "SW99": ("7", ink),
    }
    assert plates(more.body) == {switch: (n, quiet) for switch, n in through.items()} | {
        "SW2": ("6", ink),
        "SW3": ("6", ink),
    }


def test_members_side_by_side_are_joined_by_a_bar() -> None:
    """From SW39 to SW40, SW62 to SW63, SW63 to SW64 and SW95 to SW96, in the caps' own places."""
    base, _ = sheet_of(full_size(more=CHORDS)).layers
    bars = re.findall(r'<path d="M[-\d.]+ [-\d.]+H[-\d.]+" transform="(translate[^"]+)"', base.body)
    places = dict(re.findall(r'data-switch="(\w+)" transform="(translate[^"]+)"', base.body))
    assert bars == [places[name] for name in ("SW39", "SW62", "SW63", "SW95")]


def test_which_caps_lie_side_by_side() -> None:
    caps = laid_out(keyboard_in(SPLIT).caps).caps
    assert [one.cap.switch for one in left_of_another(caps)] == ["L1", "L2", "T1", "R1", "R2", "T3"]


# ---- text


def test_widths_are_those_of_the_published_metrics() -> None:
    """Adobe's AFM of Helvetica: A 667, i 222, the blank 278, W 944."""
    assert [width_of(letter, 1000) for letter in "Ai W"] == [667, 222, 278, 944]
    assert width_of("猫", 10) == 10


def test_words_are_folded_where_they_end_and_cut_where_there_is_no_room() -> None:
    assert folded("AudioVolumeDown", 9, 9, [2.5])[1] == ["Audio", "Volume", "Down"]
    assert folded("take-back", 6, 9, [2.5])[1] == ["take-", "back"]
    assert folded("Escape", 9, 9, [2.5, 2.0]) == (2.5, ["Escape"])
    size, lines = folded("Donaudampfschifffahrt", 9, 9, [2.5, 2.0])
    assert size == 2.0
    assert lines[0].endswith("…")
    assert width_of(lines[0], size) <= 9
    assert wrapped("one two  three", 7, 2.0) == ["one two", "three"] or wrapped("a b", 99, 2.0) == ["a b"]


# ---- the documents


class Headings(HTMLParser):
    """The headings of a page, and how its elements nest."""

    VOID = frozenset({"meta", "path", "rect", "circle", "link", "br"})

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "h2":
            self.found.append("")

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open[-1:] == ["h2"]:
            self.found[-1] += data


def headings(html: str) -> list[str]:
    parser = Headings()
    parser.feed(html)
    assert parser.open == []
    return parser.found


MORE = "light GPIO25 CapsLock\nlight GPIO24 NumLock lit-low\ndial GPIO20 GPIO21 DIAL1\n"


def test_headings() -> None:
    keyboard = small("layer base { A more C D E usb-boot }\nlayer more { }", more=MORE)
    expected = [
        *("Layer base", "Layer more", "Matrix, from the front", "Matrix, from the solder side"),
        *("Dials", "Lights", "Pins"),
    ]
    assert headings(html_of(sheet_of(keyboard))) == expected
    root = ElementTree.fromstring(svg_of(sheet_of(keyboard)))
    bold = [element.text for element in root.iter(f"{SVG}text") if element.get("font-size") == "4.20"]
    assert bold == expected


def test_tables_say_what_is_wired() -> None:
    tables = {
        table.heading: table.rows
        for table in sheet_of(small("layer base { A B C D E usb-boot }", more=MORE)).tables
    }
    assert tables["Dials"] == (("DIAL1", "GPIO20, GPIO21", "4", "", "", ""),)
    assert tables["Lights"] == (("CapsLock", "GPIO25", "high"), ("NumLock", "GPIO24", "low"))
    # Package pins from the chip's data sheet, as in the tests of pins.
    assert ("GPIO1", "3", "2", "SW1, to ground") in tables["Pins"]


@pytest.mark.parametrize("keyboard", [bundled(), full_size()], ids=["bundled", "full size"])
def test_figures_fit_both_papers_and_have_every_cap(keyboard: Keyboard) -> None:
    sheet = sheet_of(keyboard)
    for figure in (*sheet.layers, *sheet.matrix):
        assert figure.width <= PAPER_WIDTH
        assert figure.height <= PAPER_HEIGHT - 10
        names = re.findall(r'data-switch="([^"]+)"', figure.body)
        assert set(names) == {switch.name for switch in keyboard.wiring.switches}
        smallest = min(float(size) for size in re.findall(r'font-size="([\d.]+)"', figure.body))
        assert smallest >= 1.4  # mm, a little under 4 points: the switches' names, which are only looked up


def test_names_are_shown_and_never_obeyed() -> None:
    keyboard = small("layer base { A B C D E usb-boot }")
    for text in (html_of(sheet_of(keyboard)), svg_of(sheet_of(keyboard))):
        assert "Tern &amp; &lt;Co&gt;" in text
        assert "<Co>" not in text
        assert "<script" not in text
        assert "http" not in text.replace("http://www.w3.org/2000/svg", "").replace("http-equiv", "")


def test_where_characters_stand() -> None:
    """On the German Q: the capital at the upper left, @ at the lower right, Ω at the upper right; on the
    digits the one with Shift above the one without."""
    figure = sheet_of(full_size()).layers[0]
    q, one = (placed(figure.body, name) for name in ("SW39", "SW18"))
    assert q["@"][0] > q["Q"][0]
    assert q["@"][1] > q["Q"][1]
    assert q["Ω"][0] == q["@"][0]
    assert q["Ω"][1] < q["@"][1]
    assert one["!"][0] == one["1"][0]
    assert one["!"][1] < one["1"][1]


@pytest.mark.parametrize(
    ("file", "legend"), [("latin", "│ 2 4 │ │ 1 3 │"), ("fr", "│ S A │ │ s a │"), ("cm", "│ 2 4 │ │ 1 3 │")]
)
def test_where_characters_stand_in_other_people_s_pictures(file: str, legend: str) -> None:
    """xkeyboard-config explains its pictures of layouts with a cap on which the levels have their names."""
    path = Path("/usr/share/X11/xkb/symbols") / file
    if not path.is_file():
        pytest.skip("the data of xkeyboard-config (Debian: xkb-data) isn't installed")
    explained = re.search(
        r"// +┌─────┐\n"
        r"// +(│ (?P<b>\S) (?P<d>\S) │) [^\n]*\n"
        r"// +(│ (?P<a>\S) (?P<c>\S) │)(?P<words>[^\n]*)\n",
        path.read_text("utf-8"),
    )
    assert explained is not None
    assert f"{explained[1]} {explained[4]}" == legend
    assert re.search(rf"{explained['a']} = normal", explained["words"], re.I)
    assert re.search(rf"{explained['c']} = (AltGr|Level3)", explained["words"])
    # So: alone at the lower left, with Shift above it, with AltGr at the lower right, with both above that.
    cap = placed(sheet_of(full_size()).layers[0].body, "SW20")
    alone, shifted, alt, both = (cap[text] for text in ("3", "§", "³", "£"))
    assert alone[0] == shifted[0] < alt[0] == both[0]
    assert shifted[1] < alone[1]
    assert both[1] < alt[1]


def placed(body: str, switch: str) -> dict[str, tuple[float, float]]:
    cap = re.search(rf'<g class="cap" data-switch="{switch}".*?</g>', body)
    assert cap is not None
    found = re.findall(r'<text x="([-\d.]+)" y="([-\d.]+)"[^>]*>([^<]*)</text>', cap[0])
    return {text: (float(x), float(y)) for x, y, text in found}


def test_the_solder_side_is_mirrored_but_can_be_read() -> None:
    front, back = sheet_of(bundled()).matrix
    places = [
        dict(re.findall(r'data-switch="(\w+)" transform="translate\(([-\d.]+) ', figure.body))
        for figure in (front, back)
    ]
    for name, x in places[0].items():
        assert float(x) + float(places[1][name]) == pytest.approx(front.width, abs=0.02)
    assert "scale(-1" not in back.body


def test_lines_of_the_matrix_join_all_switches_of_a_pin_with_as_little_as_possible() -> None:
    """Against networkx's minimum spanning tree."""
    networkx = pytest.importorskip("networkx")
    from keyc.sheet.matrix_figure import _tree

    points = [(float(x * 7 % 11), float(x * x % 13)) for x in range(12)]
    path = _tree(points, "#000", "")
    segments = re.findall(r"M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)", path)
    graph = networkx.Graph()
    for a in points:
        for b in points:
            if a < b:
                graph.add_edge(a, b, weight=((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) ** 0.5)
    due = networkx.minimum_spanning_tree(graph).size(weight="weight")
    ends = [tuple(map(float, segment)) for segment in segments]
    length = sum(((x0 - x1) ** 2 + (y0 - y1) ** 2) ** 0.5 for x0, y0, x1, y1 in ends)
    assert len(ends) == len(points) - 1
    assert length == pytest.approx(due, abs=0.05)


def test_the_same_bytes_each_time() -> None:
    assert svg_of(sheet_of(bundled())) == svg_of(sheet_of(bundled()))
    assert html_of(sheet_of(bundled())) == html_of(sheet_of(bundled()))


# ---- the command


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = str(shipped("data", "demo", "otterbridge.keys"))
    for kind in ("svg", "html", "SVG"):
        output = tmp_path / f"sheet.{kind}"
        assert main(["sheet", source, "-o", str(output)]) == 0
        assert capsys.readouterr().out == f"{output}: 4 layers, and the matrix from both sides\n"
        assert output.read_text(encoding="utf-8").startswith(("<svg", "<!DOCTYPE html>"))
    assert main(["sheet", source, "-o", str(tmp_path / "sheet.pdf")]) == 2
    assert "SVG or HTML" in capsys.readouterr().err
    assert not (tmp_path / "sheet.pdf").exists()


# ---- as a browser draws it

_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
BROWSER = next(filter(None, map(shutil.which, _BROWSERS)), None)
needs_browser = pytest.mark.skipif(
    BROWSER is None and not os.environ.get("KEYC_TESTS_SKIP_NOTHING"), reason="no Chromium to draw with"
)

# What stands out of its cap or is hidden under another text, as the browser measures it.
_MEASURE = """
<script>
const found = [];
for (const figure of document.querySelectorAll("figure svg")) {
  const heading = figure.getAttribute("aria-label");
  for (const cap of figure.querySelectorAll("g.cap")) {
    const name = cap.dataset.switch;
    const first = figure.querySelector(`g.cap[data-switch="${name}"]`);
    const r = first.querySelector("rect").getBBox();
    const boxes = [...cap.querySelectorAll("text")].map(t => [t.textContent, t.getBBox()]);
    for (const [text, b] of boxes) {
      if (b.x < r.x || b.x + b.width > r.x + r.width) found.push([heading, name, text, "wide"]);
      if (b.y + 0.15 * b.height < r.y - 0.4 || b.y + 0.8 * b.height > r.y + r.height)
        found.push([heading, name, text, "high"]);
    }
    for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
      const [a, b] = [boxes[i][1], boxes[j][1]];
      const w = Math.min(a.x + a.width, b.x + b.width) - Math.max(a.x, b.x);
      const h = Math.min(a.y + 0.8 * a.height, b.y + 0.8 * b.height)
        - Math.max(a.y + 0.2 * a.height, b.y + 0.2 * b.height);
      if (w > 0.05 && h > 0.05) found.push([heading, name, boxes[i][0] + " " + boxes[j][0], "overlap"]);
    }
  }
}
document.body.textContent = "MEASURED" + JSON.stringify(found) + "END";
</script>
"""


def browser(tmp_path: Path, *options: str) -> str:
    assert BROWSER is not None, "no Chromium to draw with"
    command = [
        BROWSER,
        *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
        *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
        f"--user-data-dir={tmp_path / 'profile'}",
        *options,
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=90, check=True)
    return done.stdout


SPLIT = """\
keyboard "Tern 11" { usb 0x1209:0x5A17 }
wiring {
    diodes cathode-to-column
    columns     GPIO0  GPIO1  GPIO2  GPIO3  GPIO4  GPIO5
    row GPIO8   L1     L2     L3     R1     R2     R3
    row GPIO9   T1     T2     --     T3     T4     --
}
shape {
    L1  L2  L3
    at 1.5u 1.4u turned 15deg   T1  T2 1x1.5u
    at 9u 0u                    R1  R2  R3
    at 6.2u 2.2u turned 345deg  T3 1x1.5u  T4
}
layer base {
    "@"  A-name-that-is-very-long-indeed  Control+Shift+Alt+ArrowDown
    Space  far
    U  I  O
    MediaTrackPrevious  usage(0x0C, 0x00E9)
}
layer far { L1 = usb-boot  R1 = BrowserFavorites  T3 = off }
let A-name-that-is-very-long-indeed = Control+Shift+KeyZ
"""

KEYBOARDS: dict[str, Callable[[], Keyboard]] = {
    "bundled": bundled,
    "full": full_size,
    "full-fr": lambda: full_size("linux-fr"),
    "split": lambda: keyboard_in(SPLIT),
    "dual": dual,
    "chords": lambda: full_size("linux-de", CHORDS),
}


@needs_browser
@pytest.mark.parametrize("name", KEYBOARDS)
def test_no_text_leaves_its_cap_or_lies_on_another(name: str, tmp_path: Path) -> None:
    page = tmp_path / "sheet.html"
    # The page itself forbids scripts: the copy that is measured must not.
    html = re.sub(r"<meta http-equiv[^>]*>", "", html_of(sheet_of(KEYBOARDS[name]())))
    page.write_text(html.replace("</body>", f"{_MEASURE}</body>"), encoding="utf-8")
    out = browser(tmp_path, "--dump-dom", page.as_uri())
    measured = re.search(r"MEASURED(\[.*\])END", out, re.S)
    assert measured is not None
    assert json.loads(measured[1]) == []


@needs_browser
@pytest.mark.parametrize("kind", ["svg", "html"])
def test_it_is_drawn(kind: str, tmp_path: Path) -> None:
    """The picture has ink in every part of the keyboard, and the blue of a key that turns a layer on."""
    sheet = sheet_of(bundled())
    page, picture = tmp_path / f"sheet.{kind}", tmp_path / "sheet.png"
    page.write_text(svg_of(sheet) if kind == "svg" else html_of(sheet), encoding="utf-8")
    browser(tmp_path, "--hide-scrollbars", "--window-size=1060,700", f"--screenshot={picture}", page.as_uri())
    width, height, pixels = rgb(picture.read_bytes())
    assert (width, height) == (1060, 700)
    dark = [
        sum(sum(pixels[y * width + x]) < 200 for x in range(560) for y in range(top, top + 40))
        for top in range(140, 480, 40)
    ]
    assert all(count > 100 for count in dark), dark
    assert pixels.count((0x00, 0x72, 0xB2)) > 50  # Okabe and Ito's blue


def rgb(data: bytes) -> tuple[int, int, list[tuple[int, int, int]]]:
    """A PNG of 8 bits, RGB or RGBA, not interlaced (ISO/IEC 15948): width, height, pixels by line."""
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    at, packed, width, height, samples = 8, b"", 0, 0, 3
    while at < len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        chunk = data[at + 8 : at + 8 + length]
        if kind == b"IHDR":
            width, height, depth, colour, _, _, interlace = struct.unpack(">IIBBBBB", chunk)
            assert depth == 8
            assert interlace == 0
            samples = {2: 3, 6: 4}[colour]
        elif kind == b"IDAT":
            packed += chunk
        at += 12 + length
    raw, stride = zlib.decompress(packed), width * samples
    before = bytearray(stride)
    pixels: list[tuple[int, int, int]] = []
    for line in range(height):
        start = line * (stride + 1)
        current = unfiltered(raw[start], bytearray(raw[start + 1 : start + 1 + stride]), before, samples)
        pixels += zip(current[0::samples], current[1::samples], current[2::samples], strict=True)
        before = current
    return width, height, pixels


def unfiltered(kind: int, line: bytearray, above: bytearray, samples: int) -> bytearray:
    """ISO/IEC 15948, 9.2: the filters None, Sub, Up, Average and Paeth."""
    for index in range(len(line)):
        a = line[index - samples] if index >= samples else 0
        b = above[index]
        c = above[index - samples] if index >= samples else 0
        p = a + b - c
        near = min((abs(p - a), 0, a), (abs(p - b), 1, b), (abs(p - c), 2, c))[2]
        line[index] = (line[index] + (0, a, b, (a + b) // 2, near)[kind]) & 0xFF
    return line


@needs_browser
@pytest.mark.parametrize(
    ("paper", "size"), [("A4", (841.9, 595.3)), ("letter", (792.0, 612.0))], ids=["A4", "Letter"]
)
def test_pages(paper: str, size: tuple[float, float], tmp_path: Path) -> None:
    """The full-size board takes three pages of either paper (ISO 216 and ANSI/ASME Y14.1, in points): two
    layers to the first, both sides of the matrix to the second, the pins to the third."""
    page, pdf = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    text = html_of(sheet_of(full_size()))
    chosen = text.replace("size: landscape;", f"size: {paper} landscape;")  # what a printer's own paper does
    assert chosen != text
    page.write_text(chosen, encoding="utf-8")
    browser(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri())
    boxes = re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", pdf.read_bytes())
    assert len(boxes) == 3
    for box in boxes:
        assert [float(length) for length in box] == pytest.approx(size, abs=1.0)


@needs_browser
def test_the_first_layer_stands_under_the_heading(tmp_path: Path) -> None:
    """Two layers so high that A4 takes one a page: none waits for the next one, which would leave the heading
    alone on a page. So they, the matrix from either side and the pins take five."""
    names = [[f"SW{15 * row + column}" for column in range(1, 16)] for row in range(5)]
    text = "\n".join(
        (
            'keyboard "Reed 75" { host-layout linux-us }',
            "wiring { diodes cathode-to-row",
            "columns " + " ".join(f"GPIO{5 + column}" for column in range(15)),
            *(f"row GPIO{row} " + " ".join(line) for row, line in enumerate(names)),
            "}",
            "shape {",
            *(" ".join(line) for line in names),
            "}",
            "layer base {",
            "more usb-boot" + " A" * 13,
            *(" ".join("A" * 15) for _ in range(4)),
            "}",
            "layer more {",
            *(" ".join("B" * 15) for _ in range(5)),
            "}\n",
        )
    )
    page, pdf = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    page.write_text(
        html_of(sheet_of(keyboard_in(text))).replace("size: landscape;", "size: A4 landscape;"),
        encoding="utf-8",
    )
    browser(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri())
    assert pdf.read_bytes().count(b"/MediaBox") == 5
