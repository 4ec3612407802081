"""Speed and size, as figures beside what they are measured against in the same run.

A module in this folder offers `figures() -> list[Figure]`; `python -m tests.perf` prints them all. Nothing
here asserts a time: machines differ, ratios against an anchor less so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured value, its unit, and the most (or least) it should be. A name that begins with `...`
    goes on from the last one that doesn't."""

    name: str
    value: float
    unit: str
    limit: float
    at_least: bool = False
    note: str = ""

    @property
    def kept(self) -> bool:
        return self.value >= self.limit if self.at_least else self.value <= self.limit


def table_of(figures: Sequence[Figure], before: Mapping[str, float] | None = None) -> str:
    """The figures as a Markdown table that a pull request can show.

    `before` has another commit's values by whole name, as `values_in` reads them: then each figure stands
    beside what it was.
    """
    known = "" if before is None else " before | change |"
    lines = [f"| figure | value |{known} limit | |", f"|---|---:|{'---:|' * known.count('|')}---:|---|"]
    for one, whole in zip(figures, _whole([one.name for one in figures]), strict=True):
        sign = "≥" if one.at_least else "≤"
        mark = "kept" if one.kept else "**over**" if not one.at_least else "**under**"
        note = f", {one.note}" if one.note else ""
        was = "" if before is None else _compared(one, before.get(whole))
        lines.append(
            f"| {one.name} | {one.value:,.2f} {one.unit} |{was} {sign} {one.limit:,.2f} | {mark}{note} |"
        )
    return "\n".join(lines)


def values_in(table: str) -> dict[str, float]:
    """The values of a table that `table_of` made, by whole name."""
    rows = [
        [cell.strip() for cell in line.split("|")[1:]]
        for line in table.splitlines()
        if line.startswith("| ") and not line.startswith("| figure |")
    ]
    return {
        name: float(row[1].split()[0].replace(",", ""))
        for name, row in zip(_whole([row[0] for row in rows]), rows, strict=True)
    }


def _whole(names: Sequence[str]) -> list[str]:
    whole: list[str] = []
    begun = ""
    for name in names:
        begun = begun if name.startswith("...") else name
        whole.append(name if name == begun else f"{begun} {name}")
    return whole


def _compared(figure: Figure, before: float | None) -> str:
    if before is None:
        return " | new |"
    share = f" ({(figure.value - before) / before:+.1%})" if before and figure.value != before else ""
    change = f"{figure.value - before:+,.2f}{share}" if figure.value != before else "="
    return f" {before:,.2f} | {change} |"
