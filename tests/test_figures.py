"""The table of figures, and how it is compared with one of another commit."""

from __future__ import annotations

from tests.perf import Figure, table_of, values_in

FIGURES = [
    Figure("the demo: flash", 8184, "bytes", 8192),
    Figure("... deepest stack", 384, "bytes", 512),
    Figure("another: flash", 3, "bytes", 2, note="mind it"),
    Figure("... deepest stack", 1.5, "kHz", 1, at_least=True),
]


def test_a_table_reads_back() -> None:
    assert values_in(table_of(FIGURES)) == {
        "the demo: flash": 8184,
        "the demo: flash ... deepest stack": 384,
        "another: flash": 3,
        "another: flash ... deepest stack": 1.5,
    }
    assert values_in(table_of(FIGURES, {"another: flash": 2})) == values_in(table_of(FIGURES))


def test_a_figure_stands_beside_what_it_was() -> None:
    before = {
        "the demo: flash": 8192.0,
        "the demo: flash ... deepest stack": 384.0,
        "another: flash ... deepest stack": 0.0,
    }
    assert table_of(FIGURES, before).splitlines() == [
        "| figure | value | before | change | limit | |",
        "|---|---:|---:|---:|---:|---|",
        "| the demo: flash | 8,184.00 bytes | 8,192.00 | -8.00 (-0.1%) | ≤ 8,192.00 | kept |",
        "| ... deepest stack | 384.00 bytes | 384.00 | = | ≤ 512.00 | kept |",
        "| another: flash | 3.00 bytes | | new | ≤ 2.00 | **over**, mind it |",
        "| ... deepest stack | 1.50 kHz | 0.00 | +1.50 | ≥ 1.00 | kept |",
    ]
