"""Random keymaps, each as the reference's model and as the text of a `.keys` file, and random hands.

Everything follows from a seed. The text is made to check without errors: it stays clear of what the
compiler refuses, such as `..` on the first layer or a locked layer without a way out.
Key numbers are from the USB HID Usage Tables, page 0x07; the signs are those of the US layout.
"""

from __future__ import annotations

import random
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Flag, auto

from tests.meaning.reference import (
    DEFAULTS,
    Action,
    Beneath,
    Bottom,
    ByTaps,
    Change,
    Chord,
    Keymap,
    Layer,
    Lock,
    NextOnly,
    Off,
    Pause,
    Press,
    Rules,
    Simple,
    TapOrHold,
    Target,
    Text,
    Typing,
    Usage,
    WhileHeld,
    detent,
    dial_switch,
)

MODIFIERS = {
    "Control": 0xE0,
    "Shift": 0xE1,
    "Alt": 0xE2,
    "Meta": 0xE3,
    "ControlRight": 0xE4,
    "ShiftRight": 0xE5,
    "AltRight": 0xE6,
    "MetaRight": 0xE7,
}
KEYS = {
    **{letter: 0x04 + place for place, letter in enumerate("ABCDEFGHIJKLMNOPQRSTUVWXYZ")},
    **{digit: 0x1E + place for place, digit in enumerate("1234567890")},
    "Enter": 0x28,
    "Escape": 0x29,
    "Backspace": 0x2A,
    "Tab": 0x2B,
    "Space": 0x2C,
    "Comma": 0x36,
    "F5": 0x3E,
    "ArrowRight": 0x4F,
    "ArrowLeft": 0x50,
}
MEDIA = {"AudioVolumeMute": 0xE2, "AudioVolumeUp": 0xE9, "AudioVolumeDown": 0xEA}  # page 0x0C
# Character → the key's name, and whether Shift is needed.
SIGNS = {"!": ("1", True), "@": ("2", True), "#": ("3", True), ",": ("Comma", False), " ": ("Space", False)}
SIGNS |= {letter.lower(): (letter, False) for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"}
SIGNS |= {letter: (letter, True) for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"}


# All times of a random keymap's own rules are 2 ms off the 5 ms in which a flood's changes come, so
# that many changes fit between the moments that decide.
FLOOD_STEP_US = 5000
SLOW_MS = 1502


class Features(Flag):
    """What a random keymap may use besides keys, characters, modified keys, held layers and `off`."""

    DUAL = auto()
    CHORDS = auto()
    TAPS = auto()
    NEXT = auto()
    LOCK = auto()
    BOTTOM = auto()
    WHEN = auto()
    SEQUENCES = auto()
    MEDIA = auto()
    DIALS = auto()
    OWN_RULES = auto()
    ALL = DUAL | CHORDS | TAPS | NEXT | LOCK | BOTTOM | WHEN | SEQUENCES | MEDIA | DIALS | OWN_RULES


@dataclass(frozen=True)
class RandomKeymap:
    """`text` and `keymap` say the same. `switches` are in the order of `wiring`."""

    seed: int
    text: str
    keymap: Keymap
    switches: tuple[str, ...]
    dials: tuple[str, ...]


@dataclass(frozen=True)
class _Written:
    """A cell, as the reference means it and as the file says it."""

    action: Action
    text: str


def random_keymap(
    seed: int, features: Features = Features.ALL, *, debounce: str = "debounce 1ms at-once"
) -> RandomKeymap:
    """A keymap with up to nine switches and six layers, the same for the same arguments."""
    return _Maker(random.Random(seed), features, debounce).keymap(seed)


class _Maker:
    def __init__(self, chance: random.Random, features: Features, debounce: str) -> None:
        self._chance = chance
        self._has = features
        self._debounce = debounce
        self._sequences: dict[str, _Written] = {}

    def keymap(self, seed: int) -> RandomKeymap:
        chance = self._chance
        switches = tuple(f"S{number}" for number in range(1, chance.randint(4, 9) + 1))
        names = ["base", *(f"layer-{number}" for number in range(1, chance.randint(2, 5)))]
        dials = ("TURN1",) if Features.DIALS in self._has and chance.random() < 0.4 else ()
        if Features.SEQUENCES in self._has:
            for number in range(1, chance.randint(1, 3)):
                self._sequences[f"typing-{number}"] = self._sequence(f"typing-{number}")

        # The layers' ways in and out come first, so that each is reached and none is a trap.
        ways: dict[str, dict[str, _Written]] = {name: {} for name in names}
        free = list(switches)
        chance.shuffle(free)
        bottoms: set[str] = set()
        for name in names[1:]:
            if len(free) < 2:
                break
            switch = free.pop()
            kind = chance.choice(self._ways_in())
            if kind == "lock" and len(bottoms) == 0:
                for on in names:
                    ways[on][switch] = _Written(Lock(name), f"lock({name})")
            elif kind == "bottom" and not bottoms:
                bottoms.add(name)
                for on in names:
                    ways[on][switch] = _Written(Bottom(name), f"bottom({name})")
                back = free.pop()
                for on in names:
                    ways[on][back] = _Written(Bottom("base"), "bottom(base)")
            elif kind == "next":
                ways["base"][switch] = _Written(NextOnly(name), f"next({name})")
            elif kind == "dual":
                tap = self._tap()
                ways["base"][switch] = _Written(TapOrHold(tap[0], WhileHeld((name,))), f"{tap[1]}/{name}")
            else:
                ways["base"][switch] = _Written(WhileHeld((name,)), name)

        layers = []
        for name in names:
            is_solid = name == "base" or name in bottoms
            cells = {
                switch: ways[name].get(switch) or self._cell(names, is_solid=is_solid) for switch in switches
            }
            layers.append((name, cells, self._when(name, names)))
        chords = self._chords(layers, switches)
        general = self._rules()
        own = {
            switch: self._rules(own=True)
            for switch in switches
            if Features.OWN_RULES in self._has and chance.random() < 0.15
        }
        turns = [
            (dial, name, self._key(), self._key())
            for dial in dials
            for name in names
            if name == "base" or chance.random() < 0.4
        ]
        return RandomKeymap(
            seed,
            self._text(seed, switches, layers, chords, general, own, dials, turns),
            Keymap(
                tuple(self._layer(name, cells, when, turns) for name, cells, when in layers),
                tuple(chord for chord, _ in chords),
                general,
                own,
            ),
            switches,
            dials,
        )

    @staticmethod
    def _layer(
        name: str,
        cells: dict[str, _Written],
        when: tuple[str, ...],
        turns: Iterable[tuple[str, str, _Written, _Written]],
    ) -> Layer:
        actions = {switch: written.action for switch, written in cells.items()}
        for dial, on, clockwise, counter in turns:
            if on == name:
                actions[dial_switch(dial, clockwise=True)] = clockwise.action
                actions[dial_switch(dial, clockwise=False)] = counter.action
        return Layer(name, actions, when)

    def _ways_in(self) -> list[str]:
        kinds = ["held"]
        kinds += ["lock"] * (Features.LOCK in self._has)
        kinds += ["bottom"] * (Features.BOTTOM in self._has)
        kinds += ["next"] * (Features.NEXT in self._has)
        kinds += ["dual"] * (Features.DUAL in self._has)
        return kinds

    def _when(self, name: str, names: Sequence[str]) -> tuple[str, ...]:
        others = [other for other in names if other != name]
        if Features.WHEN not in self._has or name == "base" or len(others) < 2 or self._chance.random() < 0.7:
            return ()
        return tuple(self._chance.sample(others, 2))

    # ---- cells

    def _cell(self, names: Sequence[str], *, is_solid: bool) -> _Written:
        """One cell; `is_solid`: `..` isn't allowed, since nothing may lie beneath."""
        has, chance = self._has, self._chance
        kinds = {
            "key": 6,
            "modified": 1,
            "character": 2,
            "modifier": 2,
            "off": 0.5,
            "beneath": 0 if is_solid else 8,
        }
        kinds["held"] = 0.7
        kinds["dual"] = 4 * (Features.DUAL in has)
        kinds["taps"] = 1 * (Features.TAPS in has)
        kinds["next"] = 1.5 * (Features.NEXT in has)
        kinds["lock"] = 0.7 * (Features.LOCK in has)
        kinds["typing"] = 1 * bool(self._sequences)
        kinds["text"] = 0.3 * (Features.SEQUENCES in has)
        kinds["media"] = 0.5 * (Features.MEDIA in has)
        kind = chance.choices(list(kinds), list(kinds.values()))[0]
        match kind:
            case "beneath":
                return _Written(Beneath(), "..")
            case "off":
                return _Written(Off(), "off")
            case "held":
                name = chance.choice(names[1:])
                return _Written(WhileHeld((name,)), name)
            case "dual":
                tap, tap_text = self._tap()
                hold, hold_text = self._hold(names)
                return _Written(TapOrHold(tap, hold), f"{tap_text}/{hold_text}")
            case "taps":
                actions = [self._simple() for _ in range(chance.randint(2, 3))]
                texts = ", ".join(text for _, text in actions)
                return _Written(ByTaps(tuple(action for action, _ in actions)), f"taps({texts})")
            case "next":
                target, text = self._target(names)
                return _Written(NextOnly(target), f"next({text})")
            case "lock":
                name, usage = self._modifier()
                return _Written(Lock(usage), f"lock({name})")
            case "typing":
                name = chance.choice(list(self._sequences))
                return _Written(self._sequences[name].action, name)
            case "text":
                text, strokes = self._quoted(chance.randint(2, 4))
                return _Written(Typing((Text(strokes),)), f'"{text}"')
            case "media":
                name, number = chance.choice(list(MEDIA.items()))
                return _Written(Press(Usage(0x0C, number)), name)
            case "modifier":
                name, usage = self._modifier()
                return _Written(Press(usage), name)
        return _Written(*self._simple(kind))

    def _simple(self, kind: str | None = None) -> tuple[Press, str]:
        chance = self._chance
        kind = kind or chance.choices(["key", "modified", "character"], [6, 1, 2])[0]
        if kind == "character":
            text, strokes = self._quoted(1)
            return strokes[0], f'"{text}"'
        name, number = chance.choice(list(KEYS.items()))
        if kind == "key":
            return Press(Usage(0x07, number)), name
        around = chance.sample(list(MODIFIERS.items()), chance.choice([1, 1, 1, 2]))
        if name.isdigit() or len(name) == 1:
            name = f"Digit{name}" if name.isdigit() else name
        words = "+".join(word for word, _ in around)
        return Press(Usage(0x07, number), frozenset(Usage(0x07, n) for _, n in around)), f"{words}+{name}"

    def _key(self) -> _Written:
        return _Written(*self._simple())

    def _tap(self) -> tuple[Simple, str]:
        if self._sequences and self._chance.random() < 0.1:
            name = self._chance.choice(list(self._sequences))
            action = self._sequences[name].action
            assert isinstance(action, Typing)
            return action, name
        return self._simple()

    def _hold(self, names: Sequence[str]) -> tuple[WhileHeld, str]:
        if self._chance.random() < 0.5:
            name = self._chance.choice(names[1:])
            return WhileHeld((name,)), name
        around = self._chance.sample(list(MODIFIERS.items()), self._chance.choice([1, 1, 2]))
        return WhileHeld(tuple(Usage(0x07, n) for _, n in around)), "+".join(word for word, _ in around)

    def _target(self, names: Sequence[str]) -> tuple[Target, str]:
        if self._chance.random() < 0.4:
            name = self._chance.choice(names[1:])
            return name, name
        word, usage = self._modifier()
        return usage, word

    def _modifier(self) -> tuple[str, Usage]:
        # The left Shift and Control more often, so that holders meet.
        word = self._chance.choices(list(MODIFIERS), [4, 6, 2, 1, 1, 2, 2, 1])[0]
        return word, Usage(0x07, MODIFIERS[word])

    def _quoted(self, length: int) -> tuple[str, tuple[Press, ...]]:
        """A text and the strokes that type it on the US layout."""
        while True:
            text = "".join(self._chance.choice(list(SIGNS)) for _ in range(length))
            if text != " ":
                break
        shift = frozenset({Usage(0x07, MODIFIERS["Shift"])})
        strokes = []
        for character in text:
            name, is_shifted = SIGNS[character]
            strokes.append(Press(Usage(0x07, KEYS[name]), shift if is_shifted else frozenset()))
        return text, tuple(strokes)

    def _sequence(self, name: str) -> _Written:
        items: list[Text | Press | Pause] = []
        words = []
        for _ in range(self._chance.randint(1, 4)):
            match self._chance.choice(["text", "key", "wait"]):
                case "text":
                    text, strokes = self._quoted(self._chance.randint(1, 3))
                    items.append(Text(strokes))
                    words.append(f'"{text}"')
                case "key":
                    press, word = self._simple(self._chance.choice(["key", "modified"]))
                    items.append(press)
                    words.append(word)
                case _:
                    time_ms = self._chance.choice([2, 5, 20])
                    items.append(Pause(time_ms * 1000))
                    words.append(f"wait {time_ms}ms")
        if all(isinstance(item, Pause) for item in items):
            items.append(Press(Usage(0x07, KEYS["Enter"])))
            words.append("Enter")
        return _Written(Typing(tuple(items)), f"sequence {name} = {' '.join(words)}")

    # ---- chords and rules

    def _chords(
        self, layers: Sequence[tuple[str, dict[str, _Written], tuple[str, ...]]], switches: Sequence[str]
    ) -> list[tuple[Chord, str]]:
        """Chords of keys that the layer itself has, no two of the same keys on one layer."""
        chance, chords, taken = self._chance, [], set()
        if Features.CHORDS not in self._has:
            return []
        for _ in range(chance.choice([0, 1, 2, 3, 4])):
            name, cells, _when = chance.choice(layers)
            able = [switch for switch in switches if not isinstance(cells[switch].action, Beneath)]
            if len(able) < 2:
                continue
            members = chance.sample(able, min(len(able), chance.choice([2, 2, 3])))
            if (name, frozenset(members)) in taken:
                continue
            taken.add((name, frozenset(members)))
            written = self._chord_action([layer[0] for layer in layers])
            chords.append(
                (
                    Chord(frozenset(members), name, written.action),
                    f"chord {' '.join(members)} on {name} = {written.text}",
                )
            )
        return chords

    def _chord_action(self, names: Sequence[str]) -> _Written:
        while True:
            written = self._cell(names, is_solid=True)
            if not isinstance(written.action, ByTaps):
                return written

    def _rules(self, *, own: bool = False) -> Rules:
        chance = self._chance
        often = 0.35 if own else 0.5

        def one(values: Sequence[int]) -> int | None:
            return chance.choice(values) * 1000 if chance.random() < often else None

        rules = Rules(
            hold_after_us=one([92, 182, 222, 402, SLOW_MS]),
            chord_within_us=one([17, 42, 72]) if Features.CHORDS in self._has else None,
            taps_within_us=one([82, 202, 302]) if Features.TAPS in self._has else None,
        )
        if Features.DUAL in self._has:
            rules = replace(
                rules,
                hold_if_another_key=chance.choice([None, "tapped", "pressed"]),
                tap_if_typing_within_us=one([62, 122]),
                repeat_if_tapped_within_us=one([102, 152]),
            )
            if not own and chance.random() < 0.2:  # keys that stay undecided until the queue is full
                rules = replace(rules, hold_after_us=SLOW_MS * 1000, hold_if_another_key=None)
        if Features.NEXT in self._has and chance.random() < 0.4:
            rules = replace(rules, next_twice_locks=True)
        return rules

    # ---- the file

    def _text(
        self,
        seed: int,
        switches: Sequence[str],
        layers: Sequence[tuple[str, dict[str, _Written], tuple[str, ...]]],
        chords: Sequence[tuple[Chord, str]],
        general: Rules,
        own: dict[str, Rules],
        dials: Sequence[str],
        turns: Sequence[tuple[str, str, _Written, _Written]],
    ) -> str:
        lines = [
            f'keyboard "Random {seed}" {{ host-layout linux-us }}',
            "wiring {",
            "    diodes cathode-to-row",
        ]
        lines.append("    columns " + " ".join(f"GPIO{number}" for number in range(6, 6 + 3)))
        for row in range(0, len(switches), 3):
            names = [*switches[row : row + 3], "--", "--"][:3]
            lines.append(f"    row GPIO{2 + row // 3} {' '.join(names)}")
        lines += [f"    dial GPIO{20 + 2 * n} GPIO{21 + 2 * n} {dial}" for n, dial in enumerate(dials)]
        lines += ["}", "shape {", f"    {' '.join(switches)}", "}"]
        lines += ["timing {", f"    {self._debounce}", *_rule_lines(general), "}"]
        for switch, rules in own.items():
            if said := _rule_lines(rules):
                lines += [f"timing {switch} {{", *said, "}"]
        for number, (name, cells, when) in enumerate(layers):
            condition = f" when {' and '.join(when)}" if when else ""
            if number and self._chance.random() < 0.4:  # sparse: what isn't named is `..`
                named = [
                    f"    {switch} = {written.text}"
                    for switch, written in cells.items()
                    if not isinstance(written.action, Beneath)
                ]
                lines += [f"layer {name}{condition} {{", *named, "}"]
            else:
                row_text = " ".join(written.text for written in cells.values())
                lines += [f"layer {name}{condition} {{", f"    {row_text}", "}"]
        lines += [
            f"dial {dial} on {name} {{ clockwise = {one.text}  counter-clockwise = {other.text} }}"
            for dial, name, one, other in turns
        ]
        lines += [text for _, text in chords]
        lines += [written.text for written in self._sequences.values()]
        return "\n".join(lines) + "\n"


def _rule_lines(rules: Rules) -> list[str]:
    def time(words: str, time_us: int | None) -> list[str]:
        return [] if time_us is None else [f"    {words} {time_us // 1000}ms"]

    lines = time("hold-after", rules.hold_after_us) + time("chord-within", rules.chord_within_us)
    lines += time("taps-within", rules.taps_within_us)
    lines += time("tap-if typing-within", rules.tap_if_typing_within_us)
    lines += time("repeat-if tapped-within", rules.repeat_if_tapped_within_us)
    if rules.hold_if_another_key is not None:
        lines.append(f"    hold-if another-key {rules.hold_if_another_key}")
    if rules.next_twice_locks:
        lines.append("    next-twice locks")
    return lines


# ---- hands


def thresholds_us(keymap: Keymap) -> tuple[int, ...]:
    """Every time that a decision of this keymap may be measured by, ascending."""
    general = keymap.rules.over(DEFAULTS)
    actions = [action for layer in keymap.layers for action in layer.cells.values()]
    actions += [chord.action for chord in keymap.chords]
    found: set[int | None] = set()
    for rules in (general, *(own.over(general) for own in keymap.rules_of.values())):
        if any(isinstance(action, TapOrHold) for action in actions):
            found |= {rules.hold_after_us, rules.tap_if_typing_within_us, rules.repeat_if_tapped_within_us}
        if any(isinstance(action, ByTaps) for action in actions):
            found.add(rules.taps_within_us)
        if keymap.chords:
            found.add(rules.chord_within_us)
    return tuple(sorted(time_us for time_us in found if time_us is not None))


def random_changes(
    seed: int,
    made: RandomKeymap,
    count: int,
    *,
    spacing_us: int = 2000,
    margin_us: int = 2000,
    same_switch_us: int = 4000,
) -> list[Change]:
    """About `count` changes by hands of all kinds, all switches up at the end.

    Two changes are at least `spacing_us` apart, those of one switch `same_switch_us`, and none lies
    within `margin_us` of a moment at which an earlier one is decided by time: so a board that looks
    every millisecond must come to the same result. Times are whole multiples of 125 us.
    """
    return _Hands(random.Random(seed), made, spacing_us, margin_us, same_switch_us).changes(count)


class _Hands:
    def __init__(
        self, chance: random.Random, made: RandomKeymap, spacing_us: int, margin_us: int, same_switch_us: int
    ) -> None:
        self._chance = chance
        self._made = made
        self._spacing_us = spacing_us
        self._margin_us = margin_us
        self._same_switch_us = same_switch_us
        self._thresholds = thresholds_us(made.keymap)
        self._times: list[int] = []  # of all changes so far, ascending
        self._last_of: dict[str, int] = {}
        self._down: list[str] = []
        self._changes: list[Change] = []
        self._now_us = 1000

    def changes(self, count: int) -> list[Change]:
        kinds = [
            self._type,
            self._type,
            self._fumble,
            self._fumble,
            self._aim,
            self._aim,
            self._flood,
            self._rest,
        ]
        while len(self._changes) < count:
            self._chance.choice(kinds)()
        self._let_go()
        return self._changes

    # ---- kinds of hands

    def _type(self) -> None:
        """Somebody who types: 4 to 15 presses a second, rolls, now and then a long hold."""
        pace_us = self._chance.randint(65_000, 250_000)
        ups: list[tuple[int, str]] = []
        at_us = self._now_us + self._chance.randint(2_000, 400_000)
        for _ in range(self._chance.randint(3, 12)):
            switch = self._any_up([name for _, name in ups])
            if switch is None:
                break
            is_long = self._chance.random() < 0.15
            held_us = (
                self._chance.randint(250_000, 700_000) if is_long else self._chance.randint(40_000, 140_000)
            )
            for up in sorted(ups):
                if up[0] < at_us:
                    self._change(up[1], up[0])
                    ups.remove(up)
            self._change(switch, at_us)
            ups.append((at_us + held_us, switch))
            at_us += max(2_000, round(self._chance.gauss(pace_us, pace_us / 3)))
        for until_us, name in sorted(ups):
            self._change(name, until_us)

    def _fumble(self) -> None:
        """Switches go down and up as they like, close to each other."""
        longest_us = self._chance.choice([4_000, 15_000, 60_000, 200_000])
        for _ in range(self._chance.randint(3, 15)):
            self._change(self._any(), self._now_us + self._chance.randint(1_000, longest_us))

    def _aim(self) -> None:
        """Changes just before and just after the moments that decide."""
        for _ in range(self._chance.randint(2, 10)):
            from_us = self._chance.choice(self._times[-4:]) if self._times else self._now_us
            beside_us = self._margin_us + 125 * self._chance.randint(0, 16)
            threshold_us = self._chance.choice(self._thresholds or (100_000,))
            self._change(self._any(), from_us + threshold_us + self._chance.choice([-1, 1]) * beside_us)

    def _flood(self) -> None:
        """About as many changes as the queue holds, or more, while a key is down that may be undecided."""
        keymap = self._made.keymap
        slow = [
            name
            for name in self._made.switches
            if isinstance(keymap.layers[0].cells[name], TapOrHold)
            and (keymap.rules_of.get(name, keymap.rules).hold_after_us or 0) >= 400_000
        ]
        if not slow or self._chance.random() < 0.4:
            return
        self._rest()
        held = self._chance.choice(slow)
        self._change(held, self._now_us)
        others = [name for name in (*self._made.switches, *self._made.dials) if name != held]
        for _ in range(self._chance.randint(56, 90)):
            self._change(self._chance.choice(others), self._now_us + FLOOD_STEP_US)
        self._change(held, self._now_us + FLOOD_STEP_US)

    def _rest(self) -> None:
        self._let_go()
        self._now_us += 2_500_000

    # ---- one change

    def _any(self) -> str:
        """Any switch or dial; a switch that is down is likelier the more are down."""
        if self._made.dials and self._chance.random() < 0.1:
            return self._chance.choice(self._made.dials)
        if self._down and self._chance.random() < 0.15 + 0.15 * len(self._down):
            return self._chance.choice(self._down)
        return self._chance.choice(self._made.switches)

    def _any_up(self, but: Iterable[str]) -> str | None:
        able = [name for name in self._made.switches if name not in self._down and name not in set(but)]
        return self._chance.choice(able) if able else None

    def _let_go(self) -> None:
        for name in self._chance.sample(self._down, len(self._down)):
            self._change(name, self._now_us + self._chance.randint(2_000, 90_000))

    def _change(self, name: str, at_us: int) -> None:
        """The switch changes, or the dial turns by a detent, at the first fit moment from `at_us` on."""
        at_us = self._fit_us(
            max(at_us, self._now_us, self._last_of.get(name, -(10**9)) + self._same_switch_us)
        )
        self._now_us = at_us
        self._times.append(at_us)
        self._last_of[name] = at_us
        if name in self._made.dials:
            self._changes += detent(at_us, name, clockwise=self._chance.random() < 0.5)
        elif name in self._down:
            self._down.remove(name)
            self._changes.append(Change(at_us, name, False))
        else:
            self._down.append(name)
            self._changes.append(Change(at_us, name, True))

    def _fit_us(self, at_us: int) -> int:
        at_us = -(-at_us // 125) * 125
        if self._times:
            at_us = max(at_us, self._times[-1] + self._spacing_us)
        while True:
            later_us = max(
                (self._clear_us(at_us, threshold) for threshold in self._thresholds), default=at_us
            )
            if later_us == at_us:
                return at_us
            at_us = later_us

    def _clear_us(self, at_us: int, threshold_us: int) -> int:
        """`at_us`, or the first moment after it that no earlier change has this threshold near."""
        times, margin_us = self._times, self._margin_us
        place = bisect_left(times, at_us - threshold_us - margin_us + 1)
        while place < len(times) and times[place] + threshold_us - margin_us < at_us:
            at_us = max(at_us, times[place] + threshold_us + margin_us)
            place += 1
        return at_us
