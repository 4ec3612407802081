"""Frozen classes that cost next to nothing to define: what the compiler's rooms hand to one another.

    class Usage(Record):
        page: int
        id: int = 0

means to a reader, to `match` and to mypy what a frozen dataclass with slots means. A dataclass writes and
compiles methods for each class, more than half a millisecond a class at the start of every command; here
all classes share the ones below.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from operator import attrgetter
from typing import Any, ClassVar, NoReturn, Self, cast, dataclass_transform


@dataclass_transform(frozen_default=True)
class _RecordType(type):
    """Makes slots of a class's annotations, and keeps the values given there as defaults."""

    def __new__(cls, name: str, bases: tuple[type, ...], body: dict[str, Any]) -> Any:
        fields = tuple(body.get("__annotations__", ())) if bases else ()
        defaults = {field: body.pop(field) for field in fields if field in body}
        made: Any = super().__new__(cls, name, bases, body | {"__slots__": fields, "__match_args__": fields})
        made._defaults = defaults
        made._setters = tuple([made.__dict__[field].__set__ for field in fields])
        made._values = attrgetter(*fields) if fields else type
        return made


class Record(metaclass=_RecordType):
    """Equal to a record of the same class with equal values, hashable if they are.

    A class of records has no other one above it.
    """

    __match_args__: ClassVar[tuple[str, ...]]
    _defaults: ClassVar[Mapping[str, Any]]
    _setters: ClassVar[tuple[Callable[[Record, Any], None], ...]]
    _values: ClassVar[Any]  # a record → its values as a tuple, or the only one

    def __init__(self, *values: Any, **named: Any) -> None:
        setters = self._setters
        given: Iterable[Any] = values
        if named or len(values) != len(setters):
            given = self._completed(values, named)
        for set_value, value in zip(setters, given, strict=True):
            set_value(self, value)

    def _completed(self, values: tuple[Any, ...], named: dict[str, Any]) -> list[Any]:
        fields = self.__match_args__
        in_order = dict(zip(fields, values, strict=False))
        known = {**self._defaults, **in_order, **named}
        if known.keys() ^ fields or in_order.keys() & named or len(values) > len(fields):
            raise TypeError(f"{type(self).__name__} wants {', '.join(fields)}")
        return [known[field] for field in fields]

    def replaced(self, **changes: Any) -> Self:
        """This record with other values in these fields."""
        fields = {field: getattr(self, field) for field in self.__match_args__}
        made: Any = type(self)
        return cast(Self, made(**fields | changes))

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        return bool(self._values(self) == self._values(other))

    def __hash__(self) -> int:
        return hash(self._values(self))

    def __repr__(self) -> str:
        values = ", ".join(f"{field}={getattr(self, field)!r}" for field in self.__match_args__)
        return f"{type(self).__name__}({values})"

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise AttributeError(f"{type(self).__name__} is frozen: {name} can't be set")

    def __delattr__(self, name: str) -> NoReturn:
        raise AttributeError(f"{type(self).__name__} is frozen: {name} can't be deleted")

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), tuple(getattr(self, field) for field in self.__match_args__)
