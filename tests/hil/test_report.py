"""What a run hands over: JSON, HTML, pictures, JUnit, and text for the terminal."""

from __future__ import annotations

import io
import json
import os
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import pytest

from hil.events import Event
from hil.places import names_in_short
from hil.record import Dump, Record
from hil.result import Cause, Fault, LineVerdict, PositionVerdict, Result, Stage, Verdict
from hil.views.junit import junit_of
from hil.views.measured import measured
from hil.views.picture import keyboard_svg, package_svg
from hil.views.report import html_of, text_of
from hil.views.terminal import LiveView, PlainView, keyboard_lines, view_on
from keyc.keyboard import Cap, Diodes, Keyboard
from keyc.sheet.caps import Side
from tests.hil.boards import Desk, keyboard_of
from tests.hil.wirings import NOWHERE, small, wiring_of

TOOL = "hil 1.2.3"
HEADINGS = [
    "Mend first",
    "Measured",
    "The board",
    "Switch by switch",
    "Line by line",
    "Ghosting",
    "Bounce",
    "Not tested, and why",
    "How it was measured",
]
VOID = {"meta", "br", "link", "img", "hr", "input"}


def a_result(*faults: str, diodes: Diodes = Diodes.CATHODE_TO_ROW) -> Result:
    return Desk(small(diodes), faults).follow().result()


BAD = ("reversed SW1", "open SW2", "bridge GPIO3 GPIO4", "shorted SW3", "low GPIO9")


# -- JSON --------------------------------------------------------------------------------------------

WORD = {"type": "string"}
MAYBE_WORD = {"type": ["string", "null"]}
COUNT = {"type": "integer", "minimum": 0}
VERDICT = {"enum": ["pass", "fail", "incomplete", "skipped", "error", "aborted"]}


def an_object(**properties: object) -> dict[str, object]:
    return {"type": "object", "properties": properties, "required": list(properties)}


def a_list(items: object) -> dict[str, object]:
    return {"type": "array", "items": items}


# The published shape, written out again from its description, field by field.
PUBLISHED = an_object(
    schema={"const": 1},
    tool=WORD,
    verdict=VERDICT,
    board=an_object(
        flash_id=MAYBE_WORD,
        image=MAYBE_WORD,
        protocol={"type": ["integer", "null"]},
        fingerprints=an_object(wiring=MAYBE_WORD, keymap=MAYBE_WORD, engine=MAYBE_WORD),
    ),
    after=WORD,
    stages=a_list(an_object(name=WORD, verdict=VERDICT, not_tested=a_list(WORD), seconds={"type": "number"})),
    positions=a_list(
        an_object(
            switch=WORD,
            row=MAYBE_WORD,
            column=MAYBE_WORD,
            verdict={"enum": [one.value for one in PositionVerdict]},
            forward={"enum": ["low", "high", None]},
            backward={"enum": ["low", "high", None]},
            direct={"enum": ["low", "high", None]},
            answered_as=MAYBE_WORD,
            blocked_by=a_list(WORD),
            presses=COUNT,
            bounces=an_object(press=COUNT, release=COUNT),
            longest_bounce_us={"type": ["integer", "null"]},
        )
    ),
    lines=a_list(
        an_object(
            pin={"type": "string", "pattern": "^GPIO[0-9]+$"},
            package_pin={"type": "integer", "minimum": 1, "maximum": 57},
            role={"enum": ["row", "column", "direct", "light", "dial", "unused"]},
            verdict={"enum": [one.value for one in LineVerdict]},
            rise_us={"type": ["integer", "null"]},
        )
        | {"required": ["pin", "package_pin", "role", "verdict", "with", "rise_us"]}
    ),
    faults=a_list(
        an_object(
            id=WORD,
            kind=WORD,
            where=a_list(WORD),
            rank=COUNT,
            causes=a_list(an_object(what=WORD, look_at=WORD, meter=WORD)),
            evidence=a_list(WORD),
        )
    ),
    ghosting=a_list(
        an_object(
            rectangle=a_list(WORD) | {"minItems": 4, "maxItems": 4},
            ghost=WORD,
            suspect=WORD,
            proven={"type": "boolean"},
        )
    ),
    stuck=a_list(WORD),
    unreached=a_list(WORD),
    suggested_wiring=MAYBE_WORD,
    debounce={"type": "null"},
    resolution_us=COUNT,
    link=an_object(lines=COUNT, damaged=COUNT, lost=COUNT, resent=COUNT, reconnects=COUNT),
    presses=COUNT,
)


