"""The page of a run: who is let in, what it shows, what it hears; in a real browser and without one."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
import threading
import time
import webbrowser
from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hil.conversation import Settings
from hil.events import Event
from hil.faults import parse_fault
from hil.hands import FingerHand, Person
from hil.host_board import HostBoard
from hil.link import Link
from hil.result import Result
from hil.session import Session
from hil.stages.typing import KeyReceived
from hil.transport import BoardTransport, SerialTransport
from hil.views.page import Heard, Page, show_in_browser
from hil.virtual import Finger, PtyPort, Server, board_of
from keyc.fingerprints import fingerprints
from keyc.tables import tables_of
from tests.hil import browser
from tests.hil.boards import keyboard_of
from tests.hil.browser import Browser, Tab
from tests.hil.test_typing import KEYBOARD as LETTERED
from tests.hil.wirings import small

KEYBOARD = keyboard_of(small())
PROMPT = Event(
    "prompt",
    "press SW5 once more: …",
    switch="SW5",
    instead="SW6",
    place="…",
    proven=4,
    total=13,
    again=False,
)


@pytest.fixture
def page() -> Iterator[Page]:
    page = Page(KEYBOARD, "front")
    yield page
    page.close()


def run_of(page: Page, *faults: str, check: dict[str, Any] | None = None) -> Result:
    """A whole run against a virtual board. `check`: what to do after an event of a kind, once."""
    once = dict(check or {})

    def tell(event: Event) -> None:
        page.show(event)
        then = once.pop(event.kind, None)
        if then is not None:
            then(event)

    finger = Finger(board_of(KEYBOARD, [parse_fault(text, KEYBOARD.wiring) for text in faults]))
    link, hand = Link(BoardTransport(finger)), FingerHand(finger)
    result = Session(KEYBOARD, link, hand, fingerprints(KEYBOARD).wiring, Settings(), tell=tell).run()
    page.finish(result)
    assert not once, "such an event never came"
    return result


# -- who is let in -------------------------------------------------------------------------------------


def asked(
    page: Page, name: str = "", body: object = None, *, token: str | None = None, **headers: str | None
) -> tuple[int, dict[str, str], str]:
    """A request as the page would send it, but for what is given: status, headers, text."""
    _, _, host, own_token, _ = page.address.split("/")
    port = int(host.split(":")[1])
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    sent = {"Host": host} | ({} if body is None else {"Origin": f"http://{host}"})
    sent |= {key: value for key, value in headers.items() if value is not None}
    for key, value in headers.items():
        if value is None:
            sent.pop(key)
    method = "GET" if body is None else "POST"
    connection.putrequest(method, f"/{own_token if token is None else token}/{name}", skip_host=True)
    data = b"" if body is None else json.dumps(body).encode()
    for key, value in sent.items():
        connection.putheader(key, value.replace("PORT", str(port)))
    if body is not None:
        connection.putheader("Content-Length", str(len(data)))
    connection.endheaders(data)
    answer = connection.getresponse()
    told = answer.status, dict(answer.headers), answer.read().decode()
    connection.close()
    return told


def test_it_listens_on_loopback_with_a_token_in_its_address(page: Page) -> None:
    assert page.address.startswith("http://127.0.0.1:")
    token = page.address.split("/")[3]
    # 128 bits in base64 without padding (RFC 4648, section 5): 22 characters.
    assert len(token) >= 22
    other = Page(KEYBOARD, "front")
    assert other.address.split("/")[3] != token
    other.close()


@pytest.mark.parametrize(
    ("what", "status"),
    [
        ({}, 200),
        ({"Origin": "http://127.0.0.1:PORT"}, 200),
        ({"token": ""}, 404),
        ({"token": "x" * 22}, 404),
        ({"Host": "localhost:PORT"}, 403),  # any other name may be one that an attacker's DNS leads here
        ({"Host": "bench.example:PORT"}, 403),
        ({"Host": "127.0.0.1"}, 403),
        ({"Host": None}, 403),
        ({"Origin": "http://bench.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "http://127.0.0.1:1"}, 403),
    ],
)
def test_only_the_page_itself_gets_in(page: Page, what: dict[str, str | None], status: int) -> None:
    for name in ("", "page.js"):
        assert asked(page, name, **what)[0] == status


@pytest.mark.parametrize(
    ("what", "status"),
    [
        ({}, 204),
        ({"token": "x" * 22}, 404),
        ({"Host": "bench.example:PORT"}, 403),
        ({"Origin": "http://bench.example"}, 403),
        ({"Origin": "https://127.0.0.1:PORT"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": None}, 403),
    ],
)
def test_only_the_page_itself_is_listened_to(page: Page, what: dict[str, str | None], status: int) -> None:
    heard: list[Heard] = []
    page.listener = heard.append
    key = {"code": "KeyA", "down": True, "t_ms": 12.5}
    assert asked(page, "key", key, **what)[0] == status
    assert heard == ([Heard("KeyA", True, 12.5)] if status == 204 else [])
    asked(page, "silent", True, **what)
    assert page.gave_up() == (status == 204)
    assert not page.gave_up()


@pytest.mark.parametrize(
    ("name", "body"),
    [
        ("key", {"code": "KeyA", "down": True}),
        ("key", {"code": "KeyA", "down": 1, "t_ms": 1}),
        ("key", {"code": "<b>", "down": True, "t_ms": 1}),
        ("key", {"code": "K" * 200, "down": True, "t_ms": 1}),
        ("key", {"code": "KeyA", "down": True, "t_ms": float("inf")}),
        ("key", {"code": "KeyA", "down": True, "t_ms": True}),
        ("key", {"code": "KeyA", "down": True, "t_ms": 1, "more": 1}),
        ("key", []),
        ("silent", False),
        ("stop", True),
        ("", True),
    ],
)
def test_what_means_nothing_is_refused(page: Page, name: str, body: object) -> None:
    heard: list[Heard] = []
    page.listener = heard.append
    assert asked(page, name, body)[0] == 400
    assert heard == []
    assert not page.gave_up()


@pytest.mark.parametrize("length", ["100000", "-1", "1e3", "²", ""])
def test_a_length_that_is_too_much_or_none_is_refused_before_anything_is_read(
    page: Page, length: str
) -> None:
    _, _, host, token, _ = page.address.split("/")
    connection = http.client.HTTPConnection(host, timeout=10)
    connection.putrequest("POST", f"/{token}/key")
    connection.putheader("Origin", f"http://{host}")
    connection.putheader("Content-Length", length.encode("latin-1"))
    connection.endheaders()
    assert connection.getresponse().status == 413
    connection.close()


def test_the_browser_is_told_to_load_nothing_else(page: Page) -> None:
    _, headers, text = asked(page)
    policy = dict(part.strip().partition(" ")[::2] for part in headers["Content-Security-Policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert headers["Cache-Control"] == "no-store"
    assert "://" not in text.replace("http://www.w3.org/2000/svg", "")
    assert asked(page, "report")[0] == 404  # none was written
    page.offer("<p>report</p>", "x.html")
    assert asked(page, "report")[2] == "<p>report</p>"


# -- what it shows -------------------------------------------------------------------------------------


def first_state(page: Page) -> dict[str, Any]:
    """What a page that has just been opened is told."""
    answer = opened(page.address)
    assert answer.headers["Content-Type"] == "text/event-stream"
    line = answer.readline().decode()
    assert line.startswith("data: ")
    assert answer.readline() == b"\n"
    answer.close()
    return dict(json.loads(line[len("data: ") :]))


def test_a_page_that_is_opened_late_or_again_knows_it_all(page: Page) -> None:
    seen = {}
    result = run_of(page, "reversed SW7", check={"prompt": lambda event: seen.update(first_state(page))})
    assert seen["next"]["name"] == "SW1"
    assert seen["next"]["places"]["front"].startswith("row 1, 1st from the left")
    assert seen["next"]["places"]["back"].startswith("row 1, 1st from the right")
    assert seen["stage"]["name"] == "positions"
    ended = first_state(page)
    assert ended == first_state(page)
    assert ended["ended"]["verdict"] == result.verdict.value == "fail"
    assert [fault["title"] for fault in ended["ended"]["faults"]] == ["reversed SW7"]
    assert ended["counts"] == {"proven": 12, "reversed": 1}
    assert len(ended["caps"]) == 13
    assert ended["proven"] == 12


def test_closing_is_bounded_with_pages_open(page: Page) -> None:
    answers = [opened(page.address) for _ in range(3)]
    for answer in answers:
        assert answer.readline().startswith(b"data: ")
    page.close()
    for answer in answers:
        answer.read()  # comes to its end


def test_it_stays_while_it_is_open_and_not_longer(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hil.views.page._RELOAD_S", 0.4)
    monkeypatch.setattr("hil.views.page_server._SIGN_OF_LIFE_S", 0.1)
    answer = opened(page.address)
    looks: list[int] = []
    page.stay(lambda: looks.append(1) or len(looks) > 5)  # type: ignore[func-returns-value]
    assert len(looks) == 6
    answer.close()
    page.stay(lambda: False)


# -- as a command --------------------------------------------------------------------------------------


def bench_with_page(*arguments: str) -> tuple[subprocess.Popen[str], str]:
    """`hil bench` with a page that no browser opens, and the page's address."""
    command = [sys.executable, "-m", "hil.cli", "bench", *arguments, "--page", "--no-browser"]
    bench = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert bench.stderr is not None
    line = bench.stderr.readline()
    assert line.startswith("page: http://127.0.0.1:")
    return bench, line.split()[1]


