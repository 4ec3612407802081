"""Words of a cell → what the key does: key names, characters, modifiers, layers, `let`s."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from collections.abc import Sequence as Many

from keyc import measures
from keyc.keyboard import (
    Action,
    Bottom,
    ByTaps,
    Cell,
    Direction,
    LayerHeld,
    NextOnly,
    Off,
    Pause,
    PointerMove,
    PointerPress,
    Press,
    Sequence,
    Stroke,
    TapOrHold,
    Target,
    Through,
    Typing,
    UntilPressedAgain,
    Usage,
    UsbBoot,
    Wheel,
)
from keyc.layouts import Layout, written_press
from keyc.mistakes import Mistakes, cut
from keyc.source import Span
from keyc.syntax import (
    LATCH_HELP,
    RESERVED,
    Call,
    Dual,
    LayerBlock,
    Let,
    Modified,
    Part,
    SequenceStatement,
    Statement,
    Word,
)
from keyc.syntax import Action as Written
from keyc.syntax import Pause as PauseWritten
from keyc.usages import (
    BUTTON_PAGE,
    KEYBOARD_PAGE,
    full_name,
    instead_of,
    is_key_name_in_any_case,
    is_modifier,
    is_reportable,
    key_names,
    modifier_of,
    name_for_spoken,
    short_names,
    usage_of,
)

_CALLED = {
    "usage": "usage(0x0C, 0x00E9)",
    "next": "next(Shift)",
    "lock": "lock(Shift)",
    "bottom": "bottom(base)",
    "taps": "taps(A, B)",
    "pointer": "pointer(left)",
    "pointer-press": "pointer-press(1)",
    "wheel": "wheel(up)",
}
CALLS = tuple(_CALLED)
_BUTTONS = 5  # of the pointer's report
_PAUSE_MOST_US = 60_000_000
_STROKES_MOST = 4096  # of one sequence: some pages of text
_MODIFIERS = ("Control", "Shift", "Alt", "Meta", "AltRight", "ShiftRight", "ControlRight", "MetaRight")
_LETS_DEEP = 50  # a chain of `let`s as long as the file must not exhaust Python's stack
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_KEYS_EXPECTED = "after `expect` stand the keys that must come, or `nothing`, or `nothing-held`"


def unescaped(word: Word) -> str:
    """What a quoted text says. Raises Misread for a backslash before anything but `"` and `\\`."""
    inside = word.text[1:-1]
    if "\\" not in inside:
        return inside
    wrong = re.search(r'\\([^"\\])', inside.replace("\\\\", "\0\0"))
    if wrong:
        raise measures.Misread(
            "text-escape",
            f"`\\{wrong[1]}` means nothing in a text",
            'write \\\\ for one backslash, \\" for a quote; Tab and Enter are keys with names',
        )
    return re.sub(r'\\(["\\])', r"\1", inside)


class Actions:
    """What the words in a file's cells mean: the names given in it, and those of keys."""

    def __init__(self, statements: Iterable[Statement], host: Layout, mistakes: Mistakes) -> None:
        self._host = host
        self._mistakes = mistakes
        self.layers: dict[str, LayerBlock] = {}
        self._lets: dict[str, Let] = {}
        self._sequences: dict[str, SequenceStatement] = {}
        self._let_actions: dict[str, Action | None] = {}
        self._sequence_actions: dict[str, Typing | None] = {}
        self._lets_in_progress: list[str] = []
        self._known: dict[str, tuple[Action, str | None]] = {}  # what was understood, by its spelling
        self._moved_letters = _moved_letters(host)
        self._collect_names(statements)

    def _collect_names(self, statements: Iterable[Statement]) -> None:
        """Layers, lets and sequences share one space of names with the keys."""
        first_named: dict[str, tuple[Word, str]] = {}
        for statement in statements:
            if isinstance(statement, LayerBlock):
                what = "a layer"
                self.layers.setdefault(statement.name.text, statement)
            elif isinstance(statement, Let):
                what = "a `let`"
                self._lets.setdefault(statement.name.text, statement)
            elif isinstance(statement, SequenceStatement):
                what = "a sequence"
                self._sequences.setdefault(statement.name.text, statement)
            else:
                continue
            word = statement.name
            first, first_what = first_named.setdefault(word.text, (word, what))
            if not word.text:
                continue  # the parser has told of it
            if first is not word:
                self._mistakes.taken(word, self._mistakes.at(first), first_what)
            elif self._mistakes.refused_name(word):
                continue
            elif is_key_name_in_any_case(word.text):
                self._mistakes.tell(
                    "name-taken",
                    f"`{word.text}` is taken: it is a key's name",
                    word,
                    f"choose another name, such as my-{word.text}; capitals make no difference here",
                )

    def check_names(self) -> None:
        """Tells the mistakes of lets and sequences that no cell uses."""
        for let in self._lets.values():
            self._let(let)
        for sequence in self._sequences.values():
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
        return self._host.types(action) if isinstance(action, Press) else None

    def action(self, written: Written) -> Action | None:
        """What a cell does; None, and told, if it can't be understood."""
        if isinstance(written, Dual):
            return self._dual(written)
        if not isinstance(written, Word):
            return self._modified(written) if isinstance(written, Modified) else self._call(written)
        text = written.text
        if text == "..":
            return Through()
        if text == "off":
            return Off()
        if text == "usb-boot":
            return UsbBoot()
        if text in self.layers:
            return LayerHeld(text)
        if text in self._lets:
            return self._let(self._lets[text])
        if text in self._sequences:
            return self._sequence(self._sequences[text])
        if text[0] == '"':
            return self._quoted(written)
        return self._press(written)

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
            f"`{self._cut(part)}` sends no key",
            self._mistakes.span(part.start, part.end),
            _KEYS_EXPECTED,
        )
        return ()

    def unknown_layer(self, word: Word) -> None:
        """Tells that no layer has this name."""
        near = self._mistakes.nearest(word.text, self.layers)
        help = f"did you mean {near}?" if near else "the layers are " + cut(", ".join(self.layers), 60)
        self._mistakes.unknown(f"no layer is called `{cut(word.text)}`", word, help)

    # ---- one key

    def _press(self, word: Word) -> Press | None:
        """A key's name, a digit, or one quoted character."""
        text = word.text
        if text[0] == '"':
            quoted = self._quoted(word)
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
            self._unknown_key(word)
            return None
        if len(text) == 1 and text.upper() in self._moved_letters:
            self._moved_letter(word)
        return Press(usage)

    def _moved_letter(self, word: Word) -> None:
        letter = word.text.lower()
        strokes = self._host.strokes(letter)
        own = f" (that is {written_press(strokes[0])})" if strokes and len(strokes) == 1 else ""
        self._mistakes.tell(
            "letter-types-another",
            f"with {self._host.name}, `{word.text}` types {self._moved_letters[letter.upper()]}",
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
            message, help = (
                f"`{cut(text)}` is not one key",
                f"write {' '.join(text[:12])}: one digit to a cell",
            )
        else:
            message, help = (
                f"`{cut(text)}` is no key",
                "a cell holds one digit, a key's name or a text in quotes",
            )
        self._mistakes.tell("digits-in-cell", message, word, help)
        return None

    def _quoted(self, word: Word) -> Press | Typing | None:
        """The press that types one quoted character under the host layout, or a text to be typed."""
        try:
            text = unescaped(word)
        except measures.Misread as misread:
            self._mistakes.misread(misread, word)
            return None
        if not text:
            help = 'write the character between the quotes: "!"'
            if self._mistakes.source.text[word.end : word.end + 1] != '"':  # the third quote of `"""` is told
                self._mistakes.tell("text-empty", "this text is empty", word, help)
            return None
        if len(_characters(word)) > 1:
            strokes = self._text(word)
            return None if strokes is None else Typing(Sequence(None, strokes))
        presses = self._character(text, word)
        if presses is None or len(presses) == 1:
            return presses[0] if presses else None
        first = written_press(presses[0])
        count = "two" if len(presses) == 2 else len(presses)
        self._mistakes.tell(
            "character-needs-two-strokes",
            f"with {self._host.name}, {_shown(text)} takes {count} strokes: "
            + " then ".join(map(written_press, presses)),
            word,
            f"a key makes one stroke: write the first one, {first}, and type the rest by hand; or make it a "
            f"sequence, which types them all: sequence my-letter = {cut(word.text)}",
        )
        return None

    def _text(self, word: Word) -> tuple[Stroke, ...] | None:
        """The strokes that type a quoted text; None, and told, if a character can't be typed."""
        strokes: list[Stroke] = []
        sound = True
        for character, start, end in _characters(word):
            presses = self._character(character, self._mistakes.span(start, end))
            if presses is None:
                sound = False
            else:
                strokes += [Stroke(press, in_text=True) for press in presses]
        return tuple(strokes) if sound else None

    def _character(self, character: str, where: Word | Span) -> Many[Press] | None:
        """The presses of one character, which may be written in two code points: é."""
        if not character.isascii():
            from unicodedata import normalize

            character = normalize("NFC", character)
        presses: list[Press] = []
        for one in character:
            strokes = self._host.strokes(one)
            if strokes is None:
                self._mistakes.tell(
                    "character-not-on-layout",
                    f"{self._host.name} can't type {_shown(one)}",
                    where,
                    "write a character that the computer's layout has, or set `host-layout` to the one "
                    "it uses",
                )
                return None
            presses += strokes
        return presses

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
            return self._text_of_sequence(part)
        if isinstance(part, Word) and part.text in self._sequences:
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
        text = self._mistakes.source.text[part.start : part.end]
        self._mistakes.tell(
            "not-a-stroke",
            f"`{cut(text)}` can't be typed in a sequence",
            self._mistakes.span(part.start, part.end),
            'a sequence is made of keys, texts in quotes and waits: "Kind regards," Enter wait 50ms Tab',
        )
        return None

    def _text_of_sequence(self, word: Word) -> tuple[Stroke, ...] | None:
        try:
            text = unescaped(word)
        except measures.Misread as misread:
            self._mistakes.misread(misread, word)
            return None
        if not text:
            help = "write what is to be typed between the quotes, or take them out"
            self._mistakes.tell("text-empty", "this text is empty", word, help)
            return None
        return self._text(word)

    def _unknown_key(self, word: Word) -> None:
        text = word.text
        if self._mistakes.lost(text):
            return
        if text == "latch":
            self._mistakes.unknown("`latch` is not used here", word, LATCH_HELP)
        elif text in CALLS:
            self._mistakes.unknown(
                f"`{text}` wants something in brackets", word, f"write {_CALLED[text]}, in one piece"
            )
        elif text in RESERVED:
            self._mistakes.unknown(
                f"`{text}` is a word of the language, not an action",
                word,
                "write a key's name, a character in quotes, a layer, `..`, `off` or `usb-boot`",
            )
        else:
            help = self._key_meant_by(text)
            if help is None and "" in self.layers:
                return  # a layer's name is missing, which is told: likely this one
            help = help or "`keyc names` lists every key; layers and lets get their names in this file"
            self._mistakes.unknown(f"no key, layer or let is called `{cut(text)}`", word, help)

    def cells_meant_by(self, written: Written) -> int:
        """How many cells a word without a meaning may have been meant as: `12` and `EscapeQ` are two."""
        text = written.text if isinstance(written, Word) else ""
        if text.isascii() and text.isdigit():
            return len(text)
        return 2 if self._two_in_one(text) else 1

    def _two_in_one(self, text: str) -> tuple[str, str] | None:
        """The two keys' names that were written without a blank between them, if a word is such."""
        if any(text in known for known in (self.layers, self._lets, self._sequences)) or usage_of(text):
            return None
        halves = ((text[:at], text[at:]) for at in range(2, len(text)))
        known = (two for two in halves if two[1][0].isupper() and all(map(usage_of, two)))
        return next((two for two in known if modifier_of(two[0]) is None), None)

    def _key_meant_by(self, text: str) -> str | None:
        """Help for a word that names no key, if there is any but where to look."""
        if len(text) == 1:
            return f'for the character write it in quotes: "{text}"'
        if not text.isascii():
            from unicodedata import normalize

            narrow = normalize("NFKC", text)
            if narrow.isascii():
                return f"write {narrow}, with the keyboard set to Latin letters"
        first, _, last = text.rpartition("-")
        if last and usage_of(last) is not None and all(modifier_of(one) for one in first.split("-")):
            return f"did you mean {text.replace('-', '+')}?"
        instead = instead_of(text)
        if instead:
            return instead
        spoken = name_for_spoken(text)
        if spoken:
            return f"write {spoken}"
        two = self._two_in_one(text)
        if two:
            return f"write {' '.join(two)}, with a blank between"
        near = self._mistakes.nearest(text, (*self.layers, *self._lets, *key_names(), *short_names()))
        if near:
            return f"did you mean {near}?"
        return None

    # ---- what is made of several words

    def _modified(self, written: Modified) -> Press | None:
        if self._stands_apart(written, written.signs):
            return None
        modifiers: list[int] = []
        for word in written.modifiers:
            number = modifier_of(word.text)
            if number is None:
                self._not_a_modifier(word)
                return None
            if number in modifiers:
                help = "take one of them out"
                self._mistakes.tell("said-twice", f"`{word.text}` is said a second time", word, help)
                return None
            modifiers.append(number)
        key = written.key
        if isinstance(key, Word) and any(
            key.text in names for names in (self.layers, self._lets, self._sequences, RESERVED)
        ):
            self._tell_no_key_after_plus(key, key.text)
            return None
        press = self._call(key) if isinstance(key, Call) else self._press(key)
        if press is not None and not isinstance(press, Press):
            self._tell_no_key_after_plus(key.name, f"{key.name.text}(…)")  # type: ignore[union-attr]
            return None
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

    def _not_a_modifier(self, word: Word) -> None:
        meant = name_for_spoken(word.text)
        if meant is None or modifier_of(meant) is None:
            meant = self._mistakes.nearest(word.text, _MODIFIERS)
        help = (
            f"write {meant}"
            if meant
            else "before `+` stand Control, Shift, Alt or Meta, or one hand's: AltRight"
        )
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
        target = None if hold is None else _target(hold)
        if hold is not None and target is None:
            self._mistakes.tell(
                "hold-is-no-layer",
                f"`{self._cut(written.parts[1])}` can't be held by `/`",
                self._mistakes.span(written.parts[1].start, written.parts[1].end),
                "after `/` comes what is on while the key is held: a layer or modifiers, as in Space/Shift",
            )
        if tap is not None and not self._is_simple(tap, written.parts[0], "before `/`"):
            return None
        return None if tap is None or target is None else TapOrHold(tap, target)

    def _is_simple(self, action: Action, written: Part, where: str) -> bool:
        """Whether an action needs no wait of its own to be decided; tells it if it does."""
        if not isinstance(action, Through | TapOrHold | ByTaps):
            return True
        self._mistakes.tell(
            "one-in-another",
            f"`{self._cut(written)}` can't stand {where}",
            self._mistakes.span(written.start, written.end),
            "write a key, a text, a layer, `next(…)`, `lock(…)` or another action that needs no time to be "
            "decided",
        )
        return False

    def _cut(self, written: Written) -> str:
        return cut(self._mistakes.source.text[written.start : written.end])

    def _call(self, written: Call) -> Action | None:
        name = written.name.text
        where = self._mistakes.span(written.start, written.end)
        match name:
            case "usage":
                return self._usage(written, where)
            case "next" | "lock":
                target = self._target_of(written, where)
                if target is None:
                    return None
                return NextOnly(target) if name == "next" else UntilPressedAgain(target)
            case "bottom":
                return self._bottom(written, where)
            case "taps":
                return self._by_taps(written, where)
            case "pointer" | "wheel":
                return self._direction(written, where)
            case "pointer-press":
                return self._pointer_press(written, where)
            case "latch":
                self._mistakes.tell("unknown-name", "`latch` is not used here", written.name, LATCH_HELP)
        if name not in ("latch", *CALLS) and not self._mistakes.lost(name):
            near = self._mistakes.nearest(name, CALLS)
            self._mistakes.tell(
                "unknown-name",
                f"no action is called `{cut(name)}(…)`",
                written.name,
                f"did you mean {near}(…)?" if near else "actions with brackets are " + ", ".join(CALLS),
            )
        return None

    def _only_argument(self, written: Call, where: Span, help: str) -> Part | None:
        if len(written.arguments) == 1:
            return written.arguments[0]
        self._mistakes.tell(
            "brackets-unfit", f"`{written.name.text}` takes one word in its brackets", where, help
        )
        return None

    def _target_of(self, written: Call, where: Span) -> Target | None:
        """The layer or modifiers in the brackets of `next` and `lock`."""
        name = written.name.text
        help = f"in the brackets stands a layer or a modifier: {name}(Shift)"
        part = self._only_argument(written, where, help)
        if part is None or (isinstance(part, Word) and self._mistakes.lost(part.text)):
            return None
        action = self.action(part)
        target = None if action is None else _target(action)
        if action is None:
            return None
        if target is None or (not isinstance(target, str) and len(target) > 1):
            where = self._mistakes.span(part.start, part.end)
            what = "neither a layer nor a modifier" if target is None else "more than one modifier"
            self._mistakes.tell("brackets-unfit", f"`{self._cut(part)}` is {what}", where, help)
            return None
        return target

    def _bottom(self, written: Call, where: Span) -> Bottom | None:
        help = "in the brackets stands the layer that is to become the bottom one: bottom(base)"
        part = self._only_argument(written, where, help)
        if part is None:
            return None
        if isinstance(part, Word) and part.text in self.layers:
            return Bottom(part.text)
        if isinstance(part, Word) and self._mistakes.lost(part.text):
            return None
        if isinstance(part, Word) and part.text[0] != '"' and usage_of(part.text) is None:
            self.unknown_layer(part)
        else:
            where = self._mistakes.span(part.start, part.end)
            self._mistakes.tell("brackets-unfit", f"`{self._cut(part)}` is no layer", where, help)
        return None

    def _by_taps(self, written: Call, where: Span) -> ByTaps | None:
        if len(written.arguments) < 2:
            self._mistakes.tell(
                "brackets-unfit",
                "`taps` needs two actions or more",
                where,
                "write what one tap does, then what two do: taps(A, B)",
            )
            return None
        actions = []
        for part in written.arguments:
            action = self.action(part)
            if action is not None and self._is_simple(action, part, "in the brackets of `taps`"):
                actions.append(action)
        return ByTaps(tuple(actions)) if len(actions) == len(written.arguments) else None

    def _direction(self, written: Call, where: Span) -> PointerMove | Wheel | None:
        name = written.name.text
        help = f"write {name}(left), {name}(right), {name}(up) or {name}(down)"
        part = self._only_argument(written, where, help)
        if part is None:
            return None
        ways = {direction.value: direction for direction in Direction}
        if not isinstance(part, Word) or part.text not in ways:
            where = self._mistakes.span(part.start, part.end)
            self._mistakes.tell("brackets-unfit", f"`{self._cut(part)}` is no direction", where, help)
            return None
        return PointerMove(ways[part.text]) if name == "pointer" else Wheel(ways[part.text])

    def _pointer_press(self, written: Call, where: Span) -> PointerPress | None:
        help = f"write pointer-press(1) for the first button; there are {_BUTTONS}"
        part = self._only_argument(written, where, help)
        if part is None:
            return None
        text = part.text if isinstance(part, Word) else ""
        if len(text) != 1 or text not in "12345":
            where = self._mistakes.span(part.start, part.end)
            self._mistakes.tell("brackets-unfit", f"`{self._cut(part)}` is no button", where, help)
            return None
        return PointerPress(int(text))

    def _usage(self, written: Call, where: Span) -> Press | None:
        """`usage(page, id)`: any usage that a report can carry."""
        words = [one for one in written.arguments if isinstance(one, Word)]
        if len(words) != 2 or len(written.arguments) != 2:
            help = "write it like usage(0x0C, 0x00E9)"
            self._mistakes.tell("usage-unfit", "`usage` takes two numbers, a page and an id", where, help)
            return None
        numbers = []
        for word in words:
            try:
                numbers.append(measures.usage_number(word.text, 0xFFFF))
            except measures.Misread as misread:
                self._mistakes.misread(misread, word)
                return None
        usage = Usage(*numbers)
        if is_reportable(usage):
            return Press(usage)
        self._mistakes.tell(
            "usage-unfit",
            f"no report can carry the usage 0x{usage.page:02X}, 0x{usage.id:04X}",
            where,
            "page 0x07 (keys) goes from 0x04 to 0xE7, page 0x09 (buttons) from 1 to 5, page 0x0C (consumer) "
            "from 0x0001 to 0x0FFF, page 0x01 (system) from 0x81 to 0xB7",
        )
        return None

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


def _target(action: Action) -> Target | None:
    """What an action turns on while it is held, if that is a layer or modifiers alone."""
    if isinstance(action, LayerHeld):
        return action.layer
    if isinstance(action, Press) and is_modifier(action.usage):
        return tuple(sorted({*action.modifiers, action.usage.id}))
    return None


def _characters(word: Word) -> list[tuple[str, int, int]]:
    """The characters of a quoted text, each with the offsets of how it is written.

    What comes in two code points, as é may, is one character.
    """
    found: list[tuple[str, int, int]] = []
    for match in re.finditer(r"\\(.)|(.)", word.text[1:-1], re.S):
        character = match[1] or match[2]
        start, end = word.start + 1 + match.start(), word.start + 1 + match.end()
        if found and _joins(character):
            before, first, _ = found[-1]
            found[-1] = (before + character, first, end)
        else:
            found.append((character, start, end))
    return found


def _joins(character: str) -> bool:
    if character.isascii():
        return False
    from unicodedata import combining

    return combining(character) != 0


def _moved_letters(host: Layout) -> Mapping[str, str]:
    """The letters whose keys type something else under a host layout, and what they type."""
    moved = {}
    for letter in _LETTERS:
        usage = usage_of(letter)
        typed = host.types(Press(usage)) if usage else None
        if typed is None or typed.upper() != letter:
            moved[letter] = typed or "no letter"
    return moved


def _shown(character: str) -> str:
    return f"`{character}`" if character.isprintable() and character != "`" else f"U+{ord(character):04X}"
