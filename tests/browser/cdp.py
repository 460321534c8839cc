"""A headless Chromium (Debian), spoken to over two pipes by its DevTools protocol; nothing else is needed for it."""

from __future__ import annotations

import base64
import json
import os
import select
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

_FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-quic",
    "--disable-extensions",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)
_LONGEST_S = 60.0
_QUIET_S = 0.3


class Browser:
    """One browser with one page. `events` are those of the page since the last `open`."""

    def __init__(self, process: subprocess.Popen[bytes], to_browser: int, from_browser: int) -> None:
        self._process, self._out, self._in = process, to_browser, from_browser
        self._held = b""
        self._number = 0
        self._session: str | None = None
        self.events: list[dict[str, Any]] = []
        target = self._ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self._ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self._ask(f"{domain}.enable")

    def open(self, path: Path, *, width: int, height: int = 900, dark: bool = False) -> float:
        """Load a file of the disk at that width; the seconds until its load event."""
        self._ask(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 500
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._ask("Emulation.setEmulatedMedia", features=[scheme])
        self._ask("Network.setCacheDisabled", cacheDisabled=True)
        self.events.clear()
        began = time.monotonic()
        self._ask("Page.navigate", url=path.as_uri())
        self._until("Page.loadEventFired")
        return time.monotonic() - began

    def settle(self) -> None:
        """Wait until the page has been quiet for a moment."""
        while self._read(_QUIET_S):
            pass

    def evaluate(self, expression: str) -> Any:
        """The value of an expression in the page; a promise is waited for. Raises on an exception there."""
        answer = self._ask("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def screenshot(self, path: Path) -> None:
        """The whole page as a PNG, for looking at it."""
        shot = self._ask("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(shot["data"]))

    def named(self, method: str) -> list[dict[str, Any]]:
        """Parameters of the events of that name."""
        return [event["params"] for event in self.events if event["method"] == method]

    def _ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        self._number += 1
        number = self._number
        asked = {"id": number, "method": method, "params": parameters}
        if self._session is not None:
            asked["sessionId"] = self._session
        os.write(self._out, json.dumps(asked).encode() + b"\0")
        until = time.monotonic() + _LONGEST_S
        while time.monotonic() < until:
            answer = self._read(1.0)
            if answer is not None and answer.get("id") == number:
                assert "error" not in answer, (method, answer["error"])
                found: dict[str, Any] = answer["result"]
                return found
        raise TimeoutError(f"Chromium did not answer {method}.")

    def _until(self, method: str) -> None:
        until = time.monotonic() + _LONGEST_S
        while not self.named(method):
            assert time.monotonic() < until, f"{method} did not happen"
            self._read(1.0)

    def _read(self, wait_s: float) -> dict[str, Any] | None:
        """The next message; None where none came in time."""
        until = time.monotonic() + wait_s
        while b"\0" not in self._held:
            ready, _, _ = select.select([self._in], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                return None
            data = os.read(self._in, 1 << 20)
            assert data, "Chromium has ended"
            self._held += data
        line, _, self._held = self._held.partition(b"\0")
        message: dict[str, Any] = json.loads(line)
        if "method" in message and message.get("sessionId") == self._session:
            self.events.append(message)
        return message


@contextmanager
def running(program: str) -> Iterator[Browser]:
    """A browser with a profile of its own, which goes away with it."""
    from_us, to_browser = os.pipe()
    from_browser, to_us = os.pipe()

    def lay_out() -> None:  # the protocol's pipes are descriptors 3 and 4
        high = os.dup(from_us), os.dup(to_us)
        os.dup2(high[0], 3)
        os.dup2(high[1], 4)

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        command = [program, *_FLAGS, f"--user-data-dir={profile}", "about:blank"]
        process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, preexec_fn=lay_out, close_fds=False
        )
        os.close(from_us)
        os.close(to_us)
        try:
            yield Browser(process, to_browser, from_browser)
        finally:
            with suppress(OSError):
                os.close(to_browser)
            process.kill()
            process.wait()
            os.close(from_browser)
