"""What the stages of a run measured, besides verdicts of single switches: a sentence each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.result import LineVerdict, PositionVerdict, Verdict

if TYPE_CHECKING:
    from hil.result import HeldTogether, Result

_WORTH_TELLING_US = 1_000_000  # a longer gap between two presses says nothing
_LIGHTS = {PositionVerdict.PROVEN: "seen", PositionVerdict.OPEN: "stayed dark"}


def measured(result: Result) -> list[str]:
    """ "flex: 30 s of squeezing, and nothing came or went by itself", in the order of the stages."""
    ran = {stage.name for stage in result.stages if stage.verdict is not Verdict.SKIPPED}
    told = (
        _lines(result) if "lines" in ran else "",
        _together(result),
        _bounce(result),
        _debounce(result),
        _flex(result),
        _typing(result),
        _extras(result),
    )
    return [words for words in told if words]


def _lines(result: Result) -> str:
    # A line that is broken is tied to nothing as well.
    clear = sum(line.verdict in (LineVerdict.CLEAR, LineVerdict.OPEN) for line in result.lines)
    if not result.lines:
        return ""
    which = f"all {clear} pins" if clear == len(result.lines) else f"{clear} of {len(result.lines)} pins"
    return f"lines: {which} are tied to nothing: not to another pin, not to ground, not to the supply"


def _together(result: Result) -> str:
    words = together_in_words(result.together)
    return f"together: {words}" if words else ""


def together_in_words(together: HeldTogether | None) -> str:
    """ "2 of 3 pairs of neighbours are cleared …"; empty where nothing was held together."""
    told = []
    if together is None:
        return ""
    if together.pairs:
        told.append(
            f"{together.cleared} of {together.pairs} pairs of neighbours are cleared of solder between their "
            "diodes"
        )
    if together.most > 1:
        told.append(f"up to {together.most} switches at once were all seen")
    return "; ".join(told)


def _bounce(result: Result) -> str:
    found = [one for one in result.positions if one.bounce is not None and one.bounce.pooled]
    if not found:
        return ""
    presses = sum(one.bounce.pooled for one in found if one.bounce)
    longest = max(found, key=lambda one: one.bounce.longest_us if one.bounce else 0)
    assert longest.bounce is not None
    return (
        f"bounce: {_several(presses, 'press', 'presses')} of {_several(len(found), 'switch', 'switches')}; "
        f"{longest.switch} bounced longest, for {longest.bounce.longest_us / 1000:.1f} ms"
    )


def _debounce(result: Result) -> str:
    advice = result.debounce
    if advice is None:
        return ""
    return (
        f"debounce {advice.recommended_ms}ms is recommended: of {advice.rests_on_presses} presses the "
        f"longest bounced for {advice.longest_us / 1000:.1f} ms, and half as long again is its margin"
    )


def _flex(result: Result) -> str:
    if result.flexed is None:
        return ""
    blips = len(result.flexed.blips)
    what = f"{_several(blips, 'blip', 'blips')} came" if blips else "nothing came or went by itself"
    return f"flex: {result.flexed.watched_us / 1e6:.0f} s of squeezing, and {what}"


def _typing(result: Result) -> str:
    if result.typing is None or not result.typing.presses:
        return ""
    touched = [one for one in result.typing.switches if one.presses]
    gaps = [one.shortest_gap_us for one in touched if one.shortest_gap_us is not None]
    words = (
        f"typing: {_several(result.typing.presses, 'press', 'presses')} of "
        f"{_several(len(touched), 'switch', 'switches')}"
    )
    if gaps and min(gaps) < _WORTH_TELLING_US:
        words += f"; the quickest was down again {min(gaps) / 1000:.0f} ms after it was let go"
    return words


def _extras(result: Result) -> str:
    told = [f"{dial.name} {dial.verdict_in_words}" for dial in result.dials]
    told += [f"light for {light.shows} {_LIGHTS.get(light.verdict, 'untested')}" for light in result.lights]
    return f"extras: {', '.join(told)}" if told else ""


def _several(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"