def opened(address: str) -> http.client.HTTPResponse:
    """The events of a page at this address, open until closed."""
    _, _, host, token, _ = address.split("/")
    connection = http.client.HTTPConnection(host, timeout=60)
    connection.request("GET", f"/{token}/events")
    return connection.getresponse()


def until(answer: http.client.HTTPResponse, part: str) -> Any:
    """What the page is told of this part, as soon as it is anything."""
    while line := answer.readline().decode():
        value = json.loads(line[len("data: ") :]) if line.startswith("data: ") else {}
        if value.get(part):
            return value[part]
    raise AssertionError(f"the page ended before {part}")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "six.keys"
    path.write_text(
        'keyboard "Six" { usb 0x1209:0x0001  maker "Nobody" }\n'
        "wiring {\n diodes cathode-to-row\n columns GPIO6 GPIO7\n row GPIO2 SW1 SW2\n row GPIO3 SW3 SW4\n"
        " direct GPIO10 SW5\n direct GPIO11 SW6\n}\n"
        "shape {\n SW1 SW2\n SW3 SW4\n SW5 SW6\n}\nlayer base {\n A B\n C D\n E usb-boot\n}\n"
    )
    return path


def test_a_command_with_a_page_ends_when_it_is_closed(file: Path, tmp_path: Path) -> None:
    report = tmp_path / "six.html"
    bench, address = bench_with_page(str(file), "--virtual", "--fault", "open SW4", "--report", str(report))
    page = opened(address)
    assert until(page, "ended")["text"] == "5 of 6 switches proven, 1 fault"
    assert until(page, "report") == str(report)
    page.close()
    out, err = bench.communicate(timeout=60)
    assert bench.returncode == 1, err
    assert "1. open SW4" in out
    assert "the page stays until you close it" in err


