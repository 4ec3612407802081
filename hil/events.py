"""What a bench run tells while it goes on: to the screen, the record, a page, a robot finger."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, for the screen, for the record, and for a page or a robot finger.

    `kind`: board, history, stage, line, prompt, counted, contact, press, verdict, sent, typed, bounce, blip,
    trouble, back, ended. `counted` says how far a prompt is that asks for many presses, or
    for seconds with switches held.
    `contact` comes with each closing and opening, before anybody has judged it: for a tone. `sent`, what the
    board holds down on the computer just now, is for a page alone and written nowhere; so is the `switch` of
    `typed`. `text` is in words.
    """

    kind: str
    text: str
    stage: str | None = None
    switch: str | None = None
    asked: str | None = None
    instead: str | None = None
    place: str | None = None
    verdict: str | None = None
    meant: str | None = None  # a press: what it was taken for
    proven: int | None = None
    total: int | None = None
    again: bool | None = None
    times: int | None = None  # a prompt: how often to press
    together: tuple[str, ...] | None = None  # a prompt: switches to hold down at the same time
    took_us: int | None = None
    down: bool | None = None  # a contact: closed, or opened
    flash_id: str | None = None

    @property
    def switches(self) -> frozenset[str]:
        """All switches that a prompt asks for."""
        return frozenset(self.together or filter(None, (self.switch,)))

    def as_json(self) -> dict[str, Any]:
        """`event` first, then what is known."""
        told = {field.name: getattr(self, field.name) for field in fields(self) if field.name != "kind"}
        return {"event": self.kind, **{name: value for name, value in told.items() if value is not None}}
