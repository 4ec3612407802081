"""Records mean what frozen dataclasses mean: compared with the standard library's own, and never more."""

from __future__ import annotations

import copy
import pickle
from dataclasses import dataclass
from typing import Any

import pytest

from keyc.record import Record


class Point(Record):
    """Where."""

    x: int
    y: int = 2
    name: str | None = None

    @property
    def sum(self) -> int:
        return self.x + self.y


class Empty(Record):
    """Nothing."""


class Other(Record):
    x: int
    y: int = 2
    name: str | None = None


@dataclass(frozen=True, slots=True)
class Reference:
    x: int
    y: int = 2
    name: str | None = None


GIVEN: list[tuple[tuple[Any, ...], dict[str, Any]]] = [
    ((1,), {}),
    ((1, 5), {}),
    ((1, 5, "a"), {}),
    ((1,), {"name": "b"}),
    ((), {"y": 4, "x": 3}),
    ((), {}),
    ((1, 2, "a", 4), {}),
    ((1,), {"x": 1}),
    ((1,), {"z": 1}),
    ((), {"y": 1, "name": "c"}),
]


@pytest.mark.parametrize(("values", "named"), GIVEN)
def test_made_as_a_dataclass_is(values: tuple[Any, ...], named: dict[str, Any]) -> None:
    try:
        wanted = Reference(*values, **named)
    except TypeError:
        with pytest.raises(TypeError):
            Point(*values, **named)
        return
    made = Point(*values, **named)
    assert (made.x, made.y, made.name) == (wanted.x, wanted.y, wanted.name)
    assert repr(made).partition("(")[2] == repr(wanted).partition("(")[2]
    assert hash(made) == hash(wanted)
    assert Point.__match_args__ == Reference.__match_args__


def test_equal_only_to_its_own_class() -> None:
    assert Point(1) == Point(1, 2)
    assert Point(1) != Point(1, 3)
    assert Point(1) != Other(1)
    assert Point(1) != (1, 2, None)
    assert Empty() == Empty()
    assert len({Point(1), Point(1, 2), Other(1), Empty(), Empty()}) == 3


def test_frozen() -> None:
    point = Point(1)
    with pytest.raises(AttributeError, match="frozen"):
        point.x = 2  # type: ignore[misc]
    with pytest.raises(AttributeError, match="frozen"):
        point.z = 2
    with pytest.raises(AttributeError, match="frozen"):
        del point.x
    assert point == Point(1)


def test_replaced_copied_and_matched() -> None:
    point = Point(1, 5, "a")
    assert point.replaced(y=6) == Point(1, 6, "a")
    assert point == Point(1, 5, "a")
    assert copy.deepcopy(point) == pickle.loads(pickle.dumps(point)) == point
    with pytest.raises(TypeError):
        point.replaced(z=1)
    match point:
        case Point(x, y):
            assert (x, y, point.sum) == (1, 5, 6)
        case _:
            pytest.fail("a record matches by its fields in order")