def test_ctrl_c_with_a_page_open_leaves_a_true_record(file: Path) -> None:
    command = [sys.executable, "-m", "hil.cli", "virtual", str(file), "--socket", "0"]
    board = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert board.stdin is not None
        assert board.stdout is not None
        bench, address = bench_with_page(str(file), "--port", board.stdout.readline().strip())
        page = opened(address)
        assert until(page, "next")["name"] == "SW1"
        board.stdin.write("tap SW1 30ms\n")
        board.stdin.flush()
        while until(page, "next")["name"] != "SW2":
            pass
        while until(page, "proven") != 1:
            pass
        bench.send_signal(signal.SIGINT)
        assert until(page, "ended")["verdict"] == "aborted"
        out, err = bench.communicate(timeout=60)  # though the page is still open
        assert bench.returncode == 130, err
        assert out.startswith("Six: stopped, 1 of 6 switches proven")
        lines = file.with_name("six.bench.jsonl").read_text("utf-8").splitlines()
        result = json.loads(lines[-1])["result"]
        assert result["verdict"] == "aborted"
        assert [one["verdict"] for one in result["positions"]] == ["proven", *["untested"] * 5]
    finally:
        board.terminate()
        board.wait(timeout=10)


def test_a_browser_needs_a_page(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from hil.cli import main

    assert main(["bench", str(file), "--virtual", "--no-browser"]) == 2
    assert "add --page" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "opened"), [("w3m", False), ("/usr/bin/lynx", False), ("firefox", True), ("wslview", True)]
)
def test_a_browser_in_the_terminal_is_left_alone(
    name: str, opened: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    browser = webbrowser.GenericBrowser(name)

    def opens(url: str) -> bool:
        asked.append(url)
        return True

    monkeypatch.setattr(browser, "open", opens)
    monkeypatch.setattr(webbrowser, "get", lambda: browser)
    assert show_in_browser("http://127.0.0.1:1/x/") == opened
    end = time.monotonic() + 30
    while opened and not asked:
        assert time.monotonic() < end
    assert asked == ["http://127.0.0.1:1/x/"] * opened


# -- in a browser --------------------------------------------------------------------------------------

in_a_browser = pytest.mark.skipif(browser.FOUND is None, reason="needs Chromium")

# Notes what is played: each oscillator's first frequency, as it starts.
LISTEN = """
window.played = [];
const make = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () {
    const one = make.call(this), start = one.start, set = one.frequency.setValueAtTime;
    let hertz = null;
    one.frequency.setValueAtTime = function (value, when) {
        hertz ??= value;
        return set.call(this, value, when);
    };
    one.start = function (when) { window.played.push(hertz); return start.call(this, when); };
    return one;
};
"""


SIZE = """(() => {
    const range = document.createRange();
    range.selectNode(document.getElementById("NAME"));
    const { top, bottom } = range.getBoundingClientRect();
    return [top, bottom, innerHeight];
})()"""


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("profile")) as chromium:
        yield chromium


