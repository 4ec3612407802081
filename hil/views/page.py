"""`hil bench --page`: a run as a page in the browser. What it shows and what it hears; how it gets there is
`page_server`'s business.

The page knows nothing of keyboards: it is sent parts of one state, each of them whole, and shows them. A
page that is opened late, or again, is sent the whole state. Of what a browser hears while somebody types
nothing is kept: it is handed on, and shown until the next key.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from secrets import token_urlsafe
from threading import Lock, Thread
from time import monotonic, sleep
from typing import TYPE_CHECKING, Any, get_args

from hil.diagnosis.diagnose import UNPLUG
from hil.places import in_one_breath, place_of_several, places_of
from hil.result import BAD_POSITIONS, PositionVerdict, Result, Verdict
from hil.views.measured import measured
from hil.views.picture import KeyboardPicture, mark_svg
from hil.views.report import in_words, not_tested
from keyc.files import shipped
from keyc.pages import pages
from keyc.sheet.caps import Side

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.events import Event
    from hil.views.page_server import Served
    from keyc.keyboard import Keyboard

_SIDES: tuple[Side, ...] = get_args(Side)
_LAST = 12  # lines of what happened that stay on the page
_LONGEST_CODE = 40
_FEW = 3  # switches whose names stand in large letters
# Browsers, as Python's `webbrowser` knows them, that would take the terminal away from the bench.
_IN_THE_TERMINAL = frozenset({"www-browser", "links", "elinks", "lynx", "w3m"})
_NOBODY: frozenset[str] = frozenset()
_NOBODY_S, _RELOAD_S, _GLANCE_S = 30.0, 2.0, 0.2
# What a press was taken for → what it sounds like.
_SOUNDS = {"good": "good", "answered": "elsewhere", "back": "elsewhere"} | dict.fromkeys(
    ("fault", "silent", "unclear", "unsteady"), "fault"
)


@dataclass(frozen=True, slots=True)
class Heard:
    """A key as the browser heard it: `code` as in UI Events' KeyboardEvent.code, `t_ms` on its own clock."""

    code: str
    down: bool
    t_ms: float


