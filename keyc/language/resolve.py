"""Statements → `Keyboard`: what every word means, and every mistake that a statement shows.

`wires.py`, `shape.py`, `grids.py` and `actions.py` do it for their statements; the others are
done here. Nothing is told twice: what was lost to a mistake in parsing, or is itself wrong here, is
left out silently wherever else it is missed. `lint.py` says what needs the whole keyboard.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from keyc.diagnostics import Diagnostic, Label
from keyc.keyboard import (
    TEST_USB_ID,
    TITLE_MOST,
    AnotherKey,
    ByTaps,
    Cell,
    Chord,
    Debounce,
    DialTurn,
    Down,
    Expect,
    Keyboard,
    Layer,
    LayerHeld,
    Off,
    Rules,
    Scenario,
    Step,
    Switch,
    Tap,
    TapOrHold,
    Through,
    Timing,
    Up,
    Wait,
    Wiring,
)
from keyc.language import measures
from keyc.language.actions import Actions
from keyc.language.grids import resolved_layer
from keyc.language.mistakes import Mistakes, cut
from keyc.language.shape import Shape, resolved_shape
from keyc.language.statements import Chord as ChordStatement
from keyc.language.statements import (
    DebounceRule,
    DialBlock,
    ExpectStep,
    File,
    KeyboardBlock,
    LayerBlock,
    Pause,
    ScenarioBlock,
    Setting,
    ShapeBlock,
    Statement,
    SwitchStep,
    TapStep,
    TimingBlock,
    TimingRule,
    Turn,
    WiringBlock,
    Word,
)
from keyc.language.texts import unescaped
from keyc.language.wires import resolved_wiring
from keyc.language.words import RESERVED
from keyc.layouts import DEFAULT_LAYOUT, LAYOUT_NAMES, Layout, layout

TAP_US = 20_000  # how long `tap` holds a switch down

_StatementKind = TypeVar("_StatementKind", KeyboardBlock, WiringBlock, ShapeBlock)

_LAYERS_MOST = 255  # the tables count layers in a byte
_DEBOUNCE_MOST_US = 500_000
_WAIT_MOST_US = 600_000_000
_RULE_MOST_US = 10_000_000
_CHORDS_MOST = 4095  # the engine's cells have room for that many

_PARTS = {
    "keyboard": 'add keyboard "My board" { }',
    "wiring": "add wiring { }, with the pins and the switches in it",
    "shape": "add shape { }, with a line for each row of caps",
    "layer": "add layer base { }, with a row for each line of `shape`",
}


def resolved(file: File) -> tuple[Keyboard | None, list[Diagnostic]]:
    """The keyboard as far as it can be understood, and the mistakes of its statements.

    The keyboard is None when a part is missing without which nothing can be said. With errors
    among the diagnostics it is good for looking for more mistakes, and for nothing else.
    """
    mistakes = Mistakes(file)
    keyboard = _Resolver(file, mistakes).keyboard()
    return keyboard, mistakes.diagnostics


class _Resolver:
    def __init__(self, file: File, mistakes: Mistakes) -> None:
        self._statements = _first_keymap(file.statements, mistakes)
        self._mistakes = mistakes
        self._missing: list[str] = []

    def keyboard(self) -> Keyboard | None:
        mistakes = self._mistakes
        head = self._only(KeyboardBlock, "keyboard")
        wiring_block = self._only(WiringBlock, "wiring")
        shape_block = self._only(ShapeBlock, "shape")
        settings = self._settings(head)
        host = self._host_layout(settings)
        names = [one.name.text for one in self._statements if isinstance(one, LayerBlock)]
        wiring = resolved_wiring(wiring_block, names, mistakes) if wiring_block else None
        switches = {switch.name: switch for switch in wiring.switches} if wiring else {}
        shape = resolved_shape(shape_block, wiring, mistakes) if shape_block else None
        actions = Actions(self._statements, host, mistakes)
        timing = self._timing(switches)
        layers = self._layers(switches, shape, actions)
        self._tell_parts_missing()
        scenarios = [
            self._scenario(one, switches, actions)
            for one in self._statements
            if isinstance(one, ScenarioBlock)
        ]
        chords = self._chords(switches, actions)
        dials = self._dials(wiring, actions)
        title = self._title(head.title, "the keyboard") if head else ""
        maker = self._title(settings["maker"].value, "the maker") if "maker" in settings else ""
        vendor, product = self._usb_id(settings, "usb") or TEST_USB_ID
        if head is None or wiring is None or not wiring.switches or not layers:
            return None
        return Keyboard(
            title=title,
            stem=_stem(mistakes.source.name),
            usb_vendor=vendor,
            usb_product=product,
            maker=maker,
            host_layout=host.name if host else DEFAULT_LAYOUT,
            wiring=wiring,
            caps=shape.caps if shape else (),
            timing=timing,
            layers=tuple(layers),
            scenarios=tuple(scenarios),
            span=mistakes.at(head.title),
            chords=tuple(chords),
            dials=tuple(dials),
            bench_usb=self._usb_id(settings, "bench-usb"),
            trial_usb=self._usb_id(settings, "trial-usb"),
        )

    def _only(self, kind: type[_StatementKind], name: str) -> _StatementKind | None:
        """The statement of a kind that there must be once; the first, if there are more."""
        found = [one for one in self._statements if isinstance(one, kind)]
        if not found:
            self._missing.append(name)
            return None
        for again in found[1:]:
            self._mistakes.tell(
                "said-twice",
                f"a second `{name}`: there can be only one",
                again.keyword,
                f"move what is in it into the first `{name}`, or take it out",
                Label("the first one", self._mistakes.at(found[0].keyword)),
            )
        return found[0]

    def _tell_parts_missing(self) -> None:
        """What every file needs and this one lacks, in one mistake."""
        mistakes, text = self._mistakes, self._mistakes.source.text
        names = [name for name in self._missing if mistakes.is_whole(name) and not mistakes.lost(name)]
        if not names or mistakes.nothing_understood():
            return
        *others, last = (f"`{name}`" for name in names)
        message = "the file has no " + (f"{', '.join(others)} and {last}" if others else last)
        end = len(text.rstrip())
        help = "\n".join(_PARTS[name] for name in names)
        mistakes.tell("part-missing", message, mistakes.span(end, end), help)

    # ---- keyboard

    def _settings(self, block: KeyboardBlock | None) -> Mapping[str, Setting]:
        """What is said of the keyboard as a whole, by keyword; each once."""
        seen: dict[str, Word] = {}
        lines = block.settings if block else ()
        return {line.keyword.text: line for line in lines if self._mistakes.once(seen, line.keyword)}

    def _usb_id(self, settings: Mapping[str, Setting], name: str) -> tuple[int, int] | None:
        if name not in settings:
            return None
        value = settings[name].value
        try:
            return measures.usb_id(value.text)
        except measures.Misread as misread:
            if not self._mistakes.damaged(value.start, value.end):
                self._mistakes.misread(misread, value)
            return 0, 0

    def _host_layout(self, settings: Mapping[str, Setting]) -> Layout | None:
        """The layout that texts are typed for; None, and told, if there is none of that name."""
        if "host-layout" not in settings:
            return layout(DEFAULT_LAYOUT)
        word = settings["host-layout"].value
        if word.text in LAYOUT_NAMES:
            return layout(word.text)
        if self._mistakes.lost(word.text):
            return None
        from keyc.layout_help import unknown_layout_help

        help = unknown_layout_help(word.text)
        self._mistakes.tell("unknown-host-layout", f"no host layout is called `{word.text}`", word, help)
        return None

    def _title(self, word: Word, whose: str) -> str:
        """A text for people: a name of the keyboard, the maker, a scenario."""
        mistakes = self._mistakes
        try:
            text = unescaped(word)
        except measures.Misread as misread:
            mistakes.misread(misread, word)
            return ""
        if not text.strip() and not mistakes.damaged(word.start, word.end):
            mistakes.tell("title-unfit", f"{whose} has no name", word, "write a name between the quotes")
        unfit = next((c for c in text if not c.isprintable()), None)
        if unfit is not None:
            at = mistakes.source.text.index(unfit, word.start)
            message = f"the character U+{ord(unfit):04X} can't be shown"
            mistakes.tell("title-unfit", message, mistakes.span(at, at + 1), "take it out of the name")
        units = len(text.encode("utf-16-le")) // 2
        if units > TITLE_MOST:
            help = f"write at most {TITLE_MOST} characters"
            mistakes.tell("title-unfit", f"this name is too long: {units} characters", word, help)
        return text

    # ---- timing

    def _timing(self, switches: Mapping[str, Switch]) -> Timing:
        """The rules for all switches, then what single ones have instead."""
        general: dict[str, Any] = {}
        own: dict[str, dict[str, Any]] = {}
        seen: dict[str, Word] = {}
        for block in self._statements:
            if not isinstance(block, TimingBlock):
                continue
            named: dict[str, Word] = {}
            names = [
                word.text
                for word in block.switches
                if self._mistakes.names_switch(word, switches) and self._mistakes.once(named, word)
            ]
            for rule in block.rules:
                field, value = self._rule(rule)
                if not block.switches and self._mistakes.once(seen, rule.keyword):
                    general[field] = value
                for name in names:
                    if not self._mistakes.once(seen, rule.keyword, f"{rule.keyword.text} {name}"):
                        break  # told for one of them is enough
                    own.setdefault(name, {})[field] = value
        debounce = general.pop("debounce", Debounce())
        for_switch = {name: rules.pop("debounce") for name, rules in own.items() if "debounce" in rules}
        rules_for = {name: Rules(**general | rules) for name, rules in own.items() if rules}
        return Timing(debounce, for_switch, Rules(**general), rules_for)

    def _rule(self, rule: DebounceRule | TimingRule) -> tuple[str, Any]:
        """A field of `Rules`, or `debounce`, and its value."""
        if isinstance(rule, DebounceRule):
            return "debounce", self._debounce(rule)
        match rule.keyword.text:
            case "hold-if":
                return "hold_if_another_key", AnotherKey(rule.words[1].text)
            case "next-twice":
                return "next_twice_locks", True
            case "tap-if":
                field = "tap_if_typing_within_us"
            case "repeat-if":
                field = "repeat_if_tapped_within_us"
            case keyword:
                field = f"{keyword.replace('-', '_')}_us"
        return field, self._time_us(rule.words[1], most_us=_RULE_MOST_US)

    def _debounce(self, rule: DebounceRule) -> Debounce:
        at_once = rule.way is not None and rule.way.text == "at-once"
        return Debounce(self._time_us(rule.time, least_us=0, most_us=_DEBOUNCE_MOST_US), at_once)

    def _time_us(self, word: Word, *, least_us: int = 1, most_us: int = _WAIT_MOST_US) -> int:
        try:
            return measures.time_us(word.text, least_us=least_us, most_us=most_us)
        except measures.Misread as misread:
            self._mistakes.misread(misread, word)
            return least_us

    # ---- layers

    def _layers(self, switches: Mapping[str, Switch], shape: Shape | None, actions: Actions) -> list[Layer]:
        blocks = [one for one in self._statements if isinstance(one, LayerBlock)]
        if not blocks:
            self._missing.append("layer")
        if len(blocks) > _LAYERS_MOST:
            self._mistakes.tell(
                "too-many-layers",
                f"this is layer number {_LAYERS_MOST + 1}; a keyboard has room for {_LAYERS_MOST}",
                blocks[_LAYERS_MOST].name,
                "take some layers out",
            )
        actions.check_names()
        return [resolved_layer(block, switches, shape, actions, self._mistakes) for block in blocks]

    # ---- scenarios

    def _scenario(self, block: ScenarioBlock, switches: Mapping[str, Switch], actions: Actions) -> Scenario:
        self._look_at_moves(block, switches)
        steps = (self._step(step, switches, actions) for step in block.steps)
        return Scenario(
            self._title(block.title, "the scenario"),
            tuple(step for step in steps if step is not None),
            self._mistakes.at(block.title),
        )

    def _look_at_moves(self, block: ScenarioBlock, switches: Mapping[str, Switch]) -> None:
        """Switches that go up without being down, or down without being up: nothing would move."""
        if not self._mistakes.is_untouched(block.keyword):
            return
        down: dict[str, Word] = {}
        for step in block.steps:
            if not isinstance(step, TapStep | SwitchStep) or step.switch.text not in switches:
                continue
            name, move = step.switch.text, step.keyword.text
            if move == "up" and down.pop(name, None) is None:
                message = f"`{name}` is not down here, so nothing goes up"
                help = f"write down {name} before it, or take it out"
                self._mistakes.tell("up-without-down", message, step.switch, help)
            elif move != "up" and name in down:
                self._mistakes.tell(
                    "down-already",
                    f"`{name}` is down already, so nothing goes down",
                    step.switch,
                    f"write up {name} before it, or take it out",
                    Label("down since here", self._mistakes.at(down[name])),
                )
            elif move == "down":
                down[name] = step.switch

    def _step(
        self,
        step: TapStep | SwitchStep | Pause | ExpectStep,
        switches: Mapping[str, Switch],
        actions: Actions,
    ) -> Step | None:
        mistakes = self._mistakes
        start = step.keyword.start
        if isinstance(step, ExpectStep):
            return self._expect(step, switches, actions)
        if isinstance(step, Pause):
            return Wait(self._time_us(step.time), mistakes.span(start, step.time.end))
        name, end = step.switch.text, step.switch.end
        if isinstance(step, TapStep) and step.time is not None and name + step.time.text in switches:
            message = f"`{name} {step.time.text}` is two words, and a switch's name is one"
            where = mistakes.span(step.switch.start, step.time.end)
            mistakes.tell("unknown-name", message, where, f"write {name}{step.time.text}")
            return None
        is_switch = mistakes.names_switch(step.switch, switches)
        if isinstance(step, TapStep):
            time_us = TAP_US
            if step.time is not None:
                time_us, end = self._time_us(step.time), step.time.end
            return Tap(name, time_us, mistakes.span(start, end)) if is_switch else None
        if not is_switch:
            return None
        span = mistakes.span(start, end)
        return Down(name, span) if step.keyword.text == "down" else Up(name, span)

    def _expect(self, step: ExpectStep, switches: Mapping[str, Switch], actions: Actions) -> Expect:
        start = step.keyword.start
        if step.nothing is not None:
            span = self._mistakes.span(start, step.nothing.end)
            return Expect((), (), step.nothing.text == "nothing-held", span)
        expected = [
            press
            for part in actions.expected(step.presses, switches)
            for press in actions.expected_presses(part)
        ]
        text = self._mistakes.source.text
        return Expect(
            tuple(expected),
            tuple(text[part.start : part.end] for part in step.presses),
            False,
            self._mistakes.span(start, step.presses[-1].end),
        )

    # ---- chords and dials

    def _layer(self, word: Word, actions: Actions) -> str | None:
        """The layer that a word names; None, and told, if there is none."""
        if word.text in actions.names.layers:
            return word.text
        if not self._mistakes.lost(word.text):
            actions.names.unknown_layer(word)
        return None

    def _chords(self, switches: Mapping[str, Switch], actions: Actions) -> list[Chord]:
        chords = []
        first: dict[tuple[frozenset[str], str], ChordStatement] = {}
        for one in self._statements:
            if not isinstance(one, ChordStatement):
                continue
            chord = self._chord(one, switches, actions)
            if chord is None:
                continue
            same = first.setdefault((frozenset(chord.members), chord.layer), one)
            if same is one:
                chords.append(chord)
                continue
            self._mistakes.tell(
                "said-twice",
                "the same switches on the same layer are a chord already",
                self._mistakes.words(one.switches),
                "keep the one that you mean, and take the other out",
                Label("said here first", self._mistakes.words(same.switches)),
            )
        if len(chords) > _CHORDS_MOST:
            message = f"there are {len(chords)} chords; a keyboard has room for {_CHORDS_MOST}"
            self._mistakes.tell("number-out-of-range", message, chords[_CHORDS_MOST].span, "take some out")
        return chords

    def _chord(self, one: ChordStatement, switches: Mapping[str, Switch], actions: Actions) -> Chord | None:
        mistakes = self._mistakes
        cell = actions.cell(one.action)
        layer = self._layer(one.layer, actions)
        seen: dict[str, Word] = {}
        members = [
            word.text
            for word in one.switches
            if mistakes.names_switch(word, switches) and mistakes.once(seen, word)
        ]
        if len(one.switches) < 2:
            mistakes.tell(
                "chord-of-one",
                "a chord needs two switches or more",
                one.switches[0],
                "name the switches that go down together, or give this one its action in the layer",
            )
        if isinstance(cell.action, Through | ByTaps):
            mistakes.tell(
                "one-in-another",
                f"a chord can't do `{cut(cell.text)}`",
                cell.span,
                "write a key, a text, a layer, `Tab/arrows` or another action that isn't beneath or counted",
            )
        if layer is None or len(members) < 2 or len(members) != len(one.switches):
            return None
        in_order = tuple(name for name in switches if name in members)
        return Chord(in_order, layer, cell, mistakes.words(one.switches))

    def _dials(self, wiring: Wiring | None, actions: Actions) -> list[DialTurn]:
        known = [dial.name for dial in wiring.dials] if wiring else []
        seen: dict[str, Word] = {}
        made = (
            self._dial(one, known, seen, actions) for one in self._statements if isinstance(one, DialBlock)
        )
        return [turn for turn in made if turn is not None]

    def _dial(
        self, block: DialBlock, dials: Iterable[str], seen: dict[str, Word], actions: Actions
    ) -> DialTurn | None:
        mistakes = self._mistakes
        is_known = block.dial.text in dials
        is_lost = mistakes.lost(block.dial.text) or block.dial.text in RESERVED
        if not is_known and not is_lost and mistakes.is_whole("wiring"):
            near = mistakes.nearest(block.dial.text, dials)
            mistakes.tell(
                "unknown-name",
                f"no dial is called `{block.dial.text}`",
                block.dial,
                f"did you mean {near}?"
                if near
                else "dials get their names in `wiring`: dial GPIO20 GPIO21 DIAL1",
            )
        layer = self._layer(block.layer, actions)
        ways: dict[str, Cell] = {}
        turned: dict[str, Word] = {}
        for turn in block.turns:
            cell = self._turn(turn, actions)
            if mistakes.once(turned, turn.way):
                ways[turn.way.text] = cell
        if layer is None or not is_known:
            return None
        if not mistakes.once(seen, block.dial, f"{block.dial.text} {layer}"):
            return None
        where = mistakes.at(block.dial)
        is_first = layer == next(iter(actions.names.layers))
        other = Cell(Off() if is_first else Through(), "off" if is_first else "..", None, where)
        return DialTurn(
            block.dial.text,
            layer,
            ways.get("clockwise", other),
            ways.get("counter-clockwise", other),
            where,
        )

    def _turn(self, turn: Turn, actions: Actions) -> Cell:
        """What one way does. A dial can't be held, so what waits for that is a mistake."""
        cell = actions.cell(turn.action)
        if isinstance(cell.action, TapOrHold | ByTaps | LayerHeld):
            self._mistakes.tell(
                "one-in-another",
                f"`{cell.text}` can't be done by a dial",
                cell.span,
                "a detent is over at once: write a key, a text, `next(…)`, `lock(…)` or `wheel(…)`",
            )
        return cell


