"""`keyc check --prove`: what is true is proved, what isn't has the shortest way to it.

That a proof can fail is tried on engines that are broken on purpose. What must hold is the language page's:
"All keys up, nothing locked, every `next` spent, every sequence ended ⇒ the reports are empty."
"""

from __future__ import annotations

import shutil
from pathlib import Path
from random import Random

import pytest

from keyc import cli
from keyc.engine import engine, prove
from keyc.engine import library as engine_library
from keyc.engine.engine import MOVE_DOWN, MOVE_UP, Engine
from keyc.engine.library import load
from keyc.engine.prove import Level, Proof, Verdict, as_text, diagnostics_of, moved_switches, proved
from keyc.engine.scenarios import held_names, usages_in
from keyc.engine.trial import tried
from keyc.files import shipped
from keyc.keyboard import Keyboard
from keyc.tables import tables_of
from tests.keyc.test_explain import FRAME, examples
from tests.keymaps import keyboard_in

HEAD = "".join(FRAME[kind] for kind in ("keyboard", "wiring", "shape"))
FEW = (Level(1, 2), Level(2, 2))
RICH = """\
timing { hold-after 400ms chord-within 300ms }
layer base {
    Tab/more B
    next(Shift) lock(far)
}
layer more { SW2 = usb-boot  SW3 = lock(Shift) }
layer far { SW2 = bottom(other)  SW3 = Control+Z }
layer other {
    A bottom(base)
    "!" off
}
chord SW2 SW3 on base = Escape
"""
SOUND = "layer base {\n A lock(more)\n next(Shift) usb-boot\n}\nlayer more { SW1 = B }"


def keyboard_of(layers: str) -> Keyboard:
    return keyboard_in(HEAD + layers, "x.keys")


def verdicts(proof: Proof) -> set[Verdict]:
    return {claim.verdict for claim in proof.claims}


def failures(proof: Proof) -> dict[str, str | None]:
    return {claim.what: claim.script for claim in proof.claims if claim.verdict is Verdict.FAILED}


def test_a_sound_keymap_is_proved() -> None:
    proof = proved(
        keyboard_of("layer base {\n A lock(more)\n next(Shift) usb-boot\n}\nlayer more { SW1 = B }")
    )
    assert verdicts(proof) == {Verdict.PROVED}, as_text(proof)
    assert proof.complete
    assert not proof.failed
    assert proof.explored == prove.LEVELS
    claims = " ".join(claim.what for claim in proof.claims)
    for what in ("nothing stays down", "next(ShiftLeft)", "lock(more)", "lost", "every layer", "every cell"):
        assert what in claims


def test_two_locks_that_hide_each_other_are_found_with_the_shortest_way() -> None:
    """No lock can be undone once both are on: two taps lead there, and nothing shorter does."""
    before, after = (keyboard_of(text) for text in examples("proof-failed"))
    found = failures(proved(before))
    assert set(found) == {"lock(more) can be undone", "lock(far) can be undone"}
    for script in found.values():
        assert script is not None
        assert script.count("down") == 2
        assert tried(before.span.source, script).passed
        assert {word for word in script.split() if word.startswith("SW")} == {"SW2", "SW3"}
    assert verdicts(proved(after)) == {Verdict.PROVED}


def test_a_bottom_that_cant_be_left() -> None:
    keyboard = keyboard_of("layer base {\n A bottom(other)\n C usb-boot\n}\nlayer other {\n Q W\n E R\n}")
    proof = proved(keyboard)
    assert list(failures(proof)) == ["bottom(other) can be left"]
    (told,) = diagnostics_of(proof, keyboard_of(FRAME["layer"]))
    assert (told.code, told.severity) == ("proof-failed", "error")
    assert told.help == 'keyc try x.keys --script "down SW2 wait 8ms"'
    assert keyboard.span.source.text[told.span.start : told.span.end] == "bottom(other)"


def test_a_failed_claim_is_told_where_the_lock_is_made() -> None:
    keyboard = keyboard_of(examples("proof-failed")[0])
    text = keyboard.span.source.text
    spans = [one.span for one in diagnostics_of(proved(keyboard), keyboard)]
    assert [text[span.start : span.end] for span in spans] == ["lock(more)", "lock(far)"]


