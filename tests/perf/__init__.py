"""Speed and size, as figures beside what they are measured against in the same run.

A module in this folder offers `figures() -> list[Figure]`; `python -m tests.perf` prints them all. Nothing
here asserts a time: machines differ, ratios against an anchor less so.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured value, its unit, and the most (or least) it should be."""

    name: str
    value: float
    unit: str
    limit: float
    at_least: bool = False
    note: str = ""

    @property
    def kept(self) -> bool:
        return self.value >= self.limit if self.at_least else self.value <= self.limit


def table_of(figures: list[Figure]) -> str:
    """The figures as a Markdown table that a pull request can show."""
    lines = ["| figure | value | limit | |", "|---|---:|---:|---|"]
    for one in figures:
        sign = "≥" if one.at_least else "≤"
        mark = "kept" if one.kept else "**over**" if not one.at_least else "**under**"
        note = f", {one.note}" if one.note else ""
        lines.append(f"| {one.name} | {one.value:,.2f} {one.unit} | {sign} {one.limit:,.2f} | {mark}{note} |")
    return "\n".join(lines)