@pytest.fixture
def tab(page: Page, chromium: Browser) -> Iterator[Tab]:
    tab = chromium.page("about:blank")
    tab.call("Page.addScriptToEvaluateOnNewDocument", source=LISTEN)
    tab.call("Page.navigate", url=page.address)
    tab.wait("document.getElementById('count')?.textContent === '0 of 13 proven'")
    yield tab
    assert tab.complaints() == []
    tab.close()


def word_of(tab: Tab, number: int, side: str = "front") -> str:
    """What is written at the foot of a cap."""
    return str(
        tab.value(f"document.querySelector('#{side} svg > g:nth-of-type({number})').lastChild.textContent")
    )


@in_a_browser
def test_the_next_switch_is_a_third_of_the_screen_high(page: Page, tab: Tab) -> None:
    page.show(PROMPT)
    tab.wait("document.getElementById('name').textContent === 'SW5'")
    top, bottom, screen = tab.value(SIZE.replace("NAME", "next"))
    assert bottom - top >= screen / 3
    assert 0 <= top < bottom <= screen
    top, bottom, _ = tab.value(SIZE.replace("NAME", "name"))
    assert bottom - top >= screen / 5
    assert tab.text("place") == "row 2, 1st from the left (GPIO3, GPIO6)"
    assert tab.text("hint") == "Once more. No answer? Then touch SW6."
    assert word_of(tab, 5) == "press"
    # All of it on one screen.
    assert tab.value("document.documentElement.scrollHeight <= innerHeight")
    page.show(Event("prompt", "hold down SW1, SW2 and SW6: …", switch="SW1", together=("SW1", "SW2", "SW6")))
    tab.wait("document.getElementById('name').textContent === 'SW1 + SW2 + SW6'")
    assert tab.text("hint").strip() == "Hold down these."
    assert tab.text("place") == "row 1, 1st and 2nd from the left; row 2, 2nd from the left"
    page.show(PROMPT)
    tab.wait("document.getElementById('name').textContent === 'SW5'")
    tab.value("document.getElementById('side').click()")
    assert tab.text("place") == "row 2, 1st from the right (GPIO3, GPIO6)"
    assert tab.value("document.getElementById('front').hidden && !document.getElementById('back').hidden")


