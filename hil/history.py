"""Earlier runs out of a record: what was found then, what has changed since, what a mend has touched."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hil.result import title_of
from keyc.diagnostics import UserError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from keyc.keyboard import Wiring

_GOOD = frozenset({"proven", "answers"})
_WORDS = {"untested": "not tested", "open": "silent"}
ONLY_TOUCHED = "asked only for what was touched; of the others the runs before tell"
VIRTUAL = "measured on a virtual board, which proves nothing about a real one"


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a record. `verdicts` per switch; `faults` in words; `ended`: it came to a result.

    `pins` of a switch in that run's file: of its row and its column, or its own. `diodes`: that file's word.
    `netlist`: the fingerprint of the netlist that the board was said to be of.
    """

    keyboard: str
    when: str
    after: str
    flash_id: str | None = None
    verdicts: Mapping[str, str] = field(default_factory=dict)
    lines: Mapping[str, str] = field(default_factory=dict)
    rise_us: Mapping[str, float] = field(default_factory=dict)
    stages: frozenset[str] = frozenset()  # those that ran
    faults: tuple[str, ...] = ()
    ended: bool = False
    pool: tuple[int, int] = (0, 0)  # presses of good switches whose bounces were timed; the longest, in µs
    pins: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    answered_as: Mapping[str, str] = field(default_factory=dict)
    diodes: str | None = None
    netlist: str | None = None
    is_virtual: bool = False
    only_touched: bool = False  # of the switches that it didn't ask for the runs before tell
    wiring: str | None = None  # the fingerprint of that run's file
    stopped: bool = False  # by Ctrl-C, a killed program or a rig that gave out

    @property
    def proven(self) -> tuple[str, ...]:
        return tuple(name for name, verdict in self.verdicts.items() if verdict == "proven")

    @property
    def step(self) -> str:
        """`after plate`; "" where nobody said it."""
        return f"after {self.after}" if self.after else ""

    @property
    def left(self) -> tuple[str, ...]:
        """Switches that were not proven, in the record's order."""
        return tuple(name for name, verdict in self.verdicts.items() if verdict != "proven")

    def of(self, names: Iterable[str]) -> Run:
        """This run with a word on each of these switches, in their order: a run that was cut short had none
        on those that it never came to."""
        return replace(self, verdicts={name: self.verdicts.get(name, "untested") for name in names})

    def in_words(self) -> str:
        """`last: after plate, SW7 silent; SW31 to SW36 not tested`."""
        from hil.places import names_in_short

        by_verdict: dict[str, list[str]] = {}
        for name in self.left:
            by_verdict.setdefault(self.verdicts[name], []).append(name)
        told = [f"{names_in_short(names)} {_WORDS.get(word, word)}" for word, names in by_verdict.items()]
        step = f"{self.step}, " if self.after else ""
        return f"last: {step}{'; '.join(told) or 'every switch proven'}"


@dataclass(frozen=True, slots=True)
class Change:
    """Something that two runs say differently. `worse`: it was good, and isn't."""

    what: str
    before: str
    now: str
    worse: bool

    def as_json(self) -> dict[str, Any]:
        return {"what": self.what, "before": self.before, "now": self.now, "worse": self.worse}


def runs_in(path: Path) -> list[Run]:
    """The runs of a record, oldest first. A run's last line that a pulled plug cut short is left out.

    Raises UserError for a file that can't be read or is no record.
    """
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text"
        raise UserError(f"{path} can't be read: {why}", "name a record of hil bench", exit_status=2) from None
    runs: list[Run] = []
    told: dict[str, Any] | None = None
    for number, line in enumerate(lines, 1):
        try:
            entry = json.loads(line)
        except ValueError:
            if number == len(lines) or '"event": "began"' in lines[number]:
                continue
            entry = None
        if not isinstance(entry, dict) or "event" not in entry:
            raise UserError(
                f"{path}, line {number}, is no line of a record",
                "a record is what hil bench writes: NAME.bench.jsonl",
            )
        if entry["event"] == "began":
            if told is not None:
                runs.append(_run(told))
            told = {"began": entry, "verdicts": {}}
        elif told is None:
            raise UserError(f"{path} doesn't begin with a run", "give the whole record")
        elif entry["event"] == "board":
            told["flash_id"] = entry.get("flash_id")
        elif entry["event"] == "verdict" and "switch" in entry:
            told["verdicts"][entry["switch"]] = entry.get("verdict", "untested")
        elif entry["event"] == "result":
            told["result"] = entry.get("result")
    if told is not None:
        runs.append(_run(told))
    return runs


