"""Actions with something in brackets: `next(Shift)`, `taps(A, B)`, `usage(0x0C, 0x00E9)`."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from keyc.keyboard import (
    Action,
    Bottom,
    ByTaps,
    Direction,
    LayerHeld,
    NextOnly,
    PointerMove,
    PointerPress,
    Press,
    TapOrHold,
    Target,
    Through,
    UntilPressedAgain,
    Usage,
    Wheel,
)
from keyc.language import measures
from keyc.language.given_names import GivenNames
from keyc.language.mistakes import Mistakes, cut
from keyc.language.statements import Call, Part, Word
from keyc.language.words import LATCH_HELP
from keyc.usages import is_modifier, is_reportable, usage_of

HOW_CALLED = {
    "usage": "usage(0x0C, 0x00E9)",
    "next": "next(Shift)",
    "lock": "lock(Shift)",
    "bottom": "bottom(base)",
    "taps": "taps(A, B)",
    "pointer": "pointer(left)",
    "pointer-press": "pointer-press(1)",
    "wheel": "wheel(up)",
}
_BUTTONS = 5  # of the pointer's report


class Calls:
    """What actions with brackets do. `action` reads what stands inside; None, and told, what can't be
    understood."""

    def __init__(
        self, names: GivenNames, mistakes: Mistakes, action: Callable[[Part], Action | None]
    ) -> None:
        self._names = names
        self._mistakes = mistakes
        self._action = action

    def action(self, written: Call) -> Action | None:
        name = written.name.text
        match name:
            case "usage":
                return self._usage(written)
            case "next" | "lock":
                target = self._target(written)
                if target is None:
                    return None
                return NextOnly(target) if name == "next" else UntilPressedAgain(target)
            case "bottom":
                return self._bottom(written)
            case "taps":
                return self._by_taps(written)
            case "pointer" | "wheel":
                return self._direction(written)
            case "pointer-press":
                return self._pointer_press(written)
            case "latch":
                self._mistakes.tell("unknown-name", "`latch` is not used here", written.name, LATCH_HELP)
            case _ if not self._mistakes.lost(name):
                near = self._mistakes.nearest(name, HOW_CALLED)
                help = self._without_brackets(name, written.arguments) or (
                    f"did you mean {near}(…)?"
                    if near
                    else "actions with brackets are " + ", ".join(HOW_CALLED)
                )
                self._mistakes.tell(
                    "unknown-name", f"no action is called `{cut(name)}(…)`", written.name, help
                )
        return None

    def _without_brackets(self, name: str, arguments: Sequence[Part]) -> str:
        """Help where somebody calls for what needs no brackets: `layer(arrows)`, `hold(Tab, arrows)`,
        `Tab(arrows)`."""
        *keys, last = (self._mistakes.quote(part) for part in arguments)
        if last not in self._names.layers or len(keys) > 1:
            return ""
        if not keys and usage_of(name) is not None:
            keys = [name]
        if keys:
            return f"a key when tapped and a layer while held is written {keys[0]}/{last}"
        return f"for a layer while the key is held write its name alone: {last}"

    def _only_argument(self, written: Call, help: str) -> Part | None:
        if len(written.arguments) == 1:
            return written.arguments[0]
        message = f"`{written.name.text}` takes one word in its brackets"
        self._mistakes.tell("brackets-unfit", message, written, help)
        return None

    def _tell_unfit(self, part: Part, what: str, help: str) -> None:
        self._mistakes.tell("brackets-unfit", f"`{self._mistakes.quote(part)}` is {what}", part, help)

    def _target(self, written: Call) -> Target | None:
        """The layer or modifiers in the brackets of `next` and `lock`."""
        help = f"in the brackets stands a layer or a modifier: {written.name.text}(Shift)"
        part = self._only_argument(written, help)
        if part is None or (isinstance(part, Word) and self._mistakes.lost(part.text)):
            return None
        action = self._action(part)
        if action is None:
            return None
        target = target_of(action)
        if target is None:
            self._tell_unfit(part, "neither a layer nor a modifier", help)
        elif not isinstance(target, str) and len(target) > 1:
            self._tell_unfit(part, "more than one modifier", help)
            return None
        return target

    def _bottom(self, written: Call) -> Bottom | None:
        help = "in the brackets stands the layer that is to become the bottom one: bottom(base)"
        part = self._only_argument(written, help)
        if part is None:
            return None
        if isinstance(part, Word) and part.text in self._names.layers:
            return Bottom(part.text)
        if isinstance(part, Word) and self._mistakes.lost(part.text):
            return None
        if isinstance(part, Word) and part.text[0] != '"' and usage_of(part.text) is None:
            self._names.unknown_layer(part)
        else:
            self._tell_unfit(part, "no layer", help)
        return None

    def _by_taps(self, written: Call) -> ByTaps | None:
        if len(written.arguments) < 2:
            self._mistakes.tell(
                "brackets-unfit",
                "`taps` needs two actions or more",
                written,
                "write what one tap does, then what two do: taps(A, B)",
            )
            return None
        actions = []
        for part in written.arguments:
            action = self._action(part)
            if action is not None and is_simple(action, part, self._mistakes, "in the brackets of `taps`"):
                actions.append(action)
        return ByTaps(tuple(actions)) if len(actions) == len(written.arguments) else None

    def _direction(self, written: Call) -> PointerMove | Wheel | None:
        name = written.name.text
        help = f"write {name}(left), {name}(right), {name}(up) or {name}(down)"
        part = self._only_argument(written, help)
        if part is None:
            return None
        ways = {direction.value: direction for direction in Direction}
        if not isinstance(part, Word) or part.text not in ways:
            where = self._mistakes.span(part.start, part.end)
            self._mistakes.tell(
                "brackets-unfit", f"`{self._mistakes.quote(part)}` is no direction", where, help
            )
            return None
        return PointerMove(ways[part.text]) if name == "pointer" else Wheel(ways[part.text])

    def _pointer_press(self, written: Call) -> PointerPress | None:
        help = f"write pointer-press(1) for the first button; there are {_BUTTONS}"
        part = self._only_argument(written, help)
        if part is None:
            return None
        text = part.text if isinstance(part, Word) else ""
        if text not in map(str, range(1, _BUTTONS + 1)):
            self._tell_unfit(part, "no button", help)
            return None
        return PointerPress(int(text))

    def _usage(self, written: Call) -> Press | None:
        """`usage(page, id)`: any usage that a report can carry."""
        words = [one for one in written.arguments if isinstance(one, Word)]
        if len(words) != 2 or len(written.arguments) != 2:
            help = "write it like usage(0x0C, 0x00E9)"
            self._mistakes.tell("usage-unfit", "`usage` takes two numbers, a page and an id", written, help)
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
            written,
            "page 0x07 (keys) goes from 0x04 to 0xE7, page 0x09 (buttons) from 1 to 5, page 0x0C (consumer) "
            "from 0x0001 to 0x0FFF, page 0x01 (system) from 0x81 to 0xB7",
        )
        return None


def target_of(action: Action) -> Target | None:
    """What an action turns on while it is held, if that is a layer or modifiers alone."""
    if isinstance(action, LayerHeld):
        return action.layer
    if isinstance(action, Press) and is_modifier(action.usage):
        return tuple(sorted({*action.modifiers, action.usage.id}))
    return None


def is_simple(action: Action, written: Part, mistakes: Mistakes, where: str) -> bool:
    """Whether an action needs no wait of its own to be decided; tells it if it does."""
    if not isinstance(action, Through | TapOrHold | ByTaps):
        return True
    mistakes.tell(
        "one-in-another",
        f"`{mistakes.quote(written)}` can't stand {where}",
        written,
        "write a key, a text, a layer, `next(…)`, `lock(…)` or another action that needs no time to be "
        "decided",
    )
    return False