def _first_keymap(statements: tuple[Statement, ...], mistakes: Mistakes) -> tuple[Statement, ...]:
    """The statements up to a second `keyboard` that begins a whole second keymap, which is told once."""
    heads = [number for number, one in enumerate(statements) if isinstance(one, KeyboardBlock)]
    if len(heads) < 2:
        return statements
    first, again = statements[heads[0]], statements[heads[1]]
    wirings = [number for number, one in enumerate(statements) if isinstance(one, WiringBlock)]
    if not wirings or wirings[0] > heads[1] or wirings[-1] < heads[1]:
        return statements
    mistakes.tell(
        "said-twice",
        "a second `keyboard` begins here: has the file been pasted in twice?",
        again.keyword,
        "keep one of the two keymaps: a file is one keyboard",
        Label("the first one", mistakes.at(first.keyword)),
    )
    return statements[: heads[1]]


def _stem(name: str) -> str:
    """The file's stem as a C word: `my board.keys` → `my_board`."""
    stem = re.sub(r"(?<=.)\.[^.]*$", "", re.split(r"[/\\]", name)[-1])
    word = re.sub(r"[^a-z0-9]+", "_", stem.lower()).strip("_")
    if not word or not word[0].isalpha():
        return f"keyboard_{word}".rstrip("_")
    return word
