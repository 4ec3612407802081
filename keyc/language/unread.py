"""What is said where text doesn't parse: what is in the way, what was due, and how it is written."""

from __future__ import annotations

import re
from collections.abc import Iterable

from keyc.language.parser_stack import ParserStack, Token
from keyc.language.pieces import pieces_at
from keyc.language.rough_text import CHUNK, NAME, TEXT, RoughText, past
from keyc.language.statements import Word
from keyc.language.told import Told
from keyc.language.words import FORMS, LATCH_HELP, RESERVED, SET_HELP
from keyc.usages import name_for_spoken, name_of, usage_of

_EXPECTED = {
    "NAME": "a name",
    "NUMBER": "a number",
    "SIZE": "a number with its unit",
    "TEXT": "a text in quotes",
    "GAP": "a gap such as [0.25u]",
    "NO_SWITCH": "`--`",
    "BENEATH": "`..`",
    "_OPEN": "`{`",
    "_CLOSE": "`}`",
    "_LEFT": "`(`",
    "RIGHT": "`)`",
    "_COMMA": "`,`",
    "_EQUALS": "`=`",
    "SLASH": "`/`",
    "PLUS": "`+`",
    "_EDGES": "`edges-per-detent`",
    "_NL": "the end of the line",
}

# Words that people may begin a statement with, and ours. Common practice.
_TRIED = {
    "set": "let",
    "define": "let",
    "const": "let",
    "alias": "let",
    "macro": "sequence",
    "matrix": "wiring",
    "pins": "wiring",
    "geometry": "shape",
    "encoder": "dial",
    "test": "scenario",
    "rows": "row",
    "cols": "columns",
    "column": "columns",
    "col": "columns",
    "led": "light",
    "switch": "direct",
    "vid": "usb",
    "pid": "usb",
    "press": "down",
    "release": "up",
    "delay": "wait",
    "sleep": "wait",
    "assert": "expect",
    "layout": "shape",
    "keymap": "layer",
    "right": "clockwise",
    "left": "counter-clockwise",
    "anti-clockwise": "counter-clockwise",
    "anticlockwise": "counter-clockwise",
}

# Blocks in which several statements may share a line.
_SHARED = ("keyboard", "timing", "dial", "scenario")
_DIODES = ("cathode-to-row", "cathode-to-column", "none")
_NEAR = 80  # characters: as far as is looked for a word before a sign

CAPS_HELP = "a cap is written: SW1, or SW1 1.5u, or SW1 1x2u; a gap: [0.25u]"


