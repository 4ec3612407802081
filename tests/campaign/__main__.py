"""Plants faults by the thousand, and prints what is asked of the bench beside what it has reached."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace, RawDescriptionHelpFormatter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from time import monotonic
from typing import TypeVar

from tests.campaign import figures, good, intermittents, noise, on_chip
from tests.campaign.figures import Figure
from tests.campaign.sessions import Score

_One = TypeVar("_One")

# Minutes of one core of about 2020.
_HELP = """\
parts, and how long all of one takes:
  faults         every single fault at every place, thousands of doubles and triples   about 150 min
  good           boards with nothing wrong, without a wire and through every stage     about 15 min
  intermittents  what fails now and then, against chance, stage by stage               about 15 min
  noise          damaged bytes, lost packets, pulled cables, against a clean wire      about 1 min
  chip           a sample of each fault in the emulated chip, against the host's board about 10 min
Without a name it runs all of them. --part-of 20 runs a twentieth of each."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    name: str
    asked: str
    reached: str
    kept: bool


def main() -> int:
    parser = ArgumentParser(
        prog="python -m tests.campaign",
        description=__doc__,
        epilog=_HELP,
        formatter_class=RawDescriptionHelpFormatter,
    )
    parser.add_argument("parts", nargs="*", metavar="PART", help="of those below; left out: every one")
    parser.add_argument("--part-of", type=int, default=1, metavar="N", help="run one N-th of everything")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--show", type=int, default=5, metavar="N", help="misses shown of each part")
    options = parser.parse_args()
    unknown = [name for name in options.parts if name not in _PARTS]
    if unknown:
        parser.error(f"there is no part {unknown[0]}; there are {', '.join(_PARTS)}")
    rows: list[Row] = []
    stopped = False
    try:
        for name in options.parts or _PARTS:
            for row in _PARTS[name](options):
                rows.append(row)  # one by one: what is done stands when it is stopped
    except KeyboardInterrupt:
        stopped = True
    print(table(rows))
    if stopped:
        print("stopped: the rest was not run")
        return 130
    return 0 if all(one.kept for one in rows) else 1


def table(rows: list[Row]) -> str:
    """The rows beneath one another: what was measured, what is asked, what was reached."""
    lines = [("figure", "asked", "reached", "")]
    lines += [(one.name, one.asked, one.reached, "" if one.kept else "NOT REACHED") for one in rows]
    widths = [max(len(line[n]) for line in lines) for n in range(3)]
    told = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=False)) for line in lines]
    told = [f"{text}  {line[3]}".rstrip() for text, line in zip(told, lines, strict=True)]
    return "\n".join((told[0], "  ".join("-" * width for width in widths), *told[1:]))


def row_of(one: Figure) -> Row:
    """A figure as a line of the table; a count of nothing in particular has no share."""
    if one.most is not None:
        asked = f"at most {one.most:g}" if one.most else "none"
    else:
        asked = "" if one.least is None else f"{100 * one.least:g} %"
    if one.of:
        return Row(one.name, asked, f"{one.value:g} of {one.of:g} ({100 * one.share:.1f} %)", one.kept)
    return Row(one.name, asked, f"{one.value:g}", one.kept)


def _counted(name: str, these: Iterable[_One]) -> list[_One]:
    """All of them, with a word about how far it has come."""
    began = monotonic()
    done = []
    for each in these:
        done.append(each)
        if sys.stderr.isatty():
            print(f"\r{name}: {len(done)}", end="", file=sys.stderr, flush=True)
    print(f"\r{name}: {len(done)} in {monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    return done


def _missed(words: Iterable[str], most: int) -> None:
    for _, text in zip(range(most), words, strict=False):
        print(f"  {text}", file=sys.stderr)


def _faults(options: Namespace) -> Iterator[Row]:
    share, seed = options.part_of, options.seed

    def faulty(
        name: str, these: Iterable[Score], first: float | None = None
    ) -> tuple[list[Score], list[Row]]:
        done = _counted(name, these)
        missed = (one for one in done if one.visible and figures.is_sure(one.planted) and not one.named)
        _missed(
            (
                f"missed: {', '.join(map(str, one.planted))}; it said: "
                f"{', '.join(fault.title for fault in one.result.faults) or 'nothing'}"
                for one in missed
            ),
            options.show,
        )
        return done, [row_of(one) for one in figures.figures_of(done, name, first)]

    alone, rows = faulty("one fault", figures.singles(None if share == 1 else 2000 // share, seed), 0.85)
    yield from rows
    for often, words in ((True, "as they come"), (False, "each kind alike")):
        for each, count, name in ((2, 5000, "two faults"), (3, 2000, "three faults")):
            these = figures.several(count // share, each, seed, as_often=often)
            # Of kinds that hardly come no tester names so many first: likelier ones read the same.
            yield from faulty(f"{name}, {words}", these, 0.85 if often else None)[1]
    yield from faulty("two faults, slips", figures.several(1000 // share, 2, seed, 0.05))[1]
    yield row_of(figures.alike_figure(max(2, 60 // share), seed=seed))
    yield row_of(figures.presses_figure(alone))


def _good(options: Namespace) -> Iterator[Row]:
    count, seed = 3000 // options.part_of, options.seed
    for slips, name in ((0.0, "good boards"), (0.05, "good boards, slips")):
        desks = _counted(name, good.good_boards(count if not slips else count // 3, seed, slips))
        yield from map(row_of, good.figures_of_desks(desks, name))
    runs = _counted("good boards, every stage", good.whole_runs(count, seed))
    _missed((f"seed {one.seed}: {', '.join(one.alarms)}" for one in runs if one.alarms), options.show)
    yield from map(row_of, good.figures_of_runs(runs))


def _intermittents(options: Namespace) -> Iterator[Row]:
    for one in intermittents.figures(max(20, 300 // options.part_of), options.seed):
        print(one, file=sys.stderr, flush=True)
        name = f"{one.way.stage}: {one.way.fault(one.share)}, {one.chances} chances"
        expected = f"{one.expected * one.boards:.0f} of {one.boards}, 3 sigma; nobody else"
        accused = f"; {one.accused} others" if one.accused else ""
        yield Row(name, expected, f"{one.found} ({one.sigmas:+.1f} sigma){accused}", one.kept)


def _noise(options: Namespace) -> Iterator[Row]:
    runs = _counted("noise", noise.compared(max(5, 100 // options.part_of), options.seed))
    troubles = ((one, words) for one in runs for words in one.troubles)
    _missed(
        (
            f"{', '.join(map(str, one.planted)) or 'a good board'}, seed {one.seed}: {words}"
            for one, words in troubles
        ),
        options.show,
    )
    yield from map(row_of, noise.figures_of(runs))


def _chip(options: Namespace) -> Iterator[Row]:
    pairs = _counted("chip", on_chip.pairs(options.part_of, options.seed))
    _missed((str(one) for one in pairs if one.differences), options.show)
    yield row_of(on_chip.figure_of(pairs))


_PARTS: dict[str, Callable[[Namespace], Iterator[Row]]] = {
    "faults": _faults,
    "good": _good,
    "intermittents": _intermittents,
    "noise": _noise,
    "chip": _chip,
}


if __name__ == "__main__":
    raise SystemExit(main())
