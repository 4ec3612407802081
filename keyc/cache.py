"""The one folder in which keyc keeps what it can make again: grammar, templates, the host engine."""

from __future__ import annotations

import os
import sys
from pathlib import Path


def cache_folder() -> Path | None:
    """The per-user cache folder, made if need be; None where it can't be written.

    `KEYC_CACHE` names another one. Everything in it may be deleted at any time.
    """
    named = os.environ.get("KEYC_CACHE")
    if named:
        folder = Path(named)
    elif sys.platform == "win32":
        folder = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "keyc" / "cache"
    elif sys.platform == "darwin":
        folder = Path.home() / "Library" / "Caches" / "keyc"
    else:
        folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "keyc"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    return folder if os.access(folder, os.W_OK) else None