class Page:
    """Served from the beginning until `close`. Events may come from one thread only."""

    def __init__(self, keyboard: Keyboard, side: Side) -> None:
        """Raises OSError if this computer lets nobody listen."""
        from hil.views.page_server import PageServer

        self._keyboard, self._side = keyboard, side
        self._pictures = {each: KeyboardPicture(keyboard, each) for each in _SIDES}
        self._places = {each: places_of(keyboard, each) for each in _SIDES}
        self._numbers = {cap.switch: n for n, cap in enumerate(keyboard.caps)}
        self._verdicts: dict[str, PositionVerdict] = {}
        self._asked = _NOBODY
        self._report: str | None = None
        self._lock = Lock()
        self._caps: dict[int, list[str]] = {}
        self._parts: dict[str, Any] = {
            "proven": 0,
            "total": len(keyboard.wiring.switches),
            "said": [],
            "far": None,
        }
        self._silent = False
        self._nonce = token_urlsafe(16)
        self.listener: Callable[[Heard], None] | None = None
        self._server = PageServer(self._file, self._state, self._hear)

    @property
    def address(self) -> str:
        return self._server.address

    def gave_up(self) -> bool:
        """Whether somebody said on the page, since the last call, that the switch doesn't answer."""
        given, self._silent = self._silent, False
        return given

    def show(self, event: Event) -> None:
        """What happened, on every page that is open."""
        parts, sound = self._parts_of(event)
        self._change(parts, sound)

    def finish(self, result: Result) -> None:
        """How it ended."""
        caps = self._judged({one.switch: one.verdict for one in result.positions}, asked=_NOBODY)
        parts = {"caps": caps, "next": None, "contact": False}
        self._change(parts | {"ended": _ending(result)}, None)

    def offer(self, report: str, file: str) -> None:
        """The HTML report's text, and where it lies."""
        self._report = report
        self._change({"report": file}, None)

    def stay(self, is_enough: Callable[[], bool]) -> None:
        """Until every browser's page is closed, `is_enough`, or nobody opens it in a reasonable time."""
        give_up = monotonic() + _NOBODY_S
        while not is_enough():
            if self._server.pages:
                give_up = monotonic() + _RELOAD_S
                self._server.wait_until_no_page(_GLANCE_S)
            elif monotonic() > give_up:
                return
            else:
                sleep(_GLANCE_S)

    def close(self) -> None:
        self._server.close()

    # -- what is shown -----------------------------------------------------------------------------

    def _parts_of(self, event: Event) -> tuple[dict[str, Any], str | None]:
        """What of the state an event changes, and the sound that belongs to it."""
        kind = event.kind
        if kind == "contact":
            return {"contact": event.down}, None
        if kind == "sent":
            return {"sent": event.text}, None
        parts: dict[str, Any] = {}
        sound = None
        if kind == "stage":
            parts |= {"stage": {"name": event.stage, "text": event.text}, "trouble": None, "contact": False}
            parts |= {"next": None, "far": None, "caps": self._judged({}, asked=_NOBODY)}
        elif kind == "prompt":
            self._silent = False  # whatever was said of the question before
            parts |= {"next": self._next(event), "trouble": None, "far": _how_far(event)}
            parts["caps"] = self._judged({}, asked=event.switches)
        elif kind == "verdict" and event.switch and event.verdict:
            verdict = PositionVerdict(event.verdict)
            parts["caps"] = self._judged({event.switch: verdict}, asked=self._asked)
            if verdict in BAD_POSITIONS:
                parts["said"] = self._also_said(event.text, "bad")
        elif kind == "press":
            sound = _SOUNDS.get(event.meant or "")
            parts["said"] = self._also_said(event.text, {"fault": "bad", "good": "good"}.get(sound or "", ""))
        elif kind == "trouble":
            parts |= {"trouble": event.text, "contact": False}
            sound = "fault"
        elif kind == "back":
            parts |= {"trouble": None, "said": self._also_said(event.text, "")}
        elif kind == "counted":
            parts["far"] = _how_far(event)
            if event.stage == "flex" and event.proven == event.total:
                sound = "good"  # eyes and hands are at the case
        elif kind == "typed":
            # How many is enough; each on a line of its own would push everything else away.
            others = [line for line in self._parts["said"] if not line[0].endswith(" presses")]
            parts["said"] = [[event.text, ""], *others][:_LAST]
            if kind == "typed" and event.switch and self._known(event.switch) is PositionVerdict.UNTESTED:
                parts["caps"] = self._judged({event.switch: PositionVerdict.ANSWERS}, asked=self._asked)
        elif kind != "ended":
            is_bad = kind == "blip" or event.verdict is not None
            sound = "fault" if kind == "blip" else None
            parts["said"] = self._also_said(event.text, "bad" if is_bad else "")
            if event.stage == "alive":
                parts["next"] = self._next(event)  # what to do, or is done, while no board answers
        return parts, sound

    def _next(self, event: Event) -> dict[str, Any]:
        """What to do now: a switch's name in large letters, or else the words."""
        name, words = event.switch, event.text.partition(": ")[0]
        if event.together:
            names = in_one_breath(event.together)
            how = words.replace(names, "these" if len(event.together) > 1 else "it")
            where = {side: place_of_several(self._keyboard.caps, event.together, side) for side in _SIDES}
            if event.times:  # one after the other
                few = ", ".join(event.together) if len(event.together) <= _FEW else ""
                name = few or f"{len(event.together)} keys"
                return {"name": name, "places": where, "how": words, "instead": None}
            return {"name": " + ".join(event.together), "places": where, "how": how, "instead": None}
        if name is None or name not in self._numbers or not words.startswith(f"press {name}"):
            where = dict.fromkeys(_SIDES, event.place or "")
            return {"name": words, "places": where, "how": "", "instead": event.instead}
        how = words.removeprefix(f"press {name}").strip()
        where = {side: places[name] for side, places in self._places.items()}
        return {"name": name, "places": where, "how": how, "instead": event.instead}

    def _also_said(self, text: str, mood: str) -> list[list[str]]:
        return [[text, mood], *self._parts["said"]][:_LAST]

    def _judged(self, verdicts: dict[str, PositionVerdict], asked: frozenset[str]) -> dict[int, list[str]]:
        """The caps that look different now, as SVG, by number, from each side."""
        before, self._asked = self._asked, asked
        changed = {name for name, verdict in verdicts.items() if self._verdicts.get(name) is not verdict}
        changed |= before ^ asked
        self._verdicts |= verdicts
        return {
            self._numbers[name]: [
                self._pictures[side].cap(name, self._known(name), is_next=name in asked) for side in _SIDES
            ]
            for name in changed
            if name in self._numbers
        }

    def _known(self, name: str) -> PositionVerdict:
        return self._verdicts.get(name, PositionVerdict.UNTESTED)

    def _counts(self) -> dict[str, int]:
        return {
            verdict.value: count
            for verdict, count in Counter(self._known(switch) for switch in self._numbers).items()
        }

    def _change(self, parts: dict[str, Any], sound: str | None) -> None:
        if "caps" in parts:
            parts["counts"] = counts = self._counts()
            parts["proven"] = counts.get(PositionVerdict.PROVEN.value, 0)
        with self._lock:
            self._caps |= parts.get("caps", {})
            self._parts |= {name: part for name, part in parts.items() if name != "caps"}
        if parts or sound:
            self._server.send(parts if sound is None else parts | {"sound": sound})

    # -- on the server's threads -------------------------------------------------------------------

    def _state(self) -> dict[str, Any]:
        with self._lock:
            return {**self._parts, "caps": dict(self._caps), "whole": True}

    def _file(self, name: str) -> Served | None:
        from hil.views.page_server import Served

        if name == "":
            allowed = f"script-src 'self'; style-src 'nonce-{self._nonce}'; connect-src 'self'; img-src data:"
            return Served("text/html", self._html(), allowed)
        if name == "page.js":
            return Served("text/javascript", shipped("templates", "page.js").read_text("utf-8"))
        if name == "report" and self._report is not None:
            return Served("text/html", self._report, "style-src 'unsafe-inline'")
        return None

    def _html(self) -> str:
        from markupsafe import Markup

        return (
            pages()
            .get_template("page.html.j2")
            .render(
                title=self._keyboard.title,
                nonce=self._nonce,
                side=self._side,
                unplug=UNPLUG,
                pictures={side: Markup(picture.svg({})) for side, picture in self._pictures.items()},
                legend=[(verdict.value, Markup(mark_svg(verdict))) for verdict in PositionVerdict],
            )
        )

    def _hear(self, name: str, value: Any) -> bool:
        """What a page sends: `silent`, or `key` with what the browser heard."""
        if name == "silent" and value is True:
            self._silent = True
            return True
        if name == "key":
            heard = _heard(value)
            if heard is not None and self.listener is not None:
                self.listener(heard)
            return heard is not None
        return False