def _run(told: Mapping[str, Any]) -> Run:
    began, result = told["began"], told.get("result")
    keyboard, when, after = (str(began.get(key) or "") for key in ("keyboard", "when", "after"))
    diodes, netlist = began.get("diodes"), began.get("netlist")
    if not isinstance(result, dict):
        return Run(
            keyboard,
            when,
            after,
            told.get("flash_id"),
            told["verdicts"],
            diodes=diodes,
            netlist=netlist,
            wiring=began.get("wiring"),
            stopped=True,
        )
    try:
        return Run(
            keyboard,
            when,
            after,
            flash_id=result["board"]["flash_id"],
            verdicts={one["switch"]: one["verdict"] for one in result["positions"]},
            lines={one["pin"]: one["verdict"] for one in result["lines"]},
            rise_us={one["pin"]: _rise_us(one) for one in result["lines"] if one["rise_us"] is not None},
            stages=frozenset(one["name"] for one in result["stages"] if one["verdict"] != "skipped"),
            faults=tuple(_fault_in_words(one) for one in result["faults"]),
            ended=True,
            pool=_pool(result["positions"]),
            pins={one["switch"]: _pins(one) for one in result["positions"]},
            answered_as={
                one["switch"]: one["answered_as"]
                for one in result["positions"]
                if one.get("answered_as") is not None
            },
            diodes=diodes,
            netlist=netlist,
            is_virtual=VIRTUAL in result.get("notes", ()),
            wiring=began.get("wiring"),
            stopped=result["verdict"] in ("aborted", "error"),
            only_touched=ONLY_TOUCHED in result.get("notes", ()),
        )
    except (KeyError, TypeError):
        raise UserError(
            f"the result of the run of {when or 'unknown time'} has another shape",
            "was it written by another version? Its shapes are in RECORD.md",
        ) from None


def _pool(positions: Iterable[Mapping[str, Any]]) -> tuple[int, int]:
    """As `hil.stages.bounce.pool`, out of a record; older ones than that stage have none."""
    good = [
        one["strokes"]
        for one in positions
        if one.get("strokes") and one["verdict"] not in ("chattering", "intermittent")
        if not one["strokes"]["drops"]
    ]
    longest = [us for one in good for us in (*one["press_us"], *one["release_us"])]
    return sum(min(len(one["press_us"]), len(one["release_us"])) for one in good), max(longest, default=0)


def pools_of(runs: Iterable[Run], flash_id: str | None, keyboard: str) -> tuple[tuple[int, int], ...]:
    """What this board's runs pooled; none where boards can't be told apart."""
    return tuple(
        run.pool
        for run in runs
        if flash_id and (run.flash_id, run.keyboard) == (flash_id, keyboard) and run.pool[0]
    )


def _pins(position: Mapping[str, Any]) -> tuple[int, ...]:
    """Those of a position's row and column, or of a switch to ground."""
    named = (position.get(key) for key in ("row", "column", "pin"))
    return tuple(int(pin.removeprefix("GPIO")) for pin in named if isinstance(pin, str))


def _fault_in_words(fault: Mapping[str, Any]) -> str:
    return title_of(fault["kind"], fault["where"])


def last_of_board(runs: Sequence[Run], flash_id: str | None, keyboard: str) -> Run | None:
    """The newest run of this board that judged a switch; one whose chip told no id counts as any board of
    that name. What a mend has not touched stands as the runs before had it."""
    mine = [
        run
        for run in runs
        if run.keyboard == keyboard and flash_id == run.flash_id and {*run.verdicts.values()} - {"untested"}
    ]
    stands: dict[str, str] = {}
    for run in mine:
        asked = {n: v for n, v in run.verdicts.items() if not run.only_touched or v != "untested"}
        stands = {**(stands if run.only_touched else {}), **asked}
    if not mine:
        return None
    last = mine[-1]
    if not last.only_touched:
        return last
    return replace(last, verdicts={name: stands.get(name, said) for name, said in last.verdicts.items()})


def told_before(run: Run | None, name: str) -> str | None:
    """`proven after plate`: what this run had found out about a switch; None where it hadn't."""
    verdict = "untested" if run is None else run.verdicts.get(name, "untested")
    return None if run is None or verdict == "untested" else f"{_WORDS.get(verdict, verdict)} {_then(run)}"


def why_not_resumed(last: Run | None, flash_id: str | None, after: str, wiring: str) -> str | None:
    """Why a run can't go on with this one, in words; None if it can."""
    if last is None:
        return "the record has no run of this board"
    if not flash_id:
        return "the flash chip told no id, so nobody knows whether the last run was of this board"
    if last.after != after:
        return f"the last run was {last.step or 'before any step of assembly was named'} (see --after)"
    if last.wiring != wiring:
        return "the file's wiring was another one in the last run"
    return None if last.proven else "the last run had proven nothing"


def changes(old: Run, new: Run) -> tuple[Change, ...]:
    """What two runs say differently: switches, then lines, then faults. Untested says nothing."""
    found = []
    for name, now in new.verdicts.items():
        before = old.verdicts.get(name, "untested")
        if before != now and "untested" not in (before, now):
            found.append(Change(name, before, now, before in _GOOD and now not in _GOOD))
        elif before == "proven" and now == "untested":
            found.append(Change(name, before, now, worse=False))
    for pin, now in new.lines.items():
        before = old.lines.get(pin, "untested")
        if before != now and "untested" not in (before, now):
            found.append(Change(pin, before, now, before == "clear"))
    found += [
        Change(fault, "there", "gone" if _was_looked_for(fault, new) else "not looked for", worse=False)
        for fault in old.faults
        if fault not in new.faults
    ]
    found += [
        Change(fault, "not there", "found", worse=True) for fault in new.faults if fault not in old.faults
    ]
    return tuple(found)


