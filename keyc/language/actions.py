"""Words of a cell → what the key does: key names, characters, modifiers, layers, `let`s."""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Mapping
from collections.abc import Sequence as Many

from keyc.keyboard import (
    Action,
    Cell,
    LayerHeld,
    Off,
    Pause,
    PointerPress,
    Press,
    Sequence,
    Stroke,
    TapOrHold,
    Through,
    Typing,
    Usage,
    UsbBoot,
)
from keyc.language import measures
from keyc.language.calls import Calls, is_simple, target_of
from keyc.language.given_names import GivenNames
from keyc.language.mistakes import Mistakes, cut
from keyc.language.statements import Action as Written
from keyc.language.statements import Call, Dual, Let, Modified, SequenceStatement, Statement, Word
from keyc.language.statements import Pause as PauseWritten
from keyc.language.texts import Texts
from keyc.language.words import RESERVED
from keyc.layouts import Layout, written_press
from keyc.source import Span
from keyc.usages import BUTTON_PAGE, KEYBOARD_PAGE, full_name, modifier_of, name_for_spoken, usage_of

_PAUSE_MOST_US = 60_000_000
_STROKES_MOST = 4096  # of one sequence: some pages of text
_MODIFIERS = ("Control", "Shift", "Alt", "Meta", "AltRight", "ShiftRight", "ControlRight", "MetaRight")
_LETS_DEEP = 50  # a chain of `let`s as long as the file must not exhaust Python's stack
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_KEYS_EXPECTED = "after `expect` stand the keys that must come, or `nothing`, or `nothing-held`"