def _heard(value: Any) -> Heard | None:
    """None for what no browser sends."""
    if not isinstance(value, dict) or set(value) != {"code", "down", "t_ms"}:
        return None
    code, down, t_ms = value["code"], value["down"], value["t_ms"]
    is_code = isinstance(code, str) and code.isascii() and code.isalnum() and len(code) <= _LONGEST_CODE
    is_time = isinstance(t_ms, int | float) and not isinstance(t_ms, bool) and isfinite(t_ms)
    return Heard(code, down, float(t_ms)) if is_code and is_time and isinstance(down, bool) else None


def _how_far(event: Event) -> dict[str, Any] | None:
    """How much of what a prompt asks for is done; None where the switches that are proven say it."""
    if event.total is None or (event.kind == "prompt" and not event.together):
        return None
    unit = "presses" if event.times else "done"
    text = event.text if event.kind == "counted" else f"{event.proven} of {event.total} {unit}"
    return {"done": event.proven, "total": event.total, "text": text}


def _ending(result: Result) -> dict[str, Any]:
    """The result, as short as a screen wants it."""
    words = {
        Verdict.PASS: "pass",
        Verdict.FAIL: "fail",
        Verdict.ERROR: "the bench failed",
        Verdict.ABORTED: "stopped",
    }
    return {
        "verdict": result.verdict.value,
        "word": words.get(result.verdict, result.verdict.value),
        "text": in_words(result),
        "trouble": result.trouble,
        "notes": list(result.notes),
        "faults": [
            {
                "title": fault.title,
                "what": fault.causes[0].what if fault.causes else "",
                "look_at": fault.causes[0].look_at if fault.causes else "",
                "meter": fault.causes[0].meter if fault.causes else "",
                "others": max(0, len(fault.causes) - 1),
            }
            for fault in result.faults
        ],
        "measured": measured(result),
        "not_tested": not_tested(result),
    }


def show_in_browser(address: str) -> bool:
    """Asks the person's browser to open it; whether there is one with a window of its own."""
    import webbrowser

    try:
        browser = webbrowser.get()
    except webbrowser.Error:
        return False
    if Path(getattr(browser, "name", "")).name in _IN_THE_TERMINAL:
        return False
    Thread(target=browser.open, args=(address,), name="browser", daemon=True).start()
    return True
