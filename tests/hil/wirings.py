"""Small wirings for the tests of the bench, and random ones."""

from __future__ import annotations

from random import Random

from keyc.fingerprints import Fingerprints
from keyc.keyboard import Dial, Diodes, Light, Switch, Wiring
from keyc.source import Source, Span

NOWHERE = Span(Source("test", ""), 0, 0)
KNOWN = Fingerprints("0123456789ab", "23456789abcd", "456789abcdef")


def wiring_of(
    rows: tuple[int, ...],
    columns: tuple[int, ...],
    diodes: Diodes = Diodes.CATHODE_TO_ROW,
    directs: tuple[int, ...] = (),
    lights: tuple[Light, ...] = (),
    holes: frozenset[int] = frozenset(),
    dials: tuple[Dial, ...] = (),
) -> Wiring:
    """SW1, SW2 … row by row, then the direct ones. `holes`: places that have no switch."""
    places = [(row, column) for row in rows for column in columns]
    kept = [place for number, place in enumerate(places) if number not in holes]
    switches = [
        Switch(f"SW{n}", row, column, None, f"D{n}", NOWHERE) for n, (row, column) in enumerate(kept, 1)
    ]
    switches += [
        Switch(f"SW{n}", None, None, pin, None, NOWHERE) for n, pin in enumerate(directs, len(kept) + 1)
    ]
    return Wiring(diodes, rows, columns, tuple(switches), lights, dials)


def dial(name: str, pin_a: int, pin_b: int, edges_per_detent: int = 4) -> Dial:
    return Dial(name, pin_a, pin_b, edges_per_detent, NOWHERE)


def light(pin: int, lit_low: bool = False) -> Light:
    return Light(pin, 2, "CapsLock", lit_low, NOWHERE)


def small(diodes: Diodes = Diodes.CATHODE_TO_ROW) -> Wiring:
    """Three rows on GPIO2-4, four columns on GPIO6-9, SW1-SW12; SW13 straight from GPIO10."""
    return wiring_of((2, 3, 4), (6, 7, 8, 9), diodes, directs=(10,))


def random_wiring(chance: Random) -> Wiring:
    pins = list(range(30))
    chance.shuffle(pins)
    row_count, column_count = chance.randint(1, 5), chance.randint(1, 6)
    places = row_count * column_count
    rows = tuple(pins[:row_count])
    columns = tuple(pins[row_count : row_count + column_count])
    rest = pins[row_count + column_count :]
    return wiring_of(
        rows,
        columns,
        chance.choice(list(Diodes)),
        directs=tuple(rest[: chance.randint(0, 2)]),
        lights=tuple(light(pin, chance.random() < 0.5) for pin in rest[3 : 3 + chance.randint(0, 2)]),
        holes=frozenset(n for n in range(places) if chance.random() < 0.15 and places > 1),
    )


def random_fault(chance: Random, wiring: Wiring) -> str:
    """A fault in words; it may be one that this wiring can't have."""
    pins = [*wiring.rows, *wiring.columns, chance.randrange(30)]
    switches = [switch.name for switch in wiring.switches] or ["SW1"]
    one, other = chance.choice(pins), chance.choice(pins)
    switch, second = chance.choice(switches), chance.choice(switches)
    copper = chance.choice(("RUN", "GND", "IOVDD", "DVDD", "TESTEN", "SWD", "3V3"))
    return chance.choice(
        (
            f"open {switch}",
            f"closed {switch}",
            f"reversed {switch}",
            f"shorted {switch}",
            f"swapped {switch} {second}",
            f"bridge {switch} {second}",
            f"open GPIO{one}",
            f"cut GPIO{one} after {switch}",
            f"bridge GPIO{one} GPIO{other}",
            f"bridge GPIO{one} {copper}",
            f"low GPIO{one}",
            f"high GPIO{one}",
            f"leaky GPIO{one} GPIO{other} 47k",
            f"slow GPIO{one} 300pF",
            f"swapped GPIO{one} GPIO{other}",
            f"moved {switch} GPIO{one} {chance.choice(('GND', f'GPIO{other}'))}",
            "reversed diodes",
        )
    )