@pytest.mark.parametrize("faults", [(), BAD, ("swapped SW1 SW2",), ("closed SW7",), ("open GPIO2",)])
def test_the_json_has_the_published_shape(faults: tuple[str, ...]) -> None:
    value = json.loads(json.dumps(a_result(*faults).as_json(TOOL)))
    jsonschema.validate(value, PUBLISHED)
    assert list(value)[:2] == ["schema", "tool"]
    assert "with" in value
    assert len(value["positions"]) == 13


def test_a_run_that_never_came_to_positions_has_them_all_untested() -> None:
    from hil.link import Counters
    from hil.outcome import Account, Found, result_of
    from hil.result import Identity

    desk = Desk(small())
    result = result_of(
        Account(
            keyboard=keyboard_of(small()),
            matrix=desk.matrix,
            board=Identity(),
            can={},
            found=Found(),
            stages=(Stage("hello", Verdict.ERROR),),
            link=Counters(),
            trouble="nobody is there",
        ),
        after="",
        tool="finger",
    )
    jsonschema.validate(json.loads(json.dumps(result.as_json(TOOL))), PUBLISHED)
    assert result.verdict is Verdict.ERROR
    assert {one.verdict for one in result.positions} == {PositionVerdict.UNTESTED}
    assert "nobody is there" in text_of(result)
    assert "nobody is there" in html_of(result, keyboard_of(small()), tool=TOOL)


def test_suggested_wiring_is_a_diff_that_mends_the_file() -> None:
    """Applied by hand, the file's `wiring` names the switches as they answered."""
    from hil.hands import FingerHand
    from hil.link import Link
    from hil.session import Session
    from hil.transport import BoardTransport
    from hil.virtual import Finger, board_of
    from keyc.compile import check_text
    from keyc.fingerprints import fingerprints
    from keyc.source import Source

    text = """keyboard "Four" { usb 0x1209:0x0001 maker "Nobody" }
wiring {
    diodes cathode-to-row
    columns    GPIO6 GPIO7
    row GPIO2  SW1   SW2
    row GPIO3  SW3   SW4
}
shape {
    SW1 SW2
    SW3 SW4
}
layer base {
    A B
    C usb-boot
}
"""
    from hil.faults import parse_fault

    keyboard, _ = check_text(Source("four.keys", text))
    assert keyboard is not None
    finger = Finger(board_of(keyboard, [parse_fault("swapped SW1 SW4", keyboard.wiring)]))
    result = Session(
        keyboard, Link(BoardTransport(finger)), FingerHand(finger), fingerprints(keyboard).wiring
    ).run()
    assert result.suggested_wiring is not None
    changed = [line for line in result.suggested_wiring.splitlines() if re.match(r"[+-] ", line)]
    assert changed == [
        "-    row GPIO2  SW1   SW2",
        "-    row GPIO3  SW3   SW4",
        "+    row GPIO2  SW4   SW2",
        "+    row GPIO3  SW3   SW1",
    ]
    assert result.suggested_wiring in text_of(result) + "\n"


# -- HTML --------------------------------------------------------------------------------------------


