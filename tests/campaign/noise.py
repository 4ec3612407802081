"""Noise: damaged bytes, lost and doubled packets, pulled cables; and what the bench makes of them.

Each board is benched twice, over a clean wire and over a bad one. What is said over the bad one may be less,
never something else, in any stage. Beside the link a witness holds it to its word: every sentence that was
used is one that the board said, and whatever was acknowledged had been heard, in order, or told as lost.
`python -m tests.campaign noise` prints the figures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from hil.conversation import Settings
from hil.faults import Fault
from hil.hands import FingerHand
from hil.link import Link, Lost
from hil.result import PositionVerdict, Result, Verdict
from hil.session import Session
from hil.transport import BoardTransport
from hil.virtual import Finger, board_of
from hil.wire import SEQUENCES, Lines, Sentence
from keyc.fingerprints import fingerprints
from keyc.keyboard import Diodes, Keyboard, Wiring
from tests.campaign.figures import Figure
from tests.campaign.plant import boards, makes_sense, sample, static_faults
from tests.hil.boards import keyboard_of
from tests.hil.wirings import dial, light

DAMAGED = 0.01  # of the bytes, both ways
LOST = DOUBLED = 0.02  # of the packets
_PACKET = 64  # bytes of a full-speed bulk packet (USB 2.0, section 5.8.3)
_BOARDS = ("2 x 2", "3 x 4 + 1", "4 x 5 with holes")
_LESS = (PositionVerdict.UNTESTED, PositionVerdict.ANSWERS)
_STAGES = ("lines", "positions", "together", "bounce", "flex", "extras")  # those that talk to the bench image
_SETTINGS = Settings(stages=_STAGES, flex_us=1_000_000)
_CABLE = "drops USB"  # what `flex` says of a board that goes away, and rightly


class Witness:
    """Hears what the board says before the noise, and what the link hands out after it."""

    def __init__(self) -> None:
        self.broken: list[str] = []
        self._said: set[Sentence] = set()
        self._lines = Lines()
        self._handed_out: int | None = None  # the last sequence number; None: any may follow

    def said(self, data: bytes) -> None:
        self._said.update(one for one in self._lines.of(data) if isinstance(one, Sentence))

    def asked(self, data: bytes) -> None:
        """A command, before the noise: an acknowledgement must not be ahead of what was handed out."""
        words = data.decode("ascii", "replace").split()
        if words[:1] == ["received"] and self._handed_out != int(words[1]):
            self.broken.append(f"acknowledged {words[1]}, handed out up to {self._handed_out}")

    def began(self) -> None:
        """A new conversation: it may start anywhere in what the board says."""
        self._handed_out = None

    def handed_out(self, said: Sentence | Lost) -> None:
        if isinstance(said, Lost):
            self._handed_out = None  # told, so nothing is passed over in silence
            return
        if said not in self._said:
            self.broken.append(f"used, never said: {said}")
        if self._handed_out is not None and (said.sequence - self._handed_out) % SEQUENCES != 1:
            self.broken.append(f"{said.sequence} follows {self._handed_out}, and nothing was told as lost")
        self._handed_out = said.sequence


class Watched(Link):
    """A link under the eyes of a witness."""

    def __init__(self, transport: Noisy, witness: Witness) -> None:
        self._witness = witness
        super().__init__(transport)

    def _begin(self) -> None:
        self._witness.began()
        super()._begin()

    def sentence(self, wait_us: int) -> Sentence | Lost | None:
        said = super().sentence(wait_us)
        if said is not None:
            self._witness.handed_out(said)
        return said


class Noisy(BoardTransport):
    """A port that damages bytes, and loses and doubles packets, both ways; seeded."""

    def __init__(self, finger: Finger, witness: Witness, seed: int) -> None:
        super().__init__(finger)
        self._witness, self._chance = witness, Random(seed)

    def send(self, data: bytes) -> None:
        self._witness.asked(data)
        super().send(self._through(data))

    def receive(self, wait_us: int) -> bytes:
        data = super().receive(wait_us)
        self._witness.said(data)
        return self._through(data)

    def _through(self, data: bytes) -> bytes:
        arrived = bytearray()
        for at in range(0, len(data), _PACKET):
            packet = bytearray(data[at : at + _PACKET])
            for n in range(len(packet)):
                if self._chance.random() < DAMAGED:
                    packet[n] ^= 1 << self._chance.randrange(8)
            if self._chance.random() >= LOST:
                arrived += packet * (2 if self._chance.random() < DOUBLED else 1)
        return bytes(arrived)


@dataclass(frozen=True, slots=True)
class Compared:
    """One board over a bad wire. `wrong`: what it says that the clean wire didn't; `less`: switches of which
    it says less; `broken`: what the witness has against the link."""

    planted: tuple[Fault, ...]
    seed: int
    wrong: tuple[str, ...]
    less: int
    broken: tuple[str, ...]
    result: Result
    unplugged: int

    @property
    def troubles(self) -> tuple[str, ...]:
        """Everything that should not be."""
        return (*self.wrong, *self.broken, *((self.result.trouble,) if self.result.trouble else ()))


def compared(count: int, seed: int = 0, unplugs: int = 1) -> Iterator[Compared]:
    """So many boards with none to two faults each; their cable is pulled so often, at random moments."""
    chance = Random(f"noise {seed}")
    keyboards = [
        (keyboard_of(_with_extras(wiring)), static_faults(wiring))
        for diodes in Diodes
        for name, wiring in boards(diodes).items()
        if name in _BOARDS
    ]
    done = 0
    while done < count:
        keyboard, faults = chance.choice(keyboards)
        planted = sample(chance, faults, chance.randrange(3), as_often=True)
        if not makes_sense(keyboard.wiring, planted):
            continue
        yield _one(keyboard, planted, chance.randrange(1 << 30), unplugs)
        done += 1


def _with_extras(wiring: Wiring) -> Wiring:
    """The same with a dial, and a light that is lit low, on pins that all of `_BOARDS` leave free."""
    return wiring.replaced(dials=(dial("DIAL1", 26, 27),), lights=(*wiring.lights, light(28, lit_low=True)))


def _one(keyboard: Keyboard, planted: tuple[Fault, ...], seed: int, unplugs: int) -> Compared:
    board_seed = seed % 4
    finger = Finger(board_of(keyboard, planted, seed=board_seed), board_seed)
    clean = _run(keyboard, finger, Link(BoardTransport(finger)))
    whole_us = finger.now_us
    finger = Finger(board_of(keyboard, planted, seed=board_seed), board_seed)
    pulled = Random(seed)
    # The bad wire takes longer than the clean one, so the last moments come early enough.
    moments = sorted(pulled.randrange(whole_us) for _ in range(unplugs))
    for before, moment in zip((0, *moments), moments, strict=False):
        finger.obey(f"wait {moment - before}us")
        finger.obey("unplug")
    witness = Witness()
    result = _run(keyboard, finger, Watched(Noisy(finger, witness, seed), witness))
    wrong, less = _differences(clean, result)
    return Compared(planted, seed, wrong, less, tuple(witness.broken), result, result.link.reconnects)


def _run(keyboard: Keyboard, finger: Finger, link: Link) -> Result:
    return Session(keyboard, link, FingerHand(finger), fingerprints(keyboard).wiring, _SETTINGS).run()


def _differences(clean: Result, noisy: Result) -> tuple[tuple[str, ...], int]:
    """What is said over the bad wire and wasn't over the clean one; and of how many switches less is said."""
    wrong, less = [], 0
    for truth, said in zip(clean.positions, noisy.positions, strict=True):
        if said.verdict is truth.verdict:
            continue
        if said.verdict in _LESS:
            less += 1
        else:
            wrong.append(f"{said.switch}: {said.verdict.value}, not {truth.verdict.value}")
    known = {fault.title for fault in clean.faults}
    known |= {words for fault in clean.faults for cause in fault.alike for words in cause.faults}
    known |= {_CABLE} if noisy.link.reconnects else set()
    for part, there, here in (
        *(
            (one.name, one.verdict, other.verdict)
            for one, other in zip(clean.dials, noisy.dials, strict=True)
        ),
        *(
            (one.pin, one.verdict, other.verdict)
            for one, other in zip(clean.lights, noisy.lights, strict=True)
        ),
    ):
        if here is not there and here not in _LESS:
            wrong.append(f"{part}: {here.value}, not {there.value}")
        less += here is not there and here in _LESS
    wrong += [f"fault {fault.title}" for fault in noisy.faults if fault.title not in known]
    return tuple(wrong), less


def figures_of(runs: list[Compared]) -> list[Figure]:
    """What is to be reached: nothing wrong, nothing acknowledged and lost."""
    switches = sum(len(one.result.positions) for one in runs)
    whole = switches - sum(one.less for one in runs)
    ended = [one for one in runs if one.result.verdict is not Verdict.ERROR]
    links = [one.result.link for one in runs]
    broken = sum(len(one.broken) for one in runs)
    return [
        Figure("noise: wrong verdicts and faults", sum(len(one.wrong) for one in runs), 0, most=0),
        Figure("noise: acknowledged and lost, or never said", broken, 0, most=0),
        Figure("noise: runs that came to their end", len(ended), len(runs), 1.0),
        Figure("noise: switches with the whole verdict", whole, switches, 0.98),
        Figure("noise: cables pulled, and plugged in again", sum(one.unplugged for one in runs), 0),
        Figure("noise: lines damaged", sum(link.damaged for link in links), 0),
        Figure("noise: lines sent again", sum(link.resent for link in links), 0),
        Figure("noise: lines told as lost", sum(link.lost for link in links), 0),
    ]