class Actions:
    """What the words in a file's cells mean: the names given in it, and those of keys.

    Without a `host`, whose name nobody knows, nothing is said of what keys type.
    """

    def __init__(self, statements: Iterable[Statement], host: Layout | None, mistakes: Mistakes) -> None:
        self._host = host
        self._mistakes = mistakes
        self.names = GivenNames(statements, mistakes)
        self._texts = Texts(host, mistakes)
        self._calls = Calls(self.names, mistakes, self.action)
        self._let_actions: dict[str, Action | None] = {}
        self._sequence_actions: dict[str, Typing | None] = {}
        self._lets_in_progress: list[str] = []
        self._known: dict[str, tuple[Action, str | None]] = {}  # what was understood, by its spelling
        self._moved_letters = _moved_letters(host) if host else {}

    def check_names(self) -> None:
        """Tells the mistakes of lets and sequences that no cell uses."""
        for let in self.names.lets.values():
            self._let(let)
        for sequence in self.names.sequences.values():
            self._sequence(sequence)

    # ---- cells

    def cell(self, written: Written) -> Cell:
        """One cell of a layer; one that can't be understood, which is told, does nothing."""
        source = self._mistakes.source
        text = source.text[written.start : written.end]
        known = self._known.get(text)
        if known is None:
            told = len(self._mistakes.diagnostics)
            action = self.action(written)
            types = self._typed(action)
            known = (Off() if action is None else action, types)
            if action is not None and len(self._mistakes.diagnostics) == told:
                self._known[text] = known
        return Cell(known[0], text, known[1], Span(source, written.start, written.end))

    def _typed(self, action: Action | None) -> str | None:
        """What a press, or the tap of a dual-role key, types on the host."""
        if isinstance(action, TapOrHold):
            return self._typed(action.tap)
        return self._host.types(action) if self._host and isinstance(action, Press) else None

    def action(self, written: Written) -> Action | None:
        """What a cell does; None, and told, if it can't be understood."""
        if isinstance(written, Dual):
            return self._dual(written)
        if not isinstance(written, Word):
            return self._modified(written) if isinstance(written, Modified) else self._calls.action(written)
        text = written.text
        if text == "..":
            return Through()
        if text == "off":
            return Off()
        if text == "usb-boot":
            return UsbBoot()
        if text in self.names.layers:
            return LayerHeld(text)
        if text in self.names.lets:
            return self._let(self.names.lets[text])
        if text in self.names.sequences:
            return self._sequence(self.names.sequences[text])
        if text[0] == '"':
            return self._texts.pressed(written)
        return self._press(written)

    def expected(self, parts: Many[Written], switches: Container[str]) -> Many[Written]:
        """What a scenario expects, without the words that can't stand there, which are told."""
        words = [part for part in parts if isinstance(part, Word) and part.text[0] != '"']
        if all(usage_of(word.text) is not None or word.text in self.names for word in words):
            return parts
        from keyc.language.unknown_keys import keys_expected

        return keys_expected(parts, switches, self.names, self._mistakes)

    def expected_presses(self, part: Written) -> tuple[Press, ...]:
        """The presses that a scenario expects: a key, or those of a text or a sequence. None, and told,
        for what sends no key."""
        action = self.action(part)
        match action:
            case None:
                return ()
            case Press():
                return (action,)
            case PointerPress(button):
                return (Press(Usage(BUTTON_PAGE, button)),)
            case Typing(sequence):
                return tuple(step.press for step in sequence.steps if isinstance(step, Stroke))
        self._mistakes.tell(
            "expects-no-key",
            f"`{self._mistakes.quote(part)}` sends no key",
            part,
            _KEYS_EXPECTED,
        )
        return ()

    # ---- one key

    def _press(self, word: Word) -> Press | None:
        """A key's name, a digit, or one quoted character."""
        text = word.text
        if text[0] == '"':
            quoted = self._texts.pressed(word)
            if isinstance(quoted, Typing):
                self._mistakes.tell(
                    "key-after-plus",
                    "a text of several characters can't stand after `+`",
                    word,
                    "after the modifiers comes one key or one character in quotes: Control+Z",
                )
                return None
            return quoted
        if text[0] in ".0123456789":
            return self._digit(word)
        usage = usage_of(text)
        if usage is None:
            from keyc.language.unknown_keys import tell_unknown_key

            tell_unknown_key(word, self.names, self._mistakes)
            return None
        if self._host and len(text) == 1 and text.upper() in self._moved_letters:
            self._moved_letter(word, self._host)
        return Press(usage)

    def _moved_letter(self, word: Word, host: Layout) -> None:
        letter = word.text.lower()
        strokes = host.strokes(letter)
        own = f" (that is {written_press(strokes[0])})" if strokes and len(strokes) == 1 else ""
        self._mistakes.tell(
            "letter-types-another",
            f"with {host.name}, `{word.text}` types {self._moved_letters[letter.upper()]}",
            word,
            f'to type {letter} write "{letter}"{own}; to mean the place write {full_name(letter)}',
            severity="warning",
        )

    def _digit(self, word: Word) -> Press | None:
        text = word.text
        usage = usage_of(text) if len(text) == 1 else None
        if usage is not None:
            return Press(usage)
        if self._mistakes.lost(text):
            return None
        if text.isascii() and text.isdigit():
            message = f"`{cut(text)}` is not one key"
            help = f"write {' '.join(text[:12])}: one digit to a cell"
        else:
            message = f"`{cut(text)}` is no key"
            help = "a cell holds one digit, a key's name or a text in quotes"
        self._mistakes.tell("digits-in-cell", message, word, help)
        return None

    def _sequence(self, statement: SequenceStatement) -> Typing | None:
        """What a `sequence` types; its mistakes are told once."""
        name = statement.name.text
        if name not in self._sequence_actions:
            steps: list[Stroke | Pause] = []
            sound = True
            for part in statement.strokes:
                made = self._sequence_part(part)
                sound = sound and made is not None
                steps += made or ()
            if len(steps) > _STROKES_MOST:
                sound = False
                self._mistakes.tell(
                    "number-out-of-range",
                    f"this sequence has {len(steps)} strokes",
                    statement.name,
                    f"make it shorter: there is room for {_STROKES_MOST}",
                )
            self._sequence_actions[name] = Typing(Sequence(name, tuple(steps))) if sound else None
        return self._sequence_actions[name]

    def _sequence_part(self, part: Written | PauseWritten) -> Many[Stroke | Pause] | None:
        """A key, a text or a wait of a sequence; None, and told, for anything else."""
        if isinstance(part, PauseWritten):
            try:
                return (Pause(measures.time_us(part.time.text, least_us=1, most_us=_PAUSE_MOST_US)),)
            except measures.Misread as misread:
                self._mistakes.misread(misread, part.time)
                return None
        if isinstance(part, Word) and part.text[0] == '"':
            return self._texts.typed(part)
        if isinstance(part, Word) and part.text in self.names.sequences:
            action: Action | None = Off()
        else:
            action = self.action(part)
        match action:
            case None:
                return None
            case Press():
                return (Stroke(action),)
            case Typing(sequence):
                return sequence.steps
        self._mistakes.tell(
            "not-a-stroke",
            f"`{self._mistakes.quote(part)}` can't be typed in a sequence",
            part,
            'a sequence is made of keys, texts in quotes and waits: "Kind regards," Enter wait 50ms Tab',
        )
        return None

    # ---- what is made of several words

    def _modified(self, written: Modified) -> Press | None:
        if self._stands_apart(written, written.signs):
            return None
        modifiers: list[int] = []
        for word in written.modifiers:
            number = modifier_of(word.text)
            if number is None:
                self._not_a_modifier(word, written)
                return None
            if number in modifiers:
                help = "take one of them out"
                self._mistakes.tell("said-twice", f"`{word.text}` is said a second time", word, help)
                return None
            modifiers.append(number)
        key = written.key
        if isinstance(key, Word) and (key.text in self.names or key.text in RESERVED):
            self._tell_no_key_after_plus(key, key.text)
            return None
        if isinstance(key, Call):
            press = self._calls.action(key)
            if press is not None and not isinstance(press, Press):
                self._tell_no_key_after_plus(key.name, f"{key.name.text}(…)")
                return None
        else:
            press = self._press(key)
        if press is None:
            return None
        around = {number for number in modifiers if press.usage != Usage(KEYBOARD_PAGE, number)}
        return Press(press.usage, tuple(sorted(around.union(press.modifiers))))

    def _tell_no_key_after_plus(self, word: Word, text: str) -> None:
        self._mistakes.tell(
            "key-after-plus",
            f"`{text}` can't stand after `+`",
            word,
            "after the modifiers comes one key or one character in quotes: Control+Z",
        )

    def _not_a_modifier(self, word: Word, written: Modified) -> None:
        meant = name_for_spoken(word.text)
        if meant is None or modifier_of(meant) is None:
            meant = self._mistakes.nearest(word.text, _MODIFIERS)
        key = written.key
        if meant:
            help = f"write {meant}"
        elif isinstance(key, Word) and modifier_of(key.text) is not None and usage_of(word.text) is not None:
            others = [f"{one.text}+" for one in written.modifiers if one is not word]
            help = f"the modifiers come first: write {''.join(others)}{key.text}+{word.text}"
        else:
            help = "before `+` stand Control, Shift, Alt or Meta, or one hand's: AltRight"
        self._mistakes.tell("not-a-modifier", f"`{cut(word.text)}` is not a modifier", word, help)

    def _stands_apart(self, written: Modified | Dual, signs: Many[Word]) -> bool:
        """Whether blanks stand around `/` or `+`; told once for an action."""
        text = self._mistakes.source.text
        for sign in signs:
            around = text[sign.start - 1] + text[sign.end]
            if around.strip() != around or "\\" in around:
                joined = re.sub(r"\s*([/+])\s*", r"\1", text[written.start : written.end])
                self._mistakes.tell(
                    "blanks-around-sign",
                    f"blanks stand around this `{sign.text}`",
                    sign,
                    f'write {cut(joined)} in one piece; for the character write "{sign.text}" in quotes',
                )
                return True
        return False

    def _dual(self, written: Dual) -> TapOrHold | None:
        if self._stands_apart(written, written.signs):
            return None
        if len(written.parts) > 2:
            self._mistakes.tell(
                "slash-twice",
                "a second `/` in one cell",
                written.signs[1],
                "a cell has one `/`, between the key when tapped and what is on while held",
            )
            return None
        tap, hold = map(self.action, written.parts)
        target = None if hold is None else target_of(hold)
        if hold is not None and target is None:
            help = "after `/` comes what is on while the key is held: a layer or modifiers, as in Space/Shift"
            first, second = map(self._mistakes.quote, written.parts)
            if isinstance(hold, Press) and tap is not None and target_of(tap) is not None:
                help = f"the key comes first: write {second}/{first}"
            self._mistakes.tell(
                "hold-is-no-layer", f"`{second}` can't be held by `/`", written.parts[1], help
            )
        if tap is not None and not is_simple(tap, written.parts[0], self._mistakes, "before `/`"):
            return None
        return None if tap is None or target is None else TapOrHold(tap, target)

    def _let(self, let: Let) -> Action | None:
        """The action that a `let` stands for; None if it can't be understood."""
        name = let.name.text
        if name in self._let_actions:
            return self._let_actions[name]
        if name in self._lets_in_progress:
            circle = self._lets_in_progress[self._lets_in_progress.index(name) :]
            self._mistakes.tell(
                "let-in-a-circle",
                f"`{name}` stands for itself: {cut(' → '.join([*circle, name]), 60)}",
                let.name,
                "let one of them stand for an action",
            )
            self._let_actions.update(dict.fromkeys(circle))
            return None
        if len(self._lets_in_progress) == _LETS_DEEP:
            help = "name the action itself"
            message = f"more than {_LETS_DEEP} lets stand for one another"
            self._mistakes.tell("let-in-a-circle", message, let.name, help)
            return None
        self._lets_in_progress.append(name)
        action = self.action(let.action)
        self._lets_in_progress.pop()
        return self._let_actions.setdefault(name, action)


def _moved_letters(host: Layout) -> Mapping[str, str]:
    """The letters whose keys type something else under a host layout, and what they type."""
    moved = {}
    for letter in _LETTERS:
        usage = usage_of(letter)
        typed = host.types(Press(usage)) if usage else None
        if typed is None or typed.upper() != letter:
            moved[letter] = typed or "no letter"
    return moved