class Page(HTMLParser):
    """Collects a page's headings, text, and tags; fails on one that isn't closed."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.headings: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)
        if tag == "h2":
            self.headings.append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] == "h2":
            self.headings[-1] += data
        self.text += data


@pytest.mark.parametrize("side", ["front", "back"])
@pytest.mark.parametrize("faults", [(), BAD, ("swapped SW1 SW2",), ("closed SW7",)])
def test_the_report_has_its_headings_and_needs_nothing_else(faults: tuple[str, ...], side: str) -> None:
    text = html_of(a_result(*faults), keyboard_of(small()), tool=TOOL, side=side)  # type: ignore[arg-type]
    page = Page(text)
    assert page.headings == HEADINGS
    # Stand-alone: nothing that a browser would fetch or run.
    assert not {tag for tag, _ in page.tags} & {"script", "link", "img", "iframe", "object", "form", "a"}
    attributes = {name for _, attributes in page.tags for name in attributes}
    assert not attributes & {"src", "href", "xlink:href", "style", "srcset"}
    assert not any(name.startswith("on") for name in attributes)
    assert "url(" not in text
    assert "@import" not in text


def test_the_report_says_what_the_result_says() -> None:
    result = a_result(*BAD)
    text = Page(html_of(result, keyboard_of(small()), tool=TOOL)).text
    for fault in result.faults:
        assert f"{fault.rank}. {fault.title}" in text
        for cause in fault.causes:
            assert cause.look_at in text
            assert cause.meter in text
    for reason in result.not_tested:
        assert reason.partition(": ")[2] in text or reason in text  # switches with one reason share a line
    assert "Unplug the board before you bring an iron or a meter to it" in text
    assert TOOL in text


NASTY = '"><script>alert(1)</script>'


def renamed(name: str) -> tuple[Keyboard, Result]:
    """A keyboard whose first switch, diode and title are called so; names like that never pass the compiler,
    but the report doesn't count on it."""
    wiring = small()
    first = wiring.switches[0].replaced(name=name, diode=name)
    wiring = wiring.replaced(switches=(first, *wiring.switches[1:]))
    result = Desk(wiring, [f"low GPIO{9}"]).follow().result()
    return keyboard_of(wiring).replaced(title=name), replace(result, keyboard=name, after=name, trouble=name)


@pytest.mark.parametrize(
    "name", [NASTY, "{{ 7 * 7 }}", "</title><b>", "a&b<c", "*/ ??/ \u202e\u0000\ufffe", "ö" * 60]
)
def test_names_are_shown_and_never_obeyed(name: str) -> None:
    keyboard, result = renamed(name)
    text = html_of(result, keyboard, tool=TOOL)
    page = Page(text)
    assert page.headings == HEADINGS
    assert not {tag for tag, _ in page.tags} & {"script", "b"}
    assert "49" not in re.findall(r"<h1>(.*?)</h1>", text)[0]
    ElementTree.fromstring(junit_of(result))
    ElementTree.fromstring(keyboard_svg(keyboard, result.positions))
    text_of(result)


# -- pictures ----------------------------------------------------------------------------------------


def caps_in(svg: str) -> dict[str, tuple[float, float]]:
    """Per switch where its cap is drawn."""
    root = ElementTree.fromstring(svg)
    found = {}
    for group in root.findall("g"):
        title = group.findtext("title") or ""
        place = re.match(r"translate\(([-\d.]+) ([-\d.]+)\)", group.get("transform", ""))
        assert place
        found[title.split(":")[0]] = (float(place[1]), float(place[2]))
    return found


def test_the_solder_side_is_mirrored() -> None:
    keyboard = keyboard_of(small())
    result = a_result()
    front, back = (caps_in(keyboard_svg(keyboard, result.positions, side)) for side in ("front", "back"))
    width = max(x for x, _ in front.values()) + min(x for x, _ in front.values())
    assert front["SW1"][0] < front["SW4"][0]
    for name, (x, y) in front.items():
        assert back[name][0] == pytest.approx(width - x)
        assert back[name][1] == y


def test_a_turned_cap_turns_the_other_way_on_the_solder_side() -> None:
    keyboard = keyboard_of(wiring_of((2,), (6, 7)))
    caps = (Cap("SW1", 0.5, 0.5, 1, 1, 15, 0, NOWHERE), keyboard.caps[1])
    keyboard = keyboard.replaced(caps=caps)
    positions = Desk(keyboard.wiring).follow().result().positions
    assert "rotate(15)" in keyboard_svg(keyboard, positions, "front")
    assert "rotate(-15)" in keyboard_svg(keyboard, positions, "back")


