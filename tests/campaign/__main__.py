"""`python -m tests.campaign`: plants faults by the thousand and prints what the bench made of them.

With `noise` it spoils the wire and pulls the cable instead; with `chip` it compares the emulated chip."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from collections.abc import Iterable
from time import monotonic

from tests.campaign import figures, noise, on_chip
from tests.campaign.sessions import Score


def main() -> int:
    parser = ArgumentParser(prog="python -m tests.campaign", description=__doc__)
    parser.add_argument("part", nargs="?", choices=("faults", "noise", "chip"), default="faults")
    parser.add_argument("--boards", type=int, default=100, help="of the part `noise`")
    parser.add_argument(
        "--singles", type=int, help="of each board at most so many places; default: every one"
    )
    parser.add_argument("--doubles", type=int, default=5000)
    parser.add_argument("--triples", type=int, default=2000)
    parser.add_argument("--careless", type=int, default=1000, help="double faults under a hand that slips")
    parser.add_argument("--good", type=int, default=3000)
    parser.add_argument("--alike", type=int, default=60, help="of each small board single faults compared")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--show", type=int, default=5, metavar="N", help="misses shown of each part")
    options = parser.parse_args()
    if options.part == "noise":
        return noise.main(options.boards, options.seed)
    if options.part == "chip":
        return on_chip.main(options.seed)
    told: list[figures.Figure] = []

    def part(name: str, scores: Iterable[Score]) -> list[Score]:
        began = monotonic()
        done = []
        for score in scores:
            done.append(score)
            if sys.stderr.isatty():
                print(f"\r{name}: {len(done)}", end="", file=sys.stderr, flush=True)
        print(f"\r{name}: {len(done)} boards in {monotonic() - began:.0f} s", file=sys.stderr, flush=True)
        return done

    def faulty(name: str, scores: Iterable[Score], first: float | None = None) -> list[Score]:
        done = part(name, scores)
        told.extend(figures.figures_of(done, name, first))
        missed = [s for s in done if s.visible and figures.is_sure(s.planted) and not s.named]
        for score in missed[: options.show]:
            planted = ", ".join(map(str, score.planted))
            said = ", ".join(fault.title for fault in score.result.faults) or "nothing"
            print(f"  missed: {planted}; it said: {said}", file=sys.stderr)
        return done

    alone = faulty("one fault", figures.singles(options.singles, options.seed), 0.85)
    for often, words in ((True, "as they come"), (False, "each kind alike")):
        for each, count, name in ((2, options.doubles, "two faults"), (3, options.triples, "three faults")):
            # Of three, or of kinds that hardly come, no tester names so many first: likelier ones read alike.
            first = 0.85 if often and each == 2 else None
            faulty(f"{name}, {words}", figures.several(count, each, options.seed, as_often=often), first)
    faulty("two faults, slips", figures.several(options.careless, 2, options.seed, 0.05))
    told += figures.good_figures(part("good boards", figures.good_boards(options.good, options.seed)))
    told += figures.good_figures(
        part("good boards, slips", figures.good_boards(options.good // 3, options.seed, 0.05))
    )
    told.append(figures.alike_figure(options.alike, seed=options.seed))
    told += figures.bouncing_figures(list(figures.bouncing_boards(options.good, options.seed)))
    told.append(figures.presses_figure(alone))
    for one in told:
        print(one)
    return 0 if all(one.kept for one in told) else 1


if __name__ == "__main__":
    raise SystemExit(main())