def test_one_finger_plays_a_whole_chord() -> None:
    """More keys than there are fingers, as long as all are one chord's: else a chord of three is out of reach
    of proofs that stop before."""
    head = HEAD + "layer base {\n A B\n C usb-boot\n}\n"
    played = proved(keyboard_in(head + "chord SW1 SW2 SW3 on base = X", "x.keys"), levels=(Level(1, 2),))
    assert verdicts(played) == {Verdict.PROVED}, as_text(played)


def test_a_restart_ends_all_locks() -> None:
    """Behind SW3, which is about to be decided, waits `usb-boot`: whatever comes next, the board restarts."""
    layers = (
        "timing { tap-if typing-within 120ms }\nlayer base {\n A lock(Shift)\n Space/Control usb-boot\n}\n"
        "chord SW1 SW2 on base = X"
    )
    assert verdicts(proved(keyboard_of(layers))) == {Verdict.PROVED}


def test_a_way_over_a_dial_is_no_script() -> None:
    wiring = FRAME["wiring"].replace("}", "    dial GPIO20 GPIO21 DIAL1\n}")
    head = FRAME["keyboard"] + wiring + FRAME["shape"] + FRAME["layer"] + "layer more { }\n"
    dial = "dial DIAL1 on base { clockwise = lock(more) }\ndial DIAL1 on more { clockwise = wheel(up) }\n"
    keyboard = keyboard_in(head + dial, "x.keys")
    assert failures(proved(keyboard)) == {"lock(more) can be undone": None}


def test_a_cell_on_the_key_that_holds_its_layer_is_never_reached() -> None:
    before, after = (proved(keyboard_of(text)) for text in examples("never-reached"))
    (told,) = before.unreached
    assert (told.code, told.severity) == ("never-reached", "warning")
    assert "SW3" in told.message
    assert not before.complete
    assert not before.failed
    assert after.complete


def test_limits_are_kept_and_told() -> None:
    keyboard = keyboard_of(RICH)
    late = proved(keyboard, seconds_most=0)
    assert late.explored == ()
    assert Verdict.PROVED not in {claim.verdict for claim in late.claims[:-2]}
    assert "stopped after 0 s" in as_text(late)
    full = proved(keyboard, states_most=100)
    assert full.stopped_by == "at 100 states"
    assert not full.complete
    assert "every way of up to " in as_text(full).replace("\n", " ")
    assert 1 <= full.moves_whole < 20
    assert full.unreached == ()  # nothing is concluded from what wasn't looked at
    early = as_text(proved(keyboard, states_most=3))
    assert early.startswith("not explored whole, stopped at 3 states")
    assert "not reached: " in early
    assert "SW2 on more" in early.replace("\n" + " " * 13, " ")


def test_what_is_told_fits_eighty_columns() -> None:
    text = as_text(proved(keyboard_of(examples("proof-failed")[0])))
    assert max(len(line) for line in text.splitlines() if "shortest" not in line) <= 80


@pytest.mark.parametrize(
    ("layer", "moved"),
    [
        ("layer base {\n A B\n C D\n}", [0, 1]),
        ("layer base {\n A B\n Shift Control\n}", [0, 1, 2, 3]),
        ("layer base {\n A Control+B\n C Control+D\n}", [0, 1, 2, 3]),
        ("layer base {\n A/Shift B/Shift\n C/Shift D/Control\n}", [0, 1, 3]),
        ("timing SW2 { hold-after 90ms }\nlayer base {\n A/Shift B/Shift\n C/Shift D/Shift\n}", [0, 1, 2]),
        ("timing SW2 { hold-after 90ms }\nlayer base {\n A B\n C D\n}", [0, 1]),
        ("layer base {\n A B\n C D\n}\nchord SW3 SW4 on base = X", [0, 1, 2, 3]),
    ],
)
def test_of_keys_that_are_alike_two_are_moved(layer: str, moved: list[int]) -> None:
    assert moved_switches(keyboard_of(layer)) == moved


