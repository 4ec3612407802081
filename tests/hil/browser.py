"""A headless Chromium driven through its own debugging pipe.

Chrome DevTools Protocol over descriptors 3 and 4 (`--remote-debugging-pipe`: JSON, a NUL after each message)
needs nothing but Chromium itself: no driver to match its version, no port, no WebSocket library.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
from base64 import b64decode
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
FOUND = next((path for path in map(shutil.which, NAMES) if path), None)
_PATIENCE_S = 30.0


class Browser:
    """A context. `page` opens an address in a tab of its own."""

    def __init__(self, profile: Path, size: tuple[int, int] = (1280, 720)) -> None:
        assert FOUND
        to_browser, self._to = os.pipe()
        self._from, from_browser = os.pipe()
        command = [
            FOUND,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--no-first-run",
            "--remote-debugging-pipe",
            f"--user-data-dir={profile}",
            f"--window-size={size[0]},{size[1]}",
        ]
        # The pipe's descriptors are 3 and 4 in the browser, wherever they are here.
        script = f'exec 3<&{to_browser} 4>&{from_browser}; exec "$@"'
        self._process = subprocess.Popen(
            ["bash", "-c", script, "browser", *command],
            pass_fds=(to_browser, from_browser),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._size = size
        self._number = 0
        self._rest = b""
        self.events: list[dict[str, Any]] = []

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._to)
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._from)

    def page(self, address: str) -> Tab:
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        tab = Tab(self, session, target)
        tab.call("Page.enable")
        tab.call("Runtime.enable")
        tab.call("Log.enable")
        width, height = self._size
        tab.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        tab.call("Page.navigate", url=address)
        return tab

    def call(self, method: str, session: str | None = None, **parameters: Any) -> dict[str, Any]:
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if session is not None:
            message["sessionId"] = session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._message()
            if answer.get("id") == self._number:
                assert "error" not in answer, answer
                return dict(answer["result"])
            self.events.append(answer)

    def _message(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            more = os.read(self._from, 1 << 16)
            assert more, "the browser has ended"
            self._rest += more
        message, _, self._rest = self._rest.partition(b"\0")
        return dict(json.loads(message))


class Tab:
    def __init__(self, browser: Browser, session: str, target: str) -> None:
        self._browser, self._session, self._target = browser, session, target

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        return self._browser.call(method, self._session, **parameters)

    def value(self, expression: str, *, gesture: bool = False) -> Any:
        """What a script gives; `gesture`: as if a person had done it."""
        answer = self._evaluated(expression, gesture)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def _evaluated(self, expression: str, gesture: bool = False) -> dict[str, Any]:
        return self.call(
            "Runtime.evaluate",
            expression=expression,
            returnByValue=True,
            awaitPromise=True,
            userGesture=gesture,
        )

    def wait(self, expression: str) -> None:
        """Until it is true, in a page that may still be loading; fails long after any browser's time."""
        end = time.monotonic() + _PATIENCE_S
        while not (answer := self._evaluated(expression))["result"].get("value"):
            assert time.monotonic() < end, (expression, answer)
            time.sleep(0.02)

    def text(self, name: str) -> str:
        return str(self.value(f"document.getElementById({json.dumps(name)}).innerText"))

    def key(self, code: str, key: str, *, down: bool) -> None:
        kind = "keyDown" if down else "keyUp"
        self.call("Input.dispatchKeyEvent", type=kind, code=code, key=key)

    def complaints(self) -> list[str]:
        """What the browser has to say against the page: errors of scripts, things its policy forbids."""
        self.value("0")
        return [
            json.dumps(event["params"])
            for event in self._browser.events
            if event.get("sessionId") == self._session
            and (
                event["method"] == "Runtime.exceptionThrown"
                or (
                    event["method"] == "Log.entryAdded"
                    and event["params"]["entry"]["level"] == "error"
                    and event["params"]["entry"]["source"] != "network"  # a server that has ended
                )
            )
        ]

    def picture(self, path: Path) -> None:
        path.write_bytes(b64decode(self.call("Page.captureScreenshot", format="png")["data"]))

    def reload(self) -> None:
        self.call("Page.reload")

    def close(self) -> None:
        self._browser.call("Target.closeTarget", targetId=self._target)