@in_a_browser
def test_a_small_screen_shows_the_switch_and_the_picture_then_the_faults(page: Page, tab: Tab) -> None:
    tab.call("Emulation.setDeviceMetricsOverride", width=800, height=600, deviceScaleFactor=1, mobile=False)
    page.show(PROMPT)
    tab.wait("document.getElementById('name').textContent === 'SW5'")
    top, bottom, screen = tab.value(SIZE.replace("NAME", "next"))
    assert bottom - top >= screen / 3
    top, bottom, _ = tab.value(SIZE.replace("NAME", "front"))
    assert 0 <= top < bottom <= screen
    page.finish(run_of(page, "reversed SW2"))
    tab.wait("!document.getElementById('ending').hidden")
    top, bottom, _ = tab.value(SIZE.replace("NAME", "faults"))
    assert 0 <= top < bottom <= screen
    assert tab.text("place").endswith(", 1 fault")


@in_a_browser
def test_the_bar_shows_how_far_a_stage_is(page: Page, tab: Tab) -> None:
    many = Event("prompt", "type over SW1 and SW2, 9 presses in all: row 1", switch="SW1", times=9)
    page.show(replace(many, together=("SW1", "SW2"), proven=3, total=12))
    tab.wait("document.getElementById('count').textContent === '3 of 12 presses · 0 of 13 proven'")
    page.show(Event("counted", "4 of 12 presses", stage="bounce", together=("SW1",), proven=4, total=12))
    tab.wait("document.getElementById('count').textContent === '4 of 12 presses · 0 of 13 proven'")
    assert tab.value("document.getElementById('progress').getAttribute('aria-valuemax')") == "12"
    page.show(Event("stage", "dials and lights", stage="extras"))
    tab.wait("document.getElementById('count').textContent === '0 of 13 proven'")


@in_a_browser
def test_a_run_is_followed_to_its_end_and_after_a_reload(page: Page, tab: Tab) -> None:
    def at_the_prompt(event: Event) -> None:
        tab.wait("document.getElementById('name').textContent === 'SW1'")

    def reloaded(event: Event) -> None:
        tab.reload()
        tab.wait("document.getElementById('count')?.textContent === '1 of 13 proven'")

    result = run_of(page, "reversed SW7", "open SW9", check={"prompt": at_the_prompt, "verdict": reloaded})
    tab.wait("document.getElementById('name').textContent === 'fail'")
    assert tab.text("count") == "11 of 13 proven"
    for side in ("front", "back"):
        words = [word_of(tab, number, side) for number in range(1, 14)]
        assert words == [one.verdict.value for one in result.positions]
    assert tab.value("[...document.querySelectorAll('#faults b')].map((each) => each.textContent)") == [
        fault.title for fault in result.faults
    ]
    assert "SW7: reversed" in tab.text("said")
    assert tab.value("document.getElementById('report').hidden")
    page.offer("<title>the report</title>", "wader.html")
    tab.wait("!document.getElementById('report').hidden")
    tab.reload()
    tab.wait("!document.getElementById('report').hidden")
    assert tab.value("fetch('report').then((answer) => answer.text())") == "<title>the report</title>"
    page.close()
    tab.wait("document.getElementById('report').hidden")
    assert tab.value("document.getElementById('gone').hidden")
    assert tab.text("name") == "fail"


