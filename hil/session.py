"""One bench run over a link: the stages in turn.

What a stage asks is in `dialogues/`, what the answers mean in `stages/`. Whatever happens (a pulled
cable, Ctrl-C, a board that falls silent), `run` returns what was found out until then.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from hil.conversation import Conversation, Hand, Notes, Settings, Trouble
from hil.dialogues import alive, bounce, extras, flex, hello, lines, positions, together, typing
from hil.events import Event
from hil.judge import Matrix
from hil.link import BoardRestarted, Counters, NoAnswer, Refused
from hil.outcome import TELLS, Account, Found, result_of
from hil.result import Identity, Result, Stage, Verdict
from hil.transport import PortGone

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from hil.link import Link
    from hil.stages.alive import AliveFindings
    from hil.stages.typing import KeyReceived
    from keyc.keyboard import Keyboard

# What takes its time: these run when they are asked for by name, or by `all`.
ON_REQUEST = ("bounce", "flex", "typing")

# In the order they run, with what each looks at.
_STAGES = {
    "alive": (alive.run, "does the chip live"),
    "hello": (hello.run, "who is there"),
    "lines": (lines.run, "what ties lines together (touch nothing)"),
    "positions": (positions.run, "each switch and its diode"),
    "together": (together.run, "what only switches held at the same time can show"),
    "bounce": (bounce.run, "how contacts bounce (press with a finger)"),
    "flex": (flex.run, "joints that let go when they are moved"),
    "typing": (typing.run, "real keys, typed as usual"),
    "extras": (extras.run, "dials and lights"),
}
STAGES = tuple(_STAGES)
USUAL = tuple(name for name in STAGES if name not in ON_REQUEST)
_ALWAYS = ("alive", "hello")  # without them there is nobody to ask


def result_without_board(keyboard: Keyboard, found: AliveFindings, settings: Settings) -> Result:
    """A run that ended before there was anybody to talk to."""
    first = Stage("alive", found.verdict, found.not_tested)
    return result_of(
        Account(
            keyboard=keyboard,
            matrix=Matrix(keyboard.wiring),
            board=Identity(),
            can={},
            found=Found(alive=found),
            stages=(first, *(Stage(name, Verdict.SKIPPED) for name in STAGES[1:])),
            link=Counters(),
            remarks=found.notes,
        ),
        after=settings.after,
        tool=settings.tool,
        when=settings.when,
    )


class Session:
    """`run` once. `fingerprint` is the file's wiring as `keyc.fingerprints` has it."""

    def __init__(
        self,
        keyboard: Keyboard,
        link: Link,
        hand: Hand,
        fingerprint: str,
        settings: Settings | None = None,
        *,
        tell: Callable[[Event], None] = lambda event: None,
        notes: Notes | None = None,
        arrived: Callable[[], Sequence[KeyReceived] | None] = lambda: None,
    ) -> None:
        self._settings = settings or Settings()
        self._tell, self._notes = tell, notes
        self._talk = Conversation(
            keyboard, link, hand, fingerprint, self._settings, tell=tell, notes=notes, arrived=arrived
        )

    def run(self) -> Result:
        """The whole run. Never raises for what the board, the port or the person does."""
        trouble: str | None = None
        stages: list[Stage] = []
        ended = False
        transport = self._talk.link.transport
        for name, (dialogue, words) in _STAGES.items():
            asked = name in self._settings.stages or name in _ALWAYS
            if ended or not asked:
                stages.append(Stage(name, Verdict.SKIPPED, self._not_told(name, asked=asked)))
                continue
            began_us = transport.now_us
            try:
                self._tell(Event("stage", words, stage=name))
                verdict = dialogue(self._talk)
            except Trouble as error:
                trouble, verdict = str(error), Verdict.ERROR
            except (PortGone, NoAnswer, Refused, BoardRestarted) as error:
                trouble, verdict = _in_words(error), Verdict.ERROR
            except KeyboardInterrupt:
                verdict = Verdict.ABORTED
            if verdict in (Verdict.ERROR, Verdict.ABORTED):
                ended = True
                if trouble:
                    self._tell(Event("trouble", trouble, stage=name))
            stages.append(Stage(name, verdict, seconds=(transport.now_us - began_us) / 1e6))
        if self._talk.found.alive is not None:
            # What it made of the port was known only once somebody had been asked.
            stages[0] = replace(stages[0], verdict=self._talk.found.alive.verdict)
        result = self._result(stages, trouble)
        with suppress(KeyboardInterrupt):  # there is nothing left to stop
            self._tell(Event("ended", result.verdict.value, verdict=result.verdict.value))
        return result

    def _not_told(self, name: str, *, asked: bool) -> tuple[str, ...]:
        """What a stage that is left out would have told, why it is left out, and how to have it."""
        wiring = self._talk.keyboard.wiring
        if name not in TELLS or (name == "extras" and not (wiring.dials or wiring.lights)):
            return ()
        why = "the run ended before it came to that" if asked else "not asked for"
        return (f"{TELLS[name]}: {why} (--stages {name})",)

    def _result(self, stages: list[Stage], trouble: str | None) -> Result:
        talk = self._talk
        pressed = talk.found.positions
        if pressed is not None:
            talk.keep("ended" if pressed.ended else "stopped")
        measured = talk.found.lines is not None
        board, can = (measured and talk.measured_by) or (talk.identity, talk.can)
        return result_of(
            Account(
                keyboard=talk.keyboard,
                matrix=talk.matrix,
                board=board,
                can=can,
                found=talk.found,
                stages=tuple(stages),
                link=talk.link.counters,
                trouble=trouble,
                remarks=tuple(talk.remarks),
            ),
            after=self._settings.after,
            tool=self._settings.tool,
            when=self._settings.when,
        )


def _in_words(error: Exception) -> str:
    if isinstance(error, PortGone):
        return f"the port went away ({error})"
    if isinstance(error, Refused):
        return f"the board refused a command ({error})"
    if isinstance(error, BoardRestarted):
        return "the board restarted"
    return "the board stopped answering"