def test_every_state_has_a_word_and_a_mark_of_its_own() -> None:
    keyboard = keyboard_of(wiring_of((2,), (6,)))
    position = Desk(keyboard.wiring).follow().result().positions[0]
    drawn = {}
    for verdict in PositionVerdict:
        svg = keyboard_svg(keyboard, [replace(position, verdict=verdict)])
        assert f">{verdict.value}</text>" in svg
        # Without its colours, too, each picture is another one.
        drawn[verdict] = re.sub(r"#[0-9A-Fa-f]{6}", "", svg.replace(verdict.value, ""))
    assert len(set(drawn.values())) == len(PositionVerdict)


def test_the_package_has_its_pins_where_the_datasheet_has_them() -> None:
    """QFN-56 from above, pin 1 at the top left, counted against the clock: 1-14 down the left side, 15-28
    along the bottom, 29-42 up the right side, 43-56 back along the top (RP2040 datasheet, "Pinout")."""
    root = ElementTree.fromstring(package_svg(()))
    at = {}
    for text in root.findall("text"):
        number = re.search(r"^\d+|\d+$", text.text or "")
        if text.get("dominant-baseline") and number:
            label = (text.text or "").split()
            digits = next(int(word) for word in (label[0], label[-1]) if word.isdigit())
            at[digits] = (float(text.get("x", "0")), float(text.get("y", "0")))
    assert sorted(at) == list(range(1, 57))
    left, bottom, right, top = ([at[n] for n in range(a, a + 14)] for a in (1, 15, 29, 43))
    assert all(x < -100 for x, _ in left)
    assert all(y > 100 for _, y in bottom)
    assert all(x > 100 for x, _ in right)
    assert all(y < -100 for _, y in top)
    assert [y for _, y in left] == sorted(y for _, y in left)
    assert [x for x, _ in bottom] == sorted(x for x, _ in bottom)
    assert [y for _, y in right] == sorted((y for _, y in right), reverse=True)
    assert [x for x, _ in top] == sorted((x for x, _ in top), reverse=True)
    dot = root.find("circle")
    assert dot is not None
    assert float(dot.get("cx", "0")) < 0 > float(dot.get("cy", "0"))


def test_no_iron_is_sent_to_a_pin_whose_track_is_cut_further_on() -> None:
    """A pin that is pointed at is marked by a path. SW1 answers through that of GPIO2: its joint is good."""
    marked = [
        html_of(a_result(fault), keyboard_of(small()), tool="hil test")
        .split('class="package"')[1]
        .split("</svg>")[0]
        for fault in ("cut GPIO2 after SW1", "open GPIO2")
    ]
    assert ["<path" in drawing for drawing in marked] == [False, True]


def test_a_broken_line_is_tied_to_nothing() -> None:
    assert measured(a_result("cut GPIO2 after SW1"))[0].startswith("lines: all 30 pins are tied to nothing")


# -- JUnit -------------------------------------------------------------------------------------------


def test_junit_counts_what_it_holds() -> None:
    result = a_result(*BAD)
    suite = ElementTree.fromstring(junit_of(result)).find("testsuite")
    assert suite is not None
    cases = suite.findall("testcase")
    assert int(suite.get("tests", "0")) == len(cases)
    assert int(suite.get("failures", "0")) == len(suite.findall("testcase/failure"))
    assert int(suite.get("skipped", "0")) == len(suite.findall("testcase/skipped"))
    by_name = {case.get("name"): case for case in cases}
    assert by_name["SW1"].find("failure") is not None
    assert by_name["SW5"].find("skipped") is not None
    assert by_name["GPIO3"].find("failure") is not None
    assert by_name["SW13"].find("failure") is None
    assert by_name["rig"].find("error") is None


def test_junit_tells_of_a_switch_its_own_fault_before_one_that_it_shares() -> None:
    result = a_result()
    why = Cause("its contact is worn", "the switch", "on ohms")
    shared = Fault("cut", ("GPIO2", "after", "SW1"), 1, (Cause("a track", "x", "y"),), (), switches=("SW2",))
    own = Fault("bounces", ("SW2",), 2, (why,), (), switches=("SW2",))
    positions = tuple(
        replace(one, verdict=PositionVerdict.CHATTERING) if one.switch == "SW2" else one
        for one in result.positions
    )
    told = junit_of(replace(result, faults=(shared, own), positions=positions))
    (failure,) = ElementTree.fromstring(told).findall("testsuite/testcase/failure")
    assert (failure.get("message"), failure.text) == ("chattering", "its contact is worn: the switch")