@in_a_browser
def test_a_bench_that_is_gone_is_told(page: Page, tab: Tab) -> None:
    page.show(PROMPT)
    tab.wait("document.getElementById('name').textContent === 'SW5'")
    page.show(Event("trouble", "the board is gone: plug it in again"))
    tab.wait("document.getElementById('place').textContent === 'the board is gone: plug it in again'")
    page.show(PROMPT)
    tab.wait("document.getElementById('name').textContent === 'SW5'")
    page.close()
    tab.wait("!document.getElementById('gone').hidden")


@in_a_browser
def test_sounds(page: Page, tab: Tab) -> None:
    def played() -> list[int]:
        return list(tab.value("window.played.splice(0)"))

    def press(meant: str | None) -> list[int]:
        page.show(Event("contact", "", down=True))
        if meant is not None:
            page.show(Event("press", f"taken for {meant}", meant=meant))
        tab.wait("!document.getElementById('lasting').hidden")
        during = played()
        page.show(Event("contact", "", down=False))
        tab.wait("document.getElementById('lasting').hidden")
        assert during == [1000]  # the tone alone, while contact lasts
        return played()

    assert tab.text("sound") == "Sound is off: switch it on"
    page.show(Event("contact", "", down=True))
    tab.wait("!document.getElementById('lasting').hidden")
    page.show(Event("contact", "", down=False))
    tab.wait("document.getElementById('lasting').hidden")
    assert played() == []
    tab.value("document.getElementById('sound').click()", gesture=True)
    assert tab.text("sound") == "Sound is on: switch it off"
    assert played() == [660]  # so it can be heard that it works
    assert press("good") == [660]
    assert press("fault") == [165, 165]
    assert press("answered") == [2200]
    assert press(None) == []
    page.show(Event("press", "SW5 is silent", meant="silent"))
    tab.wait("document.getElementById('said').textContent.includes('SW5 is silent')")
    assert played() == [165, 165]


@in_a_browser
def test_silence_can_be_told_on_the_page(page: Page, tab: Tab) -> None:
    assert tab.value("document.getElementById('silent').hidden")
    page.show(PROMPT)
    tab.wait("!document.getElementById('silent').hidden")
    tab.value("document.getElementById('silent').click()", gesture=True)
    end, person = time.monotonic() + 30, Person(page.gave_up)
    while not person.gives_up():
        assert time.monotonic() < end
        tab.value("0")