def _was_looked_for(fault: str, run: Run) -> bool:
    """Whether a run that doesn't have this fault would have found it."""
    kind, *where = fault.split()
    pins = {int(word[4:]) for word in where if word.startswith("GPIO")}
    switches = {word for word in where if word in run.verdicts}
    if kind in ("open", "cut", "swapped"):
        switches |= {name for name, mine in run.pins.items() if pins & {*mine}}
    needed = {"bounces": "bounce"}.get(kind, "together" if kind == "bridge" and switches else None)
    if needed is not None and needed not in run.stages:
        return False
    lines = (run.lines.get(word, "untested") for word in where if word.startswith("GPIO"))
    return "untested" not in (*(run.verdicts[name] for name in switches), *lines)


def _rise_us(line: Mapping[str, Any]) -> float:
    fine = line.get("rise_ns")
    return int(line["rise_us"]) if fine is None else fine / 1000


def regressions(runs: Iterable[Run], now: Run) -> tuple[str, ...]:
    """`SW14: proven after bare, silent now`: what an earlier step of assembly had proven, and lines that
    rise much slower or faster than they did."""
    from hil.rises import differ, in_us

    proven: dict[str, Run] = {}
    rise: dict[str, Run] = {}
    for run in runs:
        if run.keyboard == now.keyboard and run.flash_id == now.flash_id:
            proven.update({name: run for name, verdict in run.verdicts.items() if verdict == "proven"})
            rise.update(dict.fromkeys(run.rise_us, run))
    here = f"after {now.after}" if now.after else "now"
    hints = [
        f"{pin} rises in {in_us(us)} {here}, {_then(rise[pin])} in {in_us(rise[pin].rise_us[pin])}. "
        "A hint, no verdict"
        for pin, us in now.rise_us.items()
        if pin in rise and differ(us, rise[pin].rise_us[pin])
    ]
    lost = [
        f"{name}: proven {_then(proven[name])}, {_WORDS.get(verdict, verdict)} {here}"
        for name, verdict in now.verdicts.items()
        if name in proven and verdict not in ("proven", "answers", "untested")
    ]
    return (*lost, *hints)


def _then(run: Run) -> str:
    return run.step or "in an earlier run"


def touched_switches(words: str, wiring: Wiring) -> frozenset[str]:
    """The switches that a mend at `SW7,D7,GPIO3` may have touched. Raises UserError (status 2)."""
    from hil.faults import gpio_of
    from hil.judge import switches_on

    found: set[str] = set()
    for word in filter(None, (each.strip() for each in words.split(","))):
        gpio = gpio_of(word)
        # A file that names no diodes: D7 is the one of SW7 (common practice).
        names = {
            switch.name
            for switch in wiring.switches
            if word in (switch.name, switch.diode or switch.name.replace("SW", "D"))
        }
        if gpio is not None:
            names.update(switches_on(wiring, gpio))
        if not names and gpio is None:
            raise UserError(
                f"--touched: nothing on this keyboard is called {word}",
                "name switches, diodes or pins as the file does: SW7,D7,GPIO3",
                exit_status=2,
            )
        found |= names
    if not found:
        raise UserError(
            "--touched names nothing with a switch on it", "e.g. --touched SW7,D7,GPIO3", exit_status=2
        )
    return frozenset(found)


def _called(run: Run, otherwise: str) -> str:
    when = run.when or otherwise
    return f"{when} ({run.step})" if run.after else when


def compared_text(old: Run, new: Run) -> str:
    """What changed, as a few lines."""
    from textwrap import wrap

    from hil.places import names_in_short

    found = changes(old, new)
    lines = [f"{_called(old, 'earlier')} → {_called(new, 'later')}"]
    if old.flash_id and new.flash_id and old.flash_id != new.flash_id:
        lines.append("these are two different boards: their chips have different ids")
    if old.netlist and new.netlist and old.netlist != new.netlist:
        lines.append(f"these are two revisions of a board: by their netlists {old.netlist} and {new.netlist}")
    alike: dict[tuple[str, str, bool], list[str]] = {}
    for one in found:
        alike.setdefault((one.before, one.now, one.worse), []).append(one.what)
    for (was, is_now, worse), names in alike.items():
        before, now = (_WORDS.get(word, word) for word in (was, is_now))
        text = f"{'✗' if worse else ' '} {names_in_short(names)}: {before} → {now}"
        lines += wrap(text, 80, subsequent_indent="    ", break_on_hyphens=False)
    if not found:
        lines.append("nothing changed")
    return "\n".join(lines)