def test_junit_of_a_rig_that_failed() -> None:
    result = replace(a_result(), verdict=Verdict.ERROR, trouble="the port went away")
    case = ElementTree.fromstring(junit_of(result)).find("testsuite/testcase/error")
    assert case is not None
    assert case.get("message") == "the port went away"


# Which attributes and elements may be in which: junit-10.xsd of the Jenkins xUnit plug-in, the schema that
# readers of such files are checked with. `!`: must be there.
JUNIT = {
    "testsuites": ({"name", "time", "tests", "failures", "errors"}, {"testsuite"}),
    "testsuite": (
        {"name!", "tests!", "failures!", "errors!", "skipped", "time", "timestamp", "hostname"},
        {"testcase", "properties", "system-out", "system-err"},
    ),
    "testcase": ({"name!", "time", "classname"}, {"skipped", "error", "failure", "system-out"}),
    "failure": ({"type", "message"}, set()),
    "error": ({"type", "message"}, set()),
    "skipped": ({"type", "message"}, set()),
}


@pytest.mark.parametrize("faults", [(), BAD, ("low GPIO9",)])
def test_junit_holds_what_its_schema_lets_it(faults: tuple[str, ...]) -> None:
    root = ElementTree.fromstring(junit_of(a_result(*faults)))
    assert root.tag == "testsuites"
    for element in root.iter():
        attributes, children = JUNIT[element.tag]
        assert set(element.keys()) <= {name.rstrip("!") for name in attributes}
        assert {name[:-1] for name in attributes if name.endswith("!")} <= set(element.keys())
        assert {child.tag for child in element} <= children
        assert re.fullmatch(r"([0-9]+(\.[0-9]{1,3})?)?", element.get("time", ""))


# -- the terminal ------------------------------------------------------------------------------------


@pytest.mark.parametrize("faults", [(), BAD, ("open GPIO2",), ("swapped GPIO2 GPIO4",), ("closed SW13",)])
def test_text_fits_80_columns(faults: tuple[str, ...]) -> None:
    text = text_of(a_result(*faults))
    assert max(map(len, text.splitlines())) <= 80
    assert "\x1b" not in text


def test_switches_with_one_reason_share_a_line() -> None:
    text = text_of(a_result("bridge GPIO3 GPIO4"))
    assert "SW5 to SW12: bridge GPIO3 GPIO4" in text


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def test_the_view_is_plain_where_there_is_no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    keyboard = keyboard_of(small())
    monkeypatch.setenv("TERM", "xterm")
    assert isinstance(view_on(io.StringIO(), keyboard), PlainView)
    assert isinstance(view_on(Terminal(), keyboard), LiveView)
    monkeypatch.setenv("TERM", "dumb")
    assert isinstance(view_on(Terminal(), keyboard), PlainView)


def test_the_plain_view_has_no_control_characters() -> None:
    stream = io.StringIO()
    view = PlainView(stream)
    view.show(
        Event("prompt", "press SW1: row 1", switch="SW1", instead="SW2", proven=0, total=13, again=True)
    )
    view.show(Event("verdict", "SW1: open", switch="SW1", verdict="open"))
    assert stream.getvalue() == (
        "[0 of 13 proven] press SW1: row 1\n    no answer? then touch SW2\n    SW1: open\n"
    )


def test_the_live_view_rings_shows_marks_and_stays_within_80_columns() -> None:
    keyboard = keyboard_of(small())
    stream = Terminal()
    view = LiveView(stream, keyboard.caps)
    view.show(Event("prompt", "", switch="SW2", instead="SW3", place="row 1", proven=1, total=13))
    view.show(Event("press", "SW2 answers", switch="SW2", asked="SW2", meant="good"))
    view.show(Event("verdict", "SW5: reversed", switch="SW5", verdict="reversed"))
    view.show(Event("ended", ""))
    text = stream.getvalue()
    assert text.count("\a") == 3  # one for good, two for a fault
    assert "✓SW2" in text
    assert "✗SW5" in text
    assert "▶SW2" in text
    plain = re.sub(r"\x1b\[[0-9]*[A-Z]", "", text)
    assert max(map(len, plain.splitlines())) <= 80
    assert not re.search(r"\x1b\[[0-9;]*m", text)  # no colour, ever