@in_a_browser
def test_keys_are_handed_on_while_typing_and_only_then(page: Page, tab: Tab) -> None:
    heard: list[Heard] = []
    page.listener = heard.append
    page.show(PROMPT)
    tab.wait("document.getElementById('name').textContent === 'SW5'")
    tab.key("KeyQ", "q", down=True)
    tab.key("KeyQ", "q", down=False)
    page.show(Event("stage", "type as you do", stage="typing"))
    tab.wait("!document.getElementById('typing').hidden")
    strokes = [("KeyA", "a", True), ("ShiftLeft", "Shift", True), ("KeyA", "a", False), ("Tab", "Tab", True)]
    strokes += [("Tab", "Tab", False), ("ShiftLeft", "Shift", False)]
    for code, key, down in strokes:
        tab.key(code, key, down=down)
    tab.wait("document.getElementById('heard').textContent === 'ShiftLeft up'")
    end = time.monotonic() + 30
    while len(heard) < len(strokes):
        assert time.monotonic() < end
        tab.value("0")
    # In order, as UI Events KeyboardEvent Code Values has the names, on a clock that goes forward.
    assert [(one.code, one.down) for one in heard] == [(code, down) for code, _, down in strokes]
    assert [one.t_ms for one in heard] == sorted(one.t_ms for one in heard)
    page.show(Event("sent", "KeyA ShiftLeft"))
    tab.wait("document.getElementById('sent').textContent === 'KeyA ShiftLeft'")
    page.show(Event("sent", "nothing held"))
    tab.wait("document.getElementById('sent').textContent === 'nothing held'")
    # Nothing of it stays with the page.
    assert "KeyA" not in json.dumps(first_state(page))
    page.show(Event("stage", "…", stage="positions"))
    tab.wait("document.getElementById('typing').hidden")
    tab.key("KeyB", "b", down=True)
    tab.key("KeyB", "b", down=False)
    asked(page, "silent", True)
    assert [one.code for one in heard if one.code == "KeyB"] == []


@in_a_browser
def test_typing_over_a_port_with_the_browsers_own_keys_beside_it(
    page: Page, tab: Tab, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The trial image behind a pseudo terminal, in real time. The keys that it holds down on its computer are
    pressed in the browser as they come."""
    monkeypatch.setattr("hil.dialogues.typing._PAUSE_US", 2_000_000)
    finger = Finger(
        HostBoard(LETTERED.wiring, (), "trial", tables_of(LETTERED), fingerprints(LETTERED)), bouncing=True
    )
    names: list[str] = []
    stopped = threading.Event()
    reading, writing = (os.fdopen(end, mode) for end, mode in zip(os.pipe(), "rw", strict=True))
    server = Server(finger, PtyPort(), names.append, lambda error: None)
    thread = threading.Thread(target=server.serve, args=(reading, stopped.is_set))
    thread.start()
    heard: deque[Heard] = deque()
    page.listener = heard.append
    held: set[str] = set()

    def tell(event: Event) -> None:
        page.show(event)
        if event.kind == "prompt" and "with the page in front" in event.text:
            tab.wait("!document.getElementById('typing').hidden")
            writing.write("".join(f"tap SW{n} 90ms\nwait 150ms\n" for n in (1, 2, 3, 1, 5)))
            writing.flush()
        elif event.kind == "sent":
            now = set(event.text.split())
            for code in sorted(held ^ now):
                tab.key(code, code[-1].lower(), down=code in now)
            held.clear()
            held.update(now)

    def arrived() -> list[KeyReceived]:
        return [KeyReceived(one.code, one.down) for one in (heard.popleft() for _ in range(len(heard)))]

    try:
        end = time.monotonic() + 20
        while not names and time.monotonic() < end:
            time.sleep(0.01)
        prints, settings = fingerprints(LETTERED).wiring, Settings(stages=("typing",))
        link = Link(SerialTransport(names[0]))
        session = Session(LETTERED, link, Person(), prints, settings, tell=tell, arrived=arrived)
        result = session.run()
        link.close()
    finally:
        stopped.set()
        thread.join(20)
        for end_ in (reading, writing):
            end_.close()
    assert result.trouble is None
    assert result.typing is not None
    pressed = {one.switch: one.presses for one in result.typing.switches if one.presses}
    assert pressed == {"SW1": 2, "SW2": 1, "SW3": 1, "SW5": 1}
    # UI Events' names on both sides, each as often as the other has it.
    assert [(one.sent, one.received) for one in result.typing.keys] == [(2, 2), (1, 1), (1, 1), (1, 1)]
    assert all(one.key.startswith("Key") and not one.still_down for one in result.typing.keys)
    assert not any("arrived at the page" in note for note in result.notes)