class Unread:
    """Tells of one mistake. What was likely meant is noted, so that nobody complains of its absence."""

    def __init__(self, text: str, around: RoughText, stack: ParserStack, told: Told) -> None:
        self._text = text
        self._around = around
        self._stack = stack
        self._told = told
        self.end = 0  # of what was told, where that is more than the word at hand

    def sign(self, at: int, end: int) -> None:
        """A sign or a number where a key or a switch is due. Each is told, however many are in a line."""
        text, block = self._text[at:end], self._stack.statement
        if self._in_pieces(at):
            return
        if block != "layer":
            what = "switch"
            if self._stack.in_columns():
                what, help = "pin", "name the columns' pins, with blanks between: columns GPIO6 GPIO7 GPIO8"
            if block == "wiring" and text.isdigit() and self._is_pin_due():
                help = f"pins are written with their name: GPIO{text}"
            elif block == "wiring" and what == "switch":
                help = "name the switches of the row, with blanks between; `--` where there is none"
            elif block != "wiring":
                help = CAPS_HELP
            self._told.tell("misplaced", f"{quoted(text)} is no {what}", at, end, help)
            return
        help = self._joined_otherwise(text, at)
        if help:
            self._told.tell("sign-without-quotes", f"{quoted(text)} is not a key's name", at, end, help)
            return
        if text[0] in "/+":
            names = {"/": "Slash", "+": "NumpadAdd"}
            self._told.tell(
                "sign-without-quotes",
                f"`{text[0]}` joins two words and can't stand alone",
                at,
                at + 1,
                f'for the character write "{text[0]}", for the key {names[text[0]]}; '
                "between two words put no blanks around it",
            )
            return
        if text[0] == "\\":
            self._told.tell(
                "sign-without-quotes",
                "a `\\` only stands at a line's end, where it joins the next line on",
                at,
                at + 1,
                'for the key write Backslash, for the character "\\\\"',
            )
            return
        if text == "--":
            self._told.tell(
                "sign-without-quotes",
                "`--` only stands in `wiring`",
                at,
                end,
                "for a key that does nothing write `off`",
            )
            return
        if text in RESERVED:
            defined = rf"(?m)^[ \t]*(?:layer|let|sequence)[ \t]+{text}(?![\w-])"
            if not re.search(defined, self._text):  # where it is, that is told there
                message = f"`{text}` is a word of the language, not an action"
                help = "write a key's name, a character in quotes, a layer, `..`, `off` or `usb-boot`"
                self._told.tell("unknown-name", message, at, end, help)
            self._told.words.add(text)
            return
        if text[0] == "[":
            name = re.search(r"[\w-]+$", self._text[max(0, at - 20) : at])
            if name:
                help = f"write {name[0]}({text.strip('[]')})"
                self._told.tell(
                    "sign-without-quotes", f"what `{name[0]}` works on stands in ( )", at, end, help
                )
                self._told.words.add(name[0])
                return
        name = re.search(r"[\w-]+$", self._text[max(0, at - _NEAR) : at])
        if text == ":" and name:
            message = f"`{name[0]}:` is no cell: a row has nothing in front of its cells"
            help = f"take it out; in a layer that names its switches, write {name[0]} = …"
            self._told.tell("misplaced", message, at - len(name[0]), end, help)
            self._told.words.add(name[0])
            return
        if text[0].isprintable():
            key = _key_of(text) if len(text) == 1 else None
            if set(text) == {"."}:
                help = "write .. to let through to what lies beneath, Period for the key that types a point"
            elif key:
                help = f'write {key} for the key, or "{text}" for the character'
            elif len(text) == 1:
                spoken = name_for_spoken(text)
                help = f"write {spoken}" if spoken else f'write it in quotes: "{text}"'
            else:
                help = "a character is written in quotes, one to a cell; a key by its name"
            self._told.tell("sign-without-quotes", f"{quoted(text)} is not a key's name", at, end, help)
        else:
            self._told.tell("misplaced", f"{quoted(text)} can't be read", at, end, "take this character out")

    def _joined_otherwise(self, text: str, at: int) -> str:
        """Help for `Tab|arrows`, `Q,W` and `<Tab>`; "" for everything else."""
        enclosed = re.fullmatch(r"[(\[<]([\w+/-]+)[)\]>]", text)
        before = re.search(r"[\w-]+$", self._text[max(0, at - _NEAR) : at])
        if enclosed and not before:
            return f"write {enclosed[1]}"
        joined = re.fullmatch(r"[|,;\\]([\w-]+)", text)
        if not joined or not before:
            return ""
        if usage_of(joined[1]) is not None:
            return f"between cells stand blanks: {before[0]} {joined[1]}"
        return f"a key and what is on while it is held are joined by `/`: {before[0]}/{joined[1]}"

    def _is_pin_due(self) -> bool:
        last = self._stack.values[-1]
        return self._stack.in_columns() or (isinstance(last, Word) and last.text == "row")

    def unknown_statement(self, word: str, at: int) -> None:
        """A word that begins no statement, in a block or outside of all."""
        if self._in_pieces(at):
            return
        block = self._stack.statement
        forms = FORMS[block]
        where = f" in `{block}`" if block else ""
        elsewhere = [name for name, known in FORMS.items() if name and word in known]
        near = likely_meant(word, forms)
        if word in FORMS[""] and block:
            help = f"close `{block}` with `}}` before it"
        elif word in forms and block == "wiring":
            line = self._text[self._text.rfind("\n", 0, at) + 1 : at].split()
            before = f"`{line[0]}`" if line else "something"
            self._told.tell(
                "misplaced",
                f"`{word}` stands behind {before}, and begins a statement of its own",
                at,
                at + len(word),
                f"begin a new line with it: {forms[word]}",
            )
            return
        elif block == "wiring" and word in _DIODES:
            help = f"write: diodes {word}"
        elif block == "wiring" and re.fullmatch(r"(?i:gpio|gp)[0-9]{1,2}", word):
            help = f"a line begins with what is soldered there: row {word} SW1 SW2 --, or direct {word} SW12"
        elif word == "latch":
            help = LATCH_HELP
        elif word == "set":
            help = SET_HELP
        elif near:
            help = f"write: {forms[near]}"
            if not block:
                self._told.blocks.add(near)  # likely meant as one, so the file doesn't lack it
        elif not block and self._text[at + len(word) :].lstrip(" \t")[:1] == "{":
            help = f"write: layer {word} {{"
            self._told.blocks.add("layer")
        elif not block and self._text[at + len(word) :].lstrip(" \t")[:1] == "=":
            help = f"write: let {word} = …; what a switch does stands in a layer: layer base {{ {word} = … }}"
        elif elsewhere:
            help = f"`{word}` stands inside `{elsewhere[0]} {{ }}`"
        else:
            help = f"a statement here begins with one of: {', '.join(forms)}"
        self._told.tell("unknown-statement", f"`{word}` begins no statement{where}", at, at + len(word), help)

    def misplaced(self, at: int) -> None:
        """The general case: something is missing here, or something doesn't belong here."""
        text = self._text
        expected = self.expected()
        help = self.form_help()
        if self._in_pieces(at):
            return
        if self._one_diode_for_all(at):
            return
        if text[at] in "\r\n}":
            self.unfinished(at)
            return
        whole = TEXT.match(text, at)
        found = whole.group() if whole else text[at : past(CHUNK, text, at)]
        name = NAME.match(text, at)
        if name:
            found = name.group()
        elif found[0] in "=(),/+":
            found = found[0]
        message = f"{quoted(found)} does not belong here"
        if name and found in RESERVED and expected == "a name":
            message = f"`{found}` is a word of the language and can name nothing"
            self._told.tell(
                "reserved-name", message, at, at + len(found), f"choose another name, such as my-{found}"
            )
            return
        if self._stack.opened is None and expected == "a name" and found[0] in '"0123456789':
            message = "a name stands without quotes" if found[0] == '"' else "a name begins with a letter"
            self._told.tell("name-unfit", message, at, at + len(found), self._name_help(found))
            self._told.words.add(found)
            return
        if name and self._stack.opened is None and expected == "`=`":
            before = self._text[:at].split()[-1]
            is_named = self._stack.statement in ("let", "sequence")
            if is_named and re.match(r"[\w-]+[ \t]*=", text[at : at + _NEAR]):
                message = f"`{before} {found}` is two words, and a name is one"
                self._told.tell("name-unfit", message, at, at + len(found), f"write {before}-{found}")
                self._told.words.add(f"{before}-{found}")
                return
        alone = next((v.text for v in self._stack.values[-1:] if isinstance(v, Word)), "")
        if alone in ("nothing", "nothing-held"):
            help = f"write expect {found}, or expect {alone} as a statement of its own"
            self._told.tell("misplaced", f"`{alone}` stands alone behind `expect`", at, at + len(found), help)
            return
        if expected == "`and` or `{`":
            help = "between the names of layers stands `and`: layer numbers when arrows and symbols {"
        if name and self._stack.opened is None and expected == "`when` or `{`":
            before = self._text[:at].split()[-1]
            if found in ("if", "while", "on", "with"):
                message = f"`{found}` does not belong here: expected `when`"
                help = "write: layer numbers when arrows {"
                self._told.tell("misplaced", message, at, at + len(found), help)
                return
            if re.match(r"[\w-]+[ \t]*=", text[at : at + _NEAR]):
                self._told.tell("misplaced", f"{message}: expected `{{`", at, at + len(found), help)
                return
            message = f"`{before} {found}` is two words, and a name is one"
            self._told.tell("name-unfit", message, at, at + len(found), f"write {before}-{found}")
            return
        if self._stack.statement == "let" and expected == _EXPECTED["_NL"]:
            help = "a name is one action's; for keys one after the other write: sequence NAME = A B"
        if self._stack.opened is not None and self._stack.statement in _SHARED and self._stack.takes("_NL"):
            help += f"\nwhat comes next begins with one of: {', '.join(FORMS[self._stack.statement])}"
        if expected:
            message += f": expected {expected}"
        if self._stack.statement == "wiring" and found.isdigit():
            help = f"pins are written with their name: GPIO{found}"
        if expected == "`edges-per-detent`":
            help = "write: dial GPIO20 GPIO21 DIAL1 edges-per-detent 4"
        self._told.tell("misplaced", message, at, at + len(found), help)

    def corner_unfinished(self, at: int) -> None:
        """`at` without its two lengths before this place."""
        last = self._around.last_end(at)
        message = "behind `at` stand two lengths, with a blank between: from the left and from the top"
        self._told.tell("unfinished", message, last, last, f"write: {FORMS['shape']['at']}")

    def equals_missing(self, start: int, end: int) -> None:
        """An action right behind a switch, in a layer that names its switches."""
        message = f"{quoted(self._text[start:end])} does not belong here: expected `=`"
        help = "in a layer that names its switches, write for each: SW1 = Escape"
        self._told.tell("misplaced", message, start, end, help)

    def _one_diode_for_all(self, at: int) -> bool:
        """Tells of `diode cathode-to-row`, if that stands before this place."""
        words = [value for value in self._stack.values if isinstance(value, Word)][-2:]
        if self._stack.statement != "wiring" or [word.text for word in words[:1]] != ["diode"]:
            return False
        if words[-1].text not in _DIODES:
            return False
        message = "`diode` gives one diode its name; which way they all point is told by `diodes`"
        self._told.tell("misplaced", message, words[0].start, words[0].end, f"write: diodes {words[-1].text}")
        return True

    def _in_pieces(self, at: int) -> bool:
        """Tells of one word with blanks in it, if a part of it stands here."""
        # In `SW1 = Page Up  SW2 = …` it is only behind both words that the parser stops.
        back = 2 if self._stack.is_sparse() else 1
        found = pieces_at(self._text, at, self._stack.statement, self._told.names, back)
        if found is None:
            return False
        count = "two" if len(found.words) == 2 else "three"
        message = f"{quoted(' '.join(found.words))} is {count} words, and it is written as one"
        forms = FORMS[self._stack.statement if self._stack.opened is not None else ""]
        help = f"write: {forms[found.whole]}" if found.whole in forms else f"write {found.whole}"
        self._told.tell("misplaced", message, found.start, found.end, help)
        self._told.words.update((found.whole, *found.words))
        self.end = found.end
        return True

    def _name_help(self, found: str) -> str:
        """A name like what was written where a name is due."""
        words = "-".join(re.findall(r"\w+", found))
        if not words:
            return "write a name: letters, digits and single hyphens"
        return f"write {words}" if words[0].isalpha() else f"write my-{words}"

    def unfinished(self, before: int) -> None:
        """Something is missing behind the last word before this place."""
        last = self._around.last_end(before)
        expected = self.expected()
        message = f"expected {expected} here" if expected else "this statement is not finished"
        self._told.tell("unfinished", message, last, last, self.form_help())

    def expected(self) -> str:
        """What could stand here, in words; "" if that is too much to say."""
        terminals = {t for t in self._stack.may_come() if t.lstrip("_").isupper()}
        terminals.discard("$END")
        if self._stack.statement == "chord":
            terminals.discard("_OPEN")  # what the parser's states share with `timing`
        if self._stack.statement == "timing":
            terminals.discard("_ON")  # the same the other way round
        if terminals == {"_NL", "_CLOSE"}:
            return _EXPECTED["_NL"]
        if len(terminals) > 1:
            terminals -= {"_NL"}
        if len(terminals) > 1:
            terminals -= {"_CLOSE"}
        if terminals >= {"NAME", "NUMBER", "TEXT"}:
            return "a key or a text"
        if len(terminals) > 4:
            return ""
        words = sorted(_EXPECTED.get(t) or f"`{t.strip('_').lower().replace('_', '-')}`" for t in terminals)
        if len(words) > 1:
            return ", ".join(words[:-1]) + " or " + words[-1]
        return words[0] if words else ""

    def form_help(self) -> str:
        """How the statement that is being read is written."""
        block = self._stack.statement if self._stack.opened is not None else ""
        forms = FORMS.get(block, {})
        for value in reversed(self._stack.values):
            if isinstance(value, Token) and value.type == "_LEFT":
                return "what begins with `(` ends with `)`, its words between commas: usage(0x0C, 0x00E9)"
            if isinstance(value, Word) and value.text in forms:
                return f"write: {forms[value.text]}"
        if block == "layer" and self._stack.is_sparse():
            return "in a layer that names its switches, write for each: SW1 = Escape"
        if block == "layer":
            return 'a cell is one of: Escape, A, Control+Z, "!", arrows (a layer), .., off, usb-boot'
        if block == "shape":
            return CAPS_HELP
        return f"here may stand: {', '.join(forms)}, or `}}`" if block else "take it out"


def likely_meant(word: str, known: Iterable[str]) -> str | None:
    """The one of these words that is likely meant."""
    tried = _TRIED.get(word.lower())
    if tried is not None and tried in known:
        return tried
    if len(word) > 40:
        return None
    from difflib import get_close_matches

    found = get_close_matches(word.lower(), list(known), n=1, cutoff=0.7)
    return found[0] if found else None


def _key_of(character: str) -> str | None:
    """The key that carries a sign on a US keyboard without modifiers, for help lines."""
    from keyc.layouts import layout

    strokes = layout("linux-us").strokes(character)
    if strokes is None or len(strokes) != 1 or strokes[0].modifiers:
        return None
    return name_of(strokes[0].usage)


def quoted(text: str) -> str:
    """A piece of the file in a message: in backquotes, cut if long, by code point if it can't be shown."""
    if len(text) == 1 and (not text.isprintable() or text == "`"):
        return f"the character U+{ord(text):04X}"
    return f"`{text if len(text) <= 24 else text[:23] + '…'}`"