def test_the_live_view_says_how_far_a_stage_is_and_what_has_to_be_done_first() -> None:
    stream = Terminal()
    view = LiveView(stream, keyboard_of(small()).caps)

    def shown(event: Event) -> str:
        stream.truncate(stream.seek(0))
        view.show(event)
        return stream.getvalue()

    both = ("SW1", "SW2")
    text = shown(Event("prompt", "hold down SW1 and SW2; squeeze", switch="SW1", together=both))
    assert "Hold down SW1 and SW2; squeeze" in text
    text = shown(Event("counted", "held for 9 of 10 s", stage="flex", together=both, proven=9, total=10))
    assert "held for 9 of 10 s." in text
    assert "\a" not in text
    text = shown(Event("counted", "held for 10 of 10 s", stage="flex", together=both, proven=10, total=10))
    assert "\a" in text  # whoever squeezes has no eye for the screen
    text = shown(Event("trouble", "the board is gone: plug it in again"))
    assert "The board is gone: plug it in again" in text
    assert "Hold down" not in text
    assert "Hold down SW1 and SW2" in shown(Event("back", "it goes on where it was"))


@pytest.mark.parametrize("make", [LiveView, lambda stream, caps: PlainView(stream)], ids=["live", "plain"])
def test_a_narrow_terminal_folds_what_to_do_and_cuts_nothing(
    monkeypatch: pytest.MonkeyPatch, make: Callable[[Terminal, Sequence[Cap]], LiveView | PlainView]
) -> None:
    monkeypatch.setattr("hil.views.terminal._size_of", lambda stream: os.terminal_size((50, 24)))
    stream = Terminal()
    what = "hold down SW1, SW2 and SW3 together, then let go: row 1, 1st, 2nd and 3rd from the left"
    make(stream, keyboard_of(small()).caps).show(
        Event("prompt", what, switch="SW1", together=("SW1", "SW2", "SW3"), proven=0, total=6)
    )
    assert max(map(len, stream.getvalue().splitlines())) <= 50
    assert what[1:] in " ".join(stream.getvalue().split())


def test_what_the_stages_measured_is_told() -> None:
    assert measured(a_result())[0].startswith("lines: all 30 pins are tied to nothing")
    assert measured(a_result("low GPIO9"))[0].startswith("lines: 29 of 30 pins are tied to nothing")
    left = Stage("bounce", Verdict.SKIPPED, ("how contacts bounce: not asked for",))
    result = a_result()
    text = text_of(replace(result, stages=(*result.stages, left)))
    assert text.index("Measured") < text.index("Not tested, and why")


MARKS = {"proven": "+", "answers": "o", "bad": "x", "untested": ".", "next": ">"}


def test_a_wide_keyboard_fits_the_terminal() -> None:
    keyboard = keyboard_of(wiring_of((0, 1, 2, 3, 4, 5), tuple(range(6, 23))))
    verdicts = {"SW1": "proven", "SW102": "open"}
    lines = keyboard_lines(keyboard.caps, verdicts, frozenset({"SW2"}), MARKS)
    assert len(lines) == 6
    assert max(map(len, lines)) <= 80
    assert lines[0].split()[:3] == ["+1", ">2", ".3"]
    assert lines[5].split()[-1].endswith("x02")
    assert max(map(len, keyboard_lines(keyboard.caps, verdicts, frozenset({"SW2"}), MARKS, columns=60))) <= 60