@pytest.mark.parametrize("seed", range(12))
def test_an_explored_state_is_what_the_board_would_be_in(seed: int) -> None:
    """Random movements, step by step from states copied and put back, and the same as a script on a whole
    board with debounce and clock: the computer sees the same keys in the end."""
    random = Random(seed)
    keyboard = keyboard_of(RICH)
    explored = Engine(load(), tables_of(keyboard))
    explored.step(0, 0, 8_000, 10_000_000)
    state, down, words = explored.saved(), set[int](), []
    for _ in range(9):
        switch = random.randrange(4)
        explored.restore(state)
        moves = MOVE_UP if switch in down else MOVE_DOWN
        down ^= {switch}
        words.append(f"{'down' if moves == MOVE_DOWN else 'up'} SW{switch + 1} wait 8ms")
        if explored.step(switch, moves, 8_000, 10_000_000).restarted:
            return
        if random.random() < 0.3:
            explored.step(0, 0, 440_000, 10_000_000)
            words.append("wait 440ms")
        state = explored.saved()
    explored.step(0, 0, 440_000, 10_000_000)
    (result,) = tried(keyboard.span.source, " ".join([*words, "wait 440ms"])).results
    sees = [moment.held for moment in result.time_line if moment.held is not None]
    report = explored.current_report("keyboard")
    held = held_names(usages_in(engine.Report(0, "keyboard", report)))
    assert held == (sees[-1] if sees else ())


@pytest.fixture
def broken_engine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the engine's sources to break, used instead of ours."""
    folders = tmp_path / "engine", tmp_path / "port"
    shutil.copytree(shipped("templates", "engine"), folders[0])
    shutil.copytree(shipped("templates", "port", "host"), folders[1])
    monkeypatch.setattr(engine_library, "source_folders", lambda: folders)
    monkeypatch.setenv("KEYC_CACHE", str(tmp_path / "cache"))
    return folders[0]


@pytest.mark.parametrize(
    ("file", "ours", "broken", "layers", "claim"),
    [
        # A chord's release is forgotten.
        (
            "engine_further.c",
            "if (!(by & KEYC_BY_CHORD) ||",
            "if (by == by || !(by & KEYC_BY_CHORD) ||",
            FRAME["layer"] + "chord SW1 SW2 on base = X",
            "nothing stays down",
        ),
        # A covered key keeps its modifier.
        (
            "engine_modes.c",
            "if (slot->held_by & KEYC_BY_COVERED)\n",
            "if (false)\n",
            "layer base {\n next(Shift) B\n C usb-boot\n}",
            "nothing stays down",
        ),
        # A lock is never undone.
        (
            "engine_modes.c",
            "locked ? *flags | bit : *flags & ~bit",
            "*flags | (bit & 0xFF) | locked",
            "layer base {\n A lock(more)\n C usb-boot\n}\nlayer more { SW1 = X }",
            "lock(more) can be undone",
        ),
        # There is room for one event, and a full queue doesn't matter.
        (
            "engine_settle.c",
            "    if (keyboard->queue_full)\n        return false;",
            "    if (keyboard->event_count == 1u)\n        return false;",
            "layer base {\n A/Shift B\n C usb-boot\n}",
            "movement is lost",
        ),
    ],
)
def test_broken_engines_are_found_out(
    broken_engine: Path,
    file: str,
    ours: str,
    broken: str,
    layers: str,
    claim: str,
) -> None:
    path = broken_engine / file
    text = path.read_text("utf-8")
    assert ours in text
    path.write_text(text.replace(ours, broken), encoding="utf-8")
    found = failures(proved(keyboard_of(layers), levels=FEW))
    (script,) = [script for what, script in found.items() if claim in what]
    assert script


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.keys"
    path.write_text(HEAD + FRAME["layer"], encoding="utf-8")
    assert cli.main(["check", "--prove", str(path)]) == 0
    assert "proved     no key's movement is lost" in capsys.readouterr().out
    path.write_text(HEAD + examples("never-reached")[0], encoding="utf-8")
    assert cli.main(["check", "--prove", str(path)]) == 4
    assert "never-reached" in capsys.readouterr().err
    path.write_text(HEAD + examples("proof-failed")[0], encoding="utf-8")
    assert cli.main(["check", "--prove", "--format", "json", str(path)]) == 1
    assert '"proof-failed"' in capsys.readouterr().out


def test_limits_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "x.keys"
    path.write_text(HEAD + SOUND, encoding="utf-8")
    assert cli.main(["check", "--prove", "--states", "5", str(path)]) == 4
    assert "at 5 states" in capsys.readouterr().out
    assert cli.main(["check", "--prove", "--seconds", "0", str(path)]) == 2
    assert cli.main(["check", "--states", "100", str(path)]) == 2
    assert "--prove" in capsys.readouterr().err