# The blocks of a keyboard with 104 keys, in key units: a cap as wide as a number says, or a gap.
FULL_SIZE: list[list[float | str]] = [
    [1, "1", 1, 1, 1, 1, "0.5", 1, 1, 1, 1, "0.5", 1, 1, 1, 1, "0.25", 1, 1, 1],
    [*[1] * 13, 2, "0.25", 1, 1, 1, "0.25", 1, 1, 1, 1],
    [1.5, *[1] * 12, 1.5, "0.25", 1, 1, 1, "0.25", 1, 1, 1, 1],
    [1.75, *[1] * 11, 2.25, "3.5", 1, 1, 1],
    [2.25, *[1] * 10, 2.75, "1.25", 1, "1.25", 1, 1, 1, 1],
    [*[1.25] * 3, 6.25, *[1.25] * 4, "0.25", 1, 1, 1, "0.25", 2, 1],
]


def full_size() -> Keyboard:
    caps: list[Cap] = []
    for line, widths in enumerate(FULL_SIZE):
        x = 0.0
        for width in widths:
            if not isinstance(width, str):
                caps.append(Cap(f"SW{len(caps) + 1}", x + width / 2, line + 0.5, width, 1, 0, line, NOWHERE))
            x += float(width)
    wiring = wiring_of(tuple(range(8)), tuple(range(8, 21)))
    return keyboard_of(wiring).replaced(caps=tuple(caps))


@pytest.mark.parametrize("side", ["front", "back"])
def test_104_keys_fit_a_screen_of_80_by_24(side: Side) -> None:
    keyboard = full_size()
    lines = keyboard_lines(keyboard.caps, {"SW1": "proven"}, frozenset({"SW16"}), MARKS, side)
    assert max(map(len, lines)) <= 80
    words = [word for line in lines for word in re.findall(r"[+.>x][0-9]+", line)]
    assert len(words) == 104  # none hides another
    assert lines[0].split()[0 if side == "front" else -1] == "+1"
    stream = Terminal()
    view = LiveView(stream, keyboard.caps, side)
    prompt = Event(
        "prompt", "", switch="SW16", instead="SW17", place="row 1", proven=1, total=104, again=True
    )
    view.show(prompt)
    assert stream.getvalue().count("\n") <= 23


def test_a_long_result_ends_with_a_summary_of_a_screen() -> None:
    result = Desk(full_size().wiring, [f"open SW{n}" for n in range(1, 41)]).follow().result()
    lines = text_of(result).splitlines()
    summary = lines[lines.index(next(line for line in lines if line.startswith("In short: "))) :]
    assert 4 <= len(summary) <= 22
    assert max(map(len, lines)) <= 80
    assert "64 of 104 switches proven" in summary[0]
    assert "In short" not in text_of(a_result())


@pytest.mark.parametrize(
    ("names", "short"),
    [
        ([], ""),
        (["SW1"], "SW1"),
        (["SW1", "SW2"], "SW1, SW2"),
        (["SW9", "SW10", "SW11", "LEFT", "RIGHT", "K1", "K2", "K3"], "SW9 to SW11, LEFT, RIGHT, K1 to K3"),
        (["SW1", "SW3", "SW4", "SW6"], "SW1, SW3, SW4, SW6"),
        (["SW01", "SW2", "SW3"], "SW01, SW2, SW3"),
        (["7", "8", "9"], "7 to 9"),
    ],
)
def test_names_that_count_up_are_told_by_their_ends(names: list[str], short: str) -> None:
    assert names_in_short(names) == short


# -- the record --------------------------------------------------------------------------------------


def test_a_record_is_appended_and_whole_after_each_line(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    for _ in range(2):
        record = Record(path, tool=TOOL, keyboard="K", when="2000-01-01", after="bare")
        record.event(Event("verdict", "SW1: proven", switch="SW1", verdict="proven"))
        record.event(Event("press", "SW1 answers", switch="SW1"))  # what the person did isn't kept
        lines = path.read_text().splitlines()  # before it is closed: as after a pulled plug
        assert json.loads(lines[-1])["event"] == "verdict"
        record.result(a_result())
        record.close()
    events = [json.loads(line)["event"] for line in path.read_text().splitlines()]
    assert events == ["began", "verdict", "result"] * 2


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_is_told_and_does_not_stop_the_run() -> None:
    dump = Dump(Path("/dev/full"))
    dump.note("asked", 0, 1)
    dump.note("asked", 1, 2)
    dump.close()
    assert dump.failure is not None
    assert "could not be written to its end" in dump.failure
